"""Preparation: one excerpt cut from every take, aligned and level-matched.

The first take is the reference: its timeline and sample rate hold for all. Each clip gets one
linear-phase interpolation (delay, drift), one gain and two short fades; nothing else.
"""

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from panel.audio.align import survey
from panel.audio.align import take as align
from panel.audio.align.take import SAME_PERFORMANCE, Alignment, Hint
from panel.audio.intake import faults
from panel.audio.intake.faults import Warning_
from panel.audio.loudness import for_clip, true_peak_db
from panel.audio.reading import stretches
from panel.audio.reading.stretches import Recording
from panel.audio.sound import Audio, Sound
from panel.audio.warp import within_band
from panel.errors import BadInput

__all__ = [
    "PreparedClip",
    "Span",
    "Take",
    "TakeInFile",
    "TakeSound",
    "Warning_",
    "align_takes",
    "at_one_rate",
    "cut_clips",
]

PEAK_LIMIT_DB = -1.0
FADE_S = 0.01
SHORTEST_S, SHORT_S, LONG_S = 0.25, 2.0, 20.0
LEVEL_GAP_DB = 6.0
NOTHING_LEFT_DB = -200.0
MOST_AT_ONCE = 4
LONG_TAKE_S = 1200.0
_SLACK_S = 0.02


class Take(Protocol):
    """A take and what it is called in sentences: decoded (`TakeSound`), or in its file
    (`TakeInFile`)."""

    @property
    def name(self) -> str: ...

    @property
    def sound(self) -> Recording: ...


@dataclass(frozen=True)
class TakeSound:
    """A decoded take and what it is called in sentences."""

    name: str
    sound: Sound


@dataclass(frozen=True)
class TakeInFile:
    """A take whose sound is read as it is needed, and what it is called in sentences."""

    name: str
    sound: Recording


@dataclass(frozen=True)
class Span:
    """A stretch of the reference's timeline, in seconds."""

    start_s: float
    end_s: float

    @property
    def seconds(self) -> float:
        return self.end_s - self.start_s


@dataclass(frozen=True, eq=False)
class PreparedClip:
    """One excerpt of one take, ready to be printed.

    samples (frames, channels) and rate; gain_db: applied to the take; delay_samples,
    drift_ppm, inverted, swapped: what was undone; correlation with the reference;
    residual_db: what is left of the reference after best gain and delay, relative to it
    (None for the reference itself); loudness_lufs: of the clip as delivered;
    recorded_lufs: of the same excerpt as recorded; measured: "gated" or "ungated".
    """

    name: str
    samples: Audio
    rate: int
    gain_db: float
    delay_samples: float
    drift_ppm: float
    inverted: bool
    swapped: bool
    correlation: float
    residual_db: float | None
    loudness_lufs: float
    recorded_lufs: float
    measured: str
    true_peak_db: float
    warnings: tuple[Warning_, ...]


@dataclass(frozen=True, eq=False)
class _Cut:
    """A clip before its gain; in_band: what of it interpolation leaves alone."""

    samples: Audio
    in_band: Audio
    alignment: Alignment
    lufs: float
    measured: str
    peak_db: float


def at_one_rate(takes: Sequence[Take]) -> list[Take]:
    """All takes at the first one's sample rate (soxr, linear phase, very high quality)."""
    rate = takes[0].sound.rate
    return [
        take
        if take.sound.rate == rate
        else TakeInFile(take.name, stretches.at_rate(take.sound, rate))
        for take in takes
    ]


def resampled(samples: Audio, rate: int, to: int) -> Audio:
    """(frames, channels) at another rate; keeps the time of every sample."""
    import soxr

    out: Audio = soxr.resample(samples, rate, to, "VHQ")
    return out


def align_takes(
    takes: Sequence[Take], hints: Sequence[Hint | None] | None = None
) -> list[Alignment]:
    """Each take's alignment to the first. Takes minutes of sound: keep it for all excerpts.

    hints: one for each take (the first one's counts for nothing), where a leader or the like has
    told where it lies against the first; in samples at the first take's rate.
    """
    first, *rest = at_one_rate(takes)
    own = Alignment(0.0, 0.0, False, False, 1.0)
    told: list[Hint | None] = [None] * len(rest) if hints is None else list(hints)[1:]
    if len(told) != len(rest):
        raise ValueError("one hint for each take, or none at all")

    reference = align.prepared(first.sound, survey.sketched(first.sound))

    def to_first(take: Take, hint: Hint | None) -> Alignment:
        return align.to_reference(reference, take.sound, hint, survey.sketched(take.sound))

    longest_s = max(take.sound.frames / take.sound.rate for take in takes)
    with _threads(longest_s) as threads:
        return [own, *threads.map(to_first, rest, told)]


def _threads(longest_s: float) -> ThreadPoolExecutor:
    """Transforms and decoders release the interpreter's lock. Few at once, as each may hold a
    sketch of a take; one where that is large."""
    few = 1 if longest_s > LONG_TAKE_S else MOST_AT_ONCE
    return ThreadPoolExecutor(min(few, os.cpu_count() or 1))


def cut_clips(
    takes: Sequence[Take],
    excerpt: Span,
    *,
    matched: bool = True,
    alignments: Sequence[Alignment] | None = None,
    headroom_db: float = 0.0,
) -> list[PreparedClip]:
    """Cut `excerpt` (on the first take's timeline) from every take.

    matched: bring all clips to one loudness (BS.1770; the quietest take's, or lower where a true
    peak would pass -1 dBTP); else keep levels as recorded, lowering all alike where one would
    pass. headroom_db: keep true peaks that much lower still, for a planted check that will add
    it. alignments: from `align_takes`, when several excerpts are cut. All clips have the same
    frames, rate and channels. Raises BadInput when the excerpt does not lie inside every take or
    is silent in one.
    """
    _check_excerpt(takes, excerpt)
    told = [
        *faults.of_set([t.sound.source for t in takes], [t.sound.rate for t in takes]),
        *_about_length(excerpt),
    ]
    rates = [take.sound.rate for take in takes]
    takes = at_one_rate(takes)
    cuts = _cut_all(takes, excerpt, align_takes(takes) if alignments is None else alignments)
    gains = common_gains(
        [cut.lufs for cut in cuts],
        [cut.peak_db for cut in cuts],
        matched,
        PEAK_LIMIT_DB - max(headroom_db, 0.0),
    )
    told += [*_about_channels(takes), *_about_levels(cuts, matched)]
    clips = []
    for take, cut, gain_db, rate in zip(takes, cuts, gains, rates, strict=True):
        own = faults.told_from(survey.figures(take.sound), take.sound.source, take.name)
        residual, said = (None, []) if cut is cuts[0] else _against(cuts[0], cut, take, takes[0])
        warnings = [*own, *_about_rate(take, rate), *said, *told]
        clips.append(_prepared(take, cut, gain_db, residual, warnings))
    return clips


def _check_excerpt(takes: Sequence[Take], excerpt: Span) -> None:
    """Whether there is anything to be cut, and a stretch of time to cut it from."""
    if not takes:
        raise BadInput("There is no take to cut from.", hint="Upload takes first.")
    if not (np.isfinite([excerpt.start_s, excerpt.end_s]).all() and excerpt.start_s >= 0):
        raise BadInput("An excerpt starts at 0 s or later.", hint="Mark the excerpt again.")
    if excerpt.seconds < SHORTEST_S:
        raise BadInput(
            f"An excerpt of {excerpt.seconds:.2f} s is too short to be cut.",
            hint="Mark at least 2 s.",
        )


def _cut_all(takes: Sequence[Take], excerpt: Span, alignments: Sequence[Alignment]) -> list[_Cut]:
    """The excerpt out of every take, with as many channels as the widest of them."""
    channels = max(take.sound.channels for take in takes)

    def cut_one(take: Take, whole: Alignment) -> _Cut:
        return _cut_one(take, takes[0], whole, excerpt, channels)

    with _threads(excerpt.seconds) as threads:
        return list(threads.map(cut_one, takes, alignments))


def _cut_one(take: Take, first: Take, whole: Alignment, excerpt: Span, channels: int) -> _Cut:
    """`whole`: the take's alignment to the first, refined here on the excerpt itself."""
    rate = first.sound.rate
    start, frames = round(excerpt.start_s * rate), round(excerpt.seconds * rate)
    here = whole
    if take is not first:
        here = align.refine(first.sound, take.sound, start, frames, whole)
    _check_inside(take, here, start, frames, rate)
    cut = align.cut(take.sound, here, float(start), frames)
    if cut.shape[1] < channels:
        cut = np.repeat(cut, channels, axis=1)
    cut = faded(cut, rate)
    level, how = for_clip(cut, rate)
    if not np.isfinite(level):
        raise BadInput(
            f"{take.name} is silent between {excerpt.start_s:.2f} and {excerpt.end_s:.2f} s.",
            hint="Move the excerpt to where every take sounds.",
        )
    return _Cut(cut, within_band(cut), here, level, how, true_peak_db(cut, rate))


def _about_channels(takes: Sequence[Take]) -> list[Warning_]:
    channels = max(take.sound.channels for take in takes)
    return [
        Warning_(
            "mono_and_stereo",
            f"{take.name} is mono and others are stereo: a listener can tell.",
        )
        for take in takes
        if take.sound.channels < channels
    ]


def _about_levels(cuts: Sequence[_Cut], matched: bool) -> list[Warning_]:
    loudness = [cut.lufs for cut in cuts]
    gap = max(loudness) - min(loudness)
    found = []
    if gap > LEVEL_GAP_DB:
        found.append(
            Warning_("level_gap", f"Levels differ by {gap:.1f} dB as recorded: compare the chain.")
        )
    if not matched and len(cuts) > 1:
        found.append(
            Warning_("as_recorded", f"Levels are kept as recorded: they differ by {gap:.2f} dB.")
        )
    return found


def _about_rate(take: Take, recorded: int) -> list[Warning_]:
    """That a take recorded at another rate was brought to that of all."""
    rate = take.sound.rate
    if recorded == rate:
        return []
    return [Warning_("resampled", f"{take.name} was brought from {recorded:,} to {rate:,} Hz.")]


def _prepared(
    take: Take, cut: _Cut, gain_db: float, residual: float | None, warnings: Sequence[Warning_]
) -> PreparedClip:
    found = cut.alignment
    return PreparedClip(
        name=take.name,
        samples=cut.samples * 10 ** (gain_db / 20),
        rate=take.sound.rate,
        gain_db=gain_db,
        delay_samples=found.delay_samples,
        drift_ppm=found.drift_ppm,
        inverted=found.inverted,
        swapped=found.swapped,
        correlation=found.correlation,
        residual_db=residual,
        loudness_lufs=cut.lufs + gain_db,
        recorded_lufs=cut.lufs,
        measured=cut.measured,
        true_peak_db=cut.peak_db + gain_db,
        warnings=tuple(dict.fromkeys(warnings)),
    )


def common_gains(
    loudness: Sequence[float], peaks: Sequence[float], matched: bool, limit_db: float
) -> list[float]:
    """A gain in dB for each clip: to the quietest loudness, or 0; all lower if a peak needs it."""
    target = min(loudness)
    gains = [target - level if matched else 0.0 for level in loudness]
    over = max(peak + gain for peak, gain in zip(peaks, gains, strict=True)) - limit_db
    return [gain - max(over, 0.0) for gain in gains]


def faded(samples: Audio, rate: int) -> Audio:
    """With a raised-cosine fade of 10 ms at each end, so that a cut does not click."""
    length = min(round(FADE_S * rate), samples.shape[0] // 2)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(length) + 0.5) / length)
    out = samples.copy()
    out[:length] *= ramp[:, None]
    out[-length:] *= ramp[::-1, None]
    return out


def residual_db(reference: Audio, other: Audio) -> float:
    """What is left of aligned `other` after the best gain, in dB relative to it; from -200."""
    power = float(np.square(other).sum())
    own = float(np.square(reference).sum())
    if power == 0.0 or own == 0.0:
        return 0.0
    gain = float((reference * other).sum()) / own
    left = float(np.square(other - gain * reference).sum())
    return max(10 * float(np.log10(max(left / power, 1e-30))), NOTHING_LEFT_DB)


def _about_length(excerpt: Span) -> list[Warning_]:
    if excerpt.seconds < SHORT_S:
        return [
            Warning_("too_short", f"The excerpt lasts {excerpt.seconds:.1f} s; 2 to 20 s is usual.")
        ]
    if excerpt.seconds > LONG_S:
        return [
            Warning_(
                "too_long",
                f"The excerpt lasts {excerpt.seconds:.0f} s: over 20 s its start is forgotten.",
            )
        ]
    return []


def _check_inside(take: Take, here: Alignment, start: int, frames: int, rate: int) -> None:
    first, last = here.position(start), here.position(start + frames)
    slack = _SLACK_S * rate
    if first < -slack or last > take.sound.frames + slack:
        low = max(0.0, -here.delay_samples / here.step) / rate
        high = (take.sound.frames - here.delay_samples) / here.step / rate
        raise BadInput(
            f"{take.name} has no sound for the whole excerpt: on the first take's time it runs "
            f"from {low:.2f} to {high:.2f} s.",
            hint="Mark the excerpt inside that, or leave the take out.",
        )


def _against(reference: _Cut, cut: _Cut, take: Take, first: Take) -> tuple[float, list[Warning_]]:
    residual = residual_db(reference.in_band, cut.in_band)
    found = cut.alignment
    said = []
    if found.correlation < SAME_PERFORMANCE:
        said.append(
            Warning_(
                "low_correlation",
                f"{take.name} and {first.name} do not follow each other (correlation "
                f"{found.correlation:.2f}): not the same performance, so they are cut at the "
                "likeliest place and their residual means little.",
            )
        )
    elif -150 < residual < -6:
        power = float(np.square(cut.samples).mean())
        gain = power / max(float(np.square(reference.samples).mean()), 1e-300)
        noise = survey.figures(take.sound).noise_power
        noise += gain * survey.figures(first.sound).noise_power
        if noise > 0 and power * 10 ** (residual / 10) < 2 * noise:
            said.append(
                Warning_(
                    "residual_is_noise",
                    f"What is left between {take.name} and {first.name} is mostly the recordings' "
                    "own noise: a smaller difference cannot be measured in them.",
                )
            )
    return residual, said
