"""What measurably differs between two conditions of one or several takes, beside their retakes.

A take is a sequence of prepared clips, one an excerpt: aligned and level-matched, (frames,
channels), the same shapes and rate for all takes. Differences are of the last condition over the
first. Whether anyone hears one is for the votes.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.audio.align.take import SAME_PERFORMANCE
from panel.audio.measure import envelope, low_corner
from panel.audio.measure.envelope import NoteDifference
from panel.audio.measure.low_corner import CornerShift
from panel.audio.measure.transfer import Transfer, transfers
from panel.audio.sound import Audio
from panel.errors import BadInput

Floats = NDArray[np.float64]
Take = Sequence[Audio]
Spectrum = NDArray[np.complex128]

LEAST_DB = -200.0
_DB = 20 / float(np.log(10))
_TOP_OF_BAND = 0.92  # of half the rate, as where residuals are compared elsewhere
_CLOSE = 1e-3  # samples


@dataclass(frozen=True)
class Residuals:
    """What is left between two takes after the best gain and delay, in dB under the signal.

    across_db: lowest, median and highest over pairs of one take of each condition; within_db: the
    same over pairs of one condition, None without retakes. Both None where a pair is not the same
    performance: then nothing can be subtracted.
    """

    across_db: tuple[float, float, float] | None
    within_db: tuple[float, float, float] | None
    same_performance: bool


@dataclass(frozen=True)
class ResponseBand:
    """Transfer function of the last condition over the first in one narrow band.

    gain_db: mean over takes; retakes_db: the most that two takes of one condition differ by, None
    without retakes; coherence: the lowest of any take with the reference.
    """

    hz: float
    gain_db: float
    retakes_db: float | None
    coherence: float


@dataclass(frozen=True)
class Between:
    """All of it; each part is None where the takes do not allow it (not the same performance)."""

    residuals: Residuals
    response: tuple[ResponseBand, ...]
    corner: CornerShift | None
    notes: NoteDifference | None


def between(
    first: Sequence[Take], last: Sequence[Take], rate: int, corner_hz: float | None = None
) -> Between:
    """The last condition against the first; `corner_hz` is the first's low corner, if known.

    Raises BadInput when a side is empty or the clips have different shapes.
    """
    takes = [*first, *last]
    if not first or not last or not takes[0]:
        raise BadInput("A contrast needs a take on each side.", hint="Choose takes for both.")
    if len({tuple(clip.shape for clip in take) for take in takes}) > 1:
        raise BadInput("The clips differ in length or channels.", hint="Prepare them together.")
    left = residuals(first, last)
    if not left.same_performance:
        return Between(left, (), None, None)
    found = transfers(first[0], takes, rate)
    sides = found[: len(first)], found[len(first) :]
    return Between(
        left,
        response(*sides),
        low_corner.shift(*sides, corner_hz),
        envelope.compare(first, last, rate),
    )


def response(first: Sequence[Transfer], last: Sequence[Transfer]) -> tuple[ResponseBand, ...]:
    """From transfer functions of every take against one reference, in the same bands."""
    levels = [_DB * np.array([take.log_gain for take in side]) for side in (first, last)]
    gain = levels[1].mean(axis=0) - levels[0].mean(axis=0)
    spans = [np.ptp(side, axis=0) for side in levels if len(side) > 1]
    retakes = np.max(spans, axis=0) if spans else None
    coherence = np.min([take.coherence for take in (*first, *last)], axis=0)
    return tuple(
        ResponseBand(
            float(hz),
            float(gain[i]),
            None if retakes is None else float(retakes[i]),
            float(coherence[i]),
        )
        for i, hz in enumerate(first[0].hz)
    )


def residuals(first: Sequence[Take], last: Sequence[Take]) -> Residuals:
    """Over all pairs of takes, across and within the conditions."""
    spectra = [[[_spectrum(clip) for clip in take] for take in side] for side in (first, last)]
    across = [_left_db(x, y) for x in spectra[0] for y in spectra[1]]
    within = [_left_db(x, y) for side in spectra for i, y in enumerate(side) for x in side[:i]]
    if any(left is None for left in (*across, *within)):
        return Residuals(None, None, False)
    return Residuals(_span(across), _span(within) if within else None, True)


def residual_after_db(a: Take, b: Take) -> float | None:
    """What is left of `b` after the best gain and delay of `a`, in dB relative to `b`, from -200.

    Both aligned to within a sample and of one shape; up to 0.92 of half the rate, with a gain and
    a delay for each clip. None where the two are not the same performance.
    """
    return _left_db([_spectrum(clip) for clip in a], [_spectrum(clip) for clip in b])


def _span(values: Sequence[float | None]) -> tuple[float, float, float]:
    there = np.array(values, dtype=np.float64)
    return float(there.min()), float(np.median(there)), float(there.max())


def _spectrum(samples: Audio) -> Spectrum:
    from scipy.fft import rfft

    bins = rfft(samples - samples.mean(axis=0), axis=0)
    out: Spectrum = bins[1 : max(2, int(_TOP_OF_BAND * len(bins)))]
    return out


def _left_db(first: Sequence[Spectrum], second: Sequence[Spectrum]) -> float | None:
    power = left = 0.0
    for x, y in zip(first, second, strict=True):
        rest = _left(x, y)
        if rest is None:
            return None
        left += rest
        power += float(np.vdot(y, y).real)
    return max(10 * float(np.log10(max(left / power, 1e-30))), LEAST_DB)


def _left(x: Spectrum, y: Spectrum) -> float | None:
    """Power left: the best delay by Newton's method on the cross-spectrum, then the best gain."""
    own, power = float(np.vdot(x, x).real), float(np.vdot(y, y).real)
    if own == 0.0 or power == 0.0:
        return None
    turn = np.pi * _TOP_OF_BAND * np.arange(1, len(x) + 1)[:, None] / len(x)
    moved, delay = y, 0.0
    for _ in range(4):
        product = np.conj(x) * moved
        cross = float(product.real.sum())
        if abs(cross) < SAME_PERFORMANCE * float(np.sqrt(own * power)):
            return None
        bend = -float((np.square(turn) * product.real).sum())
        step = float((turn * product.imag).sum()) / bend if bend else 0.0
        if abs(step) < _CLOSE:
            break
        delay += float(np.clip(step, -0.5, 0.5))
        moved = y * np.exp(1j * turn * delay)
    gain = float(np.vdot(x, moved).real) / own
    return float(np.square(np.abs(moved - gain * x)).sum())
