"""A contrast's third-octave difference beside the band that retakes of one condition span."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.audio.measure.difference import BAND_FLOOR, NOMINAL_HZ, band_powers
from panel.audio.sound import Audio
from panel.errors import BadInput
from panel.prose import listed

FEW_PAIRS = 3
_MOST_RUNS = 3
_SHOWN_DB = 0.05


@dataclass(frozen=True)
class BandBeside:
    """One band of a contrast beside what retakes of one condition span.

    retake_low_db, retake_high_db: the lowest and highest difference between two retakes;
    outside_db: by how much the contrast leaves that span (0 inside; signed).
    """

    hz: float
    difference_db: float
    retake_low_db: float
    retake_high_db: float
    outside_db: float


@dataclass(frozen=True)
class RetakeBand:
    """A contrast's third-octave difference beside the span of `pairs` pairs of retakes."""

    bands: tuple[BandBeside, ...]
    pairs: int
    sentence: str


def retake_band(
    condition_a: Sequence[Audio], condition_b: Sequence[Audio], rate: int
) -> RetakeBand:
    """The mean difference of B over A with the band spanned by retakes of one condition.

    Each sequence holds the prepared clips (aligned, level-matched) of one condition. The span is
    that of all differences, both ways round, between two takes of the same condition. Raises
    BadInput when neither condition has a retake.
    """
    first = [_levels(clip, rate) for clip in condition_a]
    second = [_levels(clip, rate) for clip in condition_b]
    if not first or not second:
        raise BadInput("A contrast needs a take on each side.", hint="Choose takes for both.")
    retakes = [
        x - y for levels in (first, second) for i, x in enumerate(levels) for y in levels[:i]
    ]
    if not retakes:
        raise BadInput(
            "Neither condition has a retake, so there is nothing to compare the difference with.",
            hint="Record at least two takes of one condition.",
        )
    spread = np.abs(np.array(retakes)).max(axis=0)
    middle = np.mean(second, axis=0) - np.mean(first, axis=0)
    bands = []
    for hz, difference, reach in zip(NOMINAL_HZ, middle, spread, strict=True):
        if np.isfinite(difference) and np.isfinite(reach):
            outside = float(np.sign(difference) * max(abs(difference) - reach, 0.0))
            bands.append(BandBeside(hz, float(difference), -float(reach), float(reach), outside))
    return RetakeBand(tuple(bands), len(retakes), _in_words(bands, len(retakes)))


def _levels(clip: Audio, rate: int) -> NDArray[np.float64]:
    powers = band_powers(clip, rate)
    powers[~(powers > BAND_FLOOR * np.nansum(powers))] = np.nan
    levels: NDArray[np.float64] = 10 * np.log10(powers)
    return levels


def _in_words(bands: Sequence[BandBeside], pairs: int) -> str:
    """Where the contrast leaves the span, and by how much: the three that leave it furthest."""
    few = (
        f" Only {'one pair' if pairs == 1 else f'{pairs} pairs'} of retakes can say so: more of "
        "them may vary by more."
        if pairs < FEW_PAIRS
        else ""
    )
    shown = sorted(_runs(bands, _SHOWN_DB), key=_most, reverse=True)[:_MOST_RUNS]
    if not shown:
        slight = sorted(_runs(bands, 0.0), key=_most, reverse=True)
        if slight:
            return f"Larger than retakes vary {_where(slight[0])}, by less than 0.1 dB.{few}"
        return f"In every third-octave band the difference lies within what retakes vary by.{few}"
    parts = [
        f"{_where(run)} by {'up to ' if len(run) > 1 else ''}{_most(run):.1f} dB" for run in shown
    ]
    return f"Larger than retakes vary {listed(parts)}.{few}"


def _runs(bands: Sequence[BandBeside], least_db: float) -> list[list[BandBeside]]:
    """Neighbouring bands that leave the span to the same side, by more than `least_db`."""
    runs: list[list[BandBeside]] = []
    before: BandBeside | None = None
    for band in bands:
        if abs(band.outside_db) <= least_db:
            before = None
            continue
        if before is not None and before.outside_db * band.outside_db > 0:
            runs[-1].append(band)
        else:
            runs.append([band])
        before = band
    return runs


def _most(run: Sequence[BandBeside]) -> float:
    return max(abs(band.outside_db) for band in run)


def _where(run: Sequence[BandBeside]) -> str:
    if len(run) == 1:
        return f"at {_hz(run[0].hz)}"
    low, high = run[0].hz, run[-1].hz
    if low >= 1000:
        return f"in {low / 1000:g}\u2013{high / 1000:g} kHz"
    return f"in {low:g}\u2013{high:g} Hz" if high < 1000 else f"from {_hz(low)} to {_hz(high)}"


def _hz(hz: float) -> str:
    return f"{hz / 1000:g} kHz" if hz >= 1000 else f"{hz:g} Hz"
