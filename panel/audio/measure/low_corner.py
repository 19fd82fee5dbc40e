"""The low corner that C and R form: in closed form, by tolerance alone, and how far it moved.

A first-order low cut has |H| = 1 / sqrt(1 + (fc / f)^2) with fc = 1 / (2 pi R C); R is load plus
source. Frequencies in Hz, levels in dB.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.audio.measure.transfer import Transfer
from panel.errors import BadInput

Floats = NDArray[np.float64]

CONFIDENCE = 0.95
_TOP_HZ = 800.0
_BANDS_AT_LEAST = 6
_MISFIT = 3.0
_MISFIT_DB = 0.1
_METHOD = 0.005  # in ln |H|: steady tones leak into the bands beside them
_DB = 20 / float(np.log(10))


def corner_hz(ohms: float, farads: float) -> float:
    """1 / (2 pi R C). Raises BadInput unless both are above zero."""
    if not (np.isfinite([ohms, farads]).all() and ohms > 0 and farads > 0):
        raise BadInput(
            "A corner needs a resistance and a capacitance above zero.",
            hint="Correct the two values in the chain log.",
        )
    return float(1 / (2 * np.pi * ohms * farads))


def level_db(hz: float, corner: float) -> float:
    """Level of a first-order low cut at `hz`, in dB under that far above its corner."""
    return -10 * float(np.log10(1 + (corner / hz) ** 2))


@dataclass(frozen=True)
class ToleranceAlone:
    """What a part that is off by its tolerance does, and nothing else.

    share: the tolerance, 0.1 for 10 %. corners_hz: lowest and highest corner. at_hz: where the
    level is given; level_db: of the nominal corner there; change_db: lowest and highest level
    against that.
    """

    corner_hz: float
    share: float
    corners_hz: tuple[float, float]
    at_hz: float
    level_db: float
    change_db: tuple[float, float]


def tolerance_alone(ohms: float, farads: float, share: float, at_hz: float) -> ToleranceAlone:
    """For a capacitance (or a resistance: the corner is the same) off by ± `share`.

    Closed form. Raises BadInput for a share outside 0 to 0.9.
    """
    if not 0 <= share <= 0.9:
        raise BadInput("A tolerance lies between 0 and 90 %.", hint="Correct the tolerance.")
    nominal = corner_hz(ohms, farads)
    low, high = nominal / (1 + share), nominal / (1 - share)
    own = level_db(at_hz, nominal)
    return ToleranceAlone(
        nominal,
        share,
        (low, high),
        at_hz,
        own,
        (level_db(at_hz, high) - own, level_db(at_hz, low) - own),
    )


@dataclass(frozen=True)
class CornerShift:
    """How far the low corner of B lies above that of A.

    from_hz: A's corner as logged; None when it is not known, and then it is taken to lie far
    below the music: shift_hz is the corner of the low cut that B has and A has not (negative: A
    has it). low_hz, high_hz: interval at `confidence`. rests_on: "retakes" (the interval holds
    for other takes of the same conditions) or "noise" (it holds for these two takes only).
    """

    shift_hz: float
    low_hz: float
    high_hz: float
    from_hz: float | None
    confidence: float
    rests_on: str

    @property
    def beyond_chance(self) -> bool:
        """Whether the interval leaves out no shift at all."""
        return not self.low_hz <= 0.0 <= self.high_hz


def shift(
    first: Sequence[Transfer], last: Sequence[Transfer], from_hz: float | None = None
) -> CornerShift | None:
    """Of the last condition against the first, from one reference to each take (`transfers`).

    A first-order change of corner is fitted by least squares to the mean difference below 800 Hz,
    the level being free. What each take adds to the estimate gives its standard error, pooled over
    both conditions, and Student's t the interval; with one take each the random error of the
    transfer function does (first order of the delta method). None where too little sounds at the
    bottom, or where what differs there has not the shape of a low cut.
    """
    hz = first[0].hz
    low = hz <= min(_TOP_HZ, 16 * float(hz[0])) if len(hz) else np.zeros(0, bool)
    if np.count_nonzero(low) < _BANDS_AT_LEAST:
        return None
    hz = hz[low]
    levels = [np.array([take.log_gain[low] for take in side]) for side in (first, last)]
    noise = [np.array([_sigma(take)[low] for take in side]) for side in (first, last)]
    difference = levels[1].mean(axis=0) - levels[0].mean(axis=0)
    freedom = sum(len(side) - 1 for side in levels)
    # Of the mean difference: random error, and what takes differ by, alike in all bands.
    variance = sum(np.square(side).sum(axis=0) / len(side) ** 2 for side in noise)
    weight = 1 / (variance + _between_takes(levels, freedom) + _METHOD**2)
    at = 0.0 if from_hz is None else float(from_hz)
    found, gradient, rest = _fitted(hz, difference, weight, at)
    misfit = float(np.sqrt(np.average(np.square(rest), weights=weight)))
    expected = float(np.sqrt(len(hz) / weight.sum()))
    if misfit > max(_MISFIT * expected, _MISFIT_DB / _DB):
        return None
    if freedom:
        error, factor = _error_by_takes(levels, gradient, freedom)
    else:
        error, factor = float(np.sqrt((np.square(gradient) * variance).sum())), 1.959964
    ends = [_moved(found + way * factor * error, at) for way in (-1, 0, 1)]
    return CornerShift(
        ends[1], ends[0], ends[2], from_hz, CONFIDENCE, "retakes" if freedom else "noise"
    )


def _sigma(take: Transfer) -> Floats:
    out: Floats = np.hypot(take.sigma, take.half_range)
    return out


def _between_takes(levels: Sequence[Floats], freedom: int) -> float:
    """Variance of the mean difference by what takes of one condition differ: median over bands."""
    if not freedom:
        return 0.0
    within = sum(np.square(side - side.mean(axis=0)).sum(axis=0) for side in levels) / freedom
    return float(np.median(within)) * sum(1 / len(side) for side in levels)


def _error_by_takes(
    levels: Sequence[Floats], gradient: Floats, freedom: int
) -> tuple[float, float]:
    from scipy.stats import t

    own = [side @ gradient for side in levels]  # what each take adds, to first order
    spread = sum(float(np.square(side - side.mean()).sum()) for side in own) / freedom
    error = float(np.sqrt(spread * sum(1 / len(side) for side in own)))
    return error, float(t.ppf(0.5 + CONFIDENCE / 2, freedom))


def _model(hz: Floats, q: float, at: float) -> Floats:
    """ln |H| for q = fB^2 - fA^2 where fA = `at`; with fA unknown, q < 0 is a low cut in A."""
    if q >= 0 or at > 0:
        out: Floats = -0.5 * np.log1p(max(q, -(at**2)) / (np.square(hz) + at**2))
    else:
        out = 0.5 * np.log1p(-q / np.square(hz))
    return out


def _fitted(
    hz: Floats, difference: Floats, weight: Floats, at: float
) -> tuple[float, Floats, Floats]:
    """q, its gradient by the level in each band, and what is left of the difference."""
    from scipy.optimize import minimize_scalar

    share = weight / weight.sum()

    def rest_of(q: float) -> Floats:
        left = difference - _model(hz, q, at)
        out: Floats = left - float(left @ share)
        return out

    reach = 100.0 * float(hz[0]) ** 2 + 100.0 * at**2
    grid = np.concatenate((-np.geomspace(reach, 1e-2, 60), [0.0], np.geomspace(1e-2, reach, 60)))
    grid = grid[grid >= -(at**2)] if at else grid
    costs = [float(weight @ np.square(rest_of(float(q)))) for q in grid]
    best = int(np.argmin(costs))
    around = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    found = float(
        minimize_scalar(
            lambda q: float(weight @ np.square(rest_of(float(q)))),
            bounds=around,
            method="bounded",
            options={"xatol": 1e-6 * (abs(around[0]) + abs(around[1]) + 1e-3)},
        ).x
    )
    step = 1e-4 * (abs(found) + float(hz[0]) ** 2 * 1e-2)
    slope = (_model(hz, found + step, at) - _model(hz, found - step, at)) / (2 * step)
    slope = slope - float(slope @ share)
    gradient = weight * slope / float(weight @ np.square(slope))
    return found, gradient, rest_of(found)


def _moved(q: float, at: float) -> float:
    """q in Hz^2 as the shift of the corner in Hz; grows with q."""
    if at > 0:
        return float(np.sqrt(max(at**2 + q, 0.0))) - at
    return float(np.sign(q) * np.sqrt(abs(q)))
