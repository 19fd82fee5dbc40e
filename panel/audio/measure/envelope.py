"""How notes begin and die away: level by time since the onset, and when they start.

A take is a sequence of clips, one an excerpt, aligned, (frames, channels) at one rate. Onsets are
sought in one take and hold for all. Levels in dB, times in seconds.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.audio.sound import Audio

Floats = NDArray[np.float64]
Take = Sequence[Audio]

STAGES = ((0.0, 0.02), (0.02, 0.08), (0.08, 0.25), (0.25, 0.7))
"""Stretches after an onset, in s: attack, early, middle, late."""

_STEP_S = 0.001
_WINDOW_S = 0.004
_RISE_DB = 9.0
_WITHIN_S = 0.03
_APART_S = 0.1
_QUIET_DB = -45.0
_LOOK_S = 0.06
_LATEST_S = 0.02


@dataclass(frozen=True, eq=False)
class NoteShape:
    """One take's notes. stages: mean level in dB in each of STAGES (NaN where no note lasts so
    long). late_s: how much later than in the reference each note begins."""

    stages: Floats
    late_s: Floats


def onsets(samples: Audio, rate: int) -> NDArray[np.intp]:
    """Steps of 1 ms at which notes begin: the level rises by 9 dB within 30 ms, out of quiet."""
    return _begins(_envelope(samples, rate))


def _begins(envelope: Floats) -> NDArray[np.intp]:
    level = 20 * np.log10(np.maximum(envelope, 1e-12))
    level = np.maximum(level, level.max(initial=-240.0) + _QUIET_DB)
    within, apart = round(_WITHIN_S / _STEP_S), round(_APART_S / _STEP_S)
    before = np.concatenate((np.full(within, np.inf), level))[: len(level)]
    found: list[int] = []
    for at in np.flatnonzero(level - before >= _RISE_DB):
        if not found or at - found[-1] >= apart:
            found.append(int(at))
    # The steepest step near by is where the note begins.
    slope = np.diff(level, prepend=level[:1])
    low = [max(0, at - within) for at in found]
    steepest = [a + int(np.argmax(slope[a : at + 5])) for a, at in zip(low, found, strict=True)]
    return np.array(steepest, dtype=np.intp)


def _shape(
    take: Sequence[Floats], reference: Sequence[Floats], at: Sequence[NDArray[np.intp]]
) -> NoteShape:
    levels: list[list[float]] = [[] for _ in STAGES]
    late: list[float] = []
    for own, other, begins in zip(take, reference, at, strict=True):
        ends = np.append(begins[1:], len(own))
        for begin, end in zip(begins, ends, strict=True):
            for stage, (start_s, stop_s) in zip(levels, STAGES, strict=True):
                start, stop = begin + round(start_s / _STEP_S), begin + round(stop_s / _STEP_S)
                if stop <= end:
                    power = float(np.square(own[start:stop]).mean())
                    stage.append(10 * float(np.log10(max(power, 1e-24))))
            low = max(0, begin - round(_WITHIN_S / _STEP_S))
            high = min(begin + round(_LOOK_S / _STEP_S), end)
            late.append(_later(own, other, low, high))
    stages = np.array([np.mean(stage) if stage else np.nan for stage in levels])
    return NoteShape(stages, np.array(late))


def _later(own: Floats, other: Floats, low: int, high: int) -> float:
    """By how much the rise in `own` comes later than in `other`, by their slopes' correlation."""
    reach = round(_LATEST_S / _STEP_S)
    slope = np.diff(other[low:high])
    wide = np.diff(np.pad(own, (reach, reach + 1), mode="edge")[low : high + 2 * reach])
    product = np.correlate(wide, slope, mode="valid")
    peak = int(np.argmax(product))
    bent = 0.0
    if 0 < peak < len(product) - 1:
        left, top, right = product[peak - 1 : peak + 2]
        bend = left - 2 * top + right
        bent = 0.5 * float(left - right) / float(bend) if bend else 0.0
    return (peak + bent - reach) * _STEP_S


@dataclass(frozen=True)
class StageDifference:
    """Level of B over A in one stretch after the onsets, and the most two retakes differ by."""

    from_s: float
    to_s: float
    difference_db: float
    retakes_db: float | None


@dataclass(frozen=True)
class NoteDifference:
    """B against A, beside what retakes of one condition differ by (None without retakes).

    onsets: how many notes; onset_ms: RMS over them of how much earlier or later B begins, overall
    delay taken out.
    """

    onsets: int
    stages: tuple[StageDifference, ...]
    onset_ms: float
    onset_retakes_ms: float | None


def compare(first: Sequence[Take], last: Sequence[Take], rate: int) -> NoteDifference | None:
    """Notes of the last condition against those of the first; None where none is found."""
    reference = [_envelope(clip, rate) for clip in first[0]]
    at = [_begins(clip) for clip in reference]
    if not any(len(begins) for begins in at):
        return None
    shapes = [
        [_shape([_envelope(clip, rate) for clip in take], reference, at) for take in side]
        for side in (first, last)
    ]
    pairs = [(x, y) for side in shapes for i, x in enumerate(side) for y in side[:i]]
    stages = [np.mean([s.stages for s in side], axis=0) for side in shapes]
    late = [np.mean([s.late_s for s in side], axis=0) for side in shapes]
    differences = []
    for i, (start, stop) in enumerate(STAGES):
        change = float(stages[1][i] - stages[0][i])
        if np.isfinite(change):
            retakes = [abs(float(x.stages[i] - y.stages[i])) for x, y in pairs]
            differences.append(StageDifference(start, stop, change, max(retakes, default=None)))
    return NoteDifference(
        onsets=sum(len(begins) for begins in at),
        stages=tuple(differences),
        onset_ms=_scatter_ms(late[1] - late[0]),
        onset_retakes_ms=max((_scatter_ms(x.late_s - y.late_s) for x, y in pairs), default=None),
    )


def _scatter_ms(late: Floats) -> float:
    return 1000 * float(np.sqrt(np.square(late - np.median(late)).mean()))


def _envelope(samples: Audio, rate: int) -> Floats:
    """RMS over all channels in windows of 4 ms, every millisecond."""
    power = np.square(samples).mean(axis=1)
    total = np.concatenate(([0.0], np.cumsum(power)))
    count = int(len(power) / rate / _STEP_S)
    middle = np.arange(count) * _STEP_S * rate
    half = 0.5 * _WINDOW_S * rate
    low, high = np.maximum(middle - half, 0.0), np.minimum(middle + half, len(power))
    at = np.arange(len(total))
    mean = (np.interp(high, at, total) - np.interp(low, at, total)) / np.maximum(high - low, 1.0)
    out: Floats = np.sqrt(np.maximum(mean, 0.0))
    return out
