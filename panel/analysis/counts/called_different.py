"""Same–different: how far apart two takes seem, and how ready a listener is to call them different.

With the rates H and F and the criterion τ of panel.procedures.same_different, τ = −√2 Φ⁻¹(F/2), and
d′ follows from H: with both rates strictly between 0 and 1 and H ≥ F the closed form is the maximum
of the likelihood; with H < F the maximum lies at d′ = 0.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtri

from panel.analysis.counts import shares
from panel.procedures.same_different import called_different

Floats = NDArray[np.float64]
_ROOT2 = math.sqrt(2.0)
_FAR = 60.0


@dataclass(frozen=True)
class Rates:
    """How often pairs were called different. `hits` of `different` pairs of two takes across the
    conditions, `false_alarms` of `same` pairs of one take twice; intervals (low, high) of the mean
    rates over listeners, None without votes. `within`: of `within_pairs` of two takes of one
    condition."""

    hits: int
    different: int
    false_alarms: int
    same: int
    within: int
    within_pairs: int
    hit_interval: tuple[float, float] | None
    false_alarm_interval: tuple[float, float] | None


@dataclass(frozen=True)
class Estimate:
    """`dprime`, and `low`, `high` around it (high is inf where the rates set no limit)."""

    dprime: float
    tau: float
    low: float
    high: float


def dprime_of(hit_rate: float, false_alarm_rate: float) -> float:
    """d′ at two rates: 0 where fewer two takes than one take twice are called different, inf where
    no d′ is large enough. Rates within [0, 1]."""
    if hit_rate <= false_alarm_rate:
        return 0.0
    if hit_rate >= 1 or false_alarm_rate <= 0:
        return math.inf
    tau = -_ROOT2 * float(ndtri(false_alarm_rate / 2))
    return float(brentq(lambda d: float(called_different(d, tau)[0]) - hit_rate, 0.0, _FAR))


def estimate(rates: Rates) -> Estimate | None:
    """d′ and τ by maximum likelihood; None where the rates have no such maximum (none, or all, of
    a kind called different) or there is no interval.

    The interval of d′ joins those of the two rates, each of which is to be given at 1 − (1 − c)/2
    for a confidence of c (Bonferroni): d′ rises with H and falls with F.
    """
    if not rates.different or not rates.same:
        return None
    if rates.hit_interval is None or rates.false_alarm_interval is None:
        return None
    hit, false_alarm = rates.hits / rates.different, rates.false_alarms / rates.same
    if hit < false_alarm:  # at d′ = 0 both kinds are one
        hit = false_alarm = (rates.hits + rates.false_alarms) / (rates.different + rates.same)
    if not 0 < false_alarm < 1 or not 0 < hit < 1:
        return None
    return Estimate(
        dprime=dprime_of(hit, false_alarm),
        tau=-_ROOT2 * float(ndtri(false_alarm / 2)),
        low=dprime_of(rates.hit_interval[0], rates.false_alarm_interval[1]),
        high=dprime_of(rates.hit_interval[1], rates.false_alarm_interval[0]),
    )


def rates(
    said: NDArray[np.bool_],
    differ: NDArray[np.bool_],
    across: NDArray[np.bool_],
    listener: NDArray[np.int64],
    complete: NDArray[np.bool_],
    confidence: float,
    *,
    anytime: bool = False,
) -> Rates:
    """Rates from votes, all arrays (votes,): `said` different, two takes `differ`, the pair lies
    `across`; `complete` (listeners,): who may enter the intervals.

    The intervals are for the mean rate over listeners, each at 1 − (1 − confidence)/2; with one
    vote a listener they are those of Clopper and Pearson.
    """
    hit, same, within = differ & across, ~differ, differ & ~across

    def interval(kind: NDArray[np.bool_]) -> tuple[float, float] | None:
        n = np.bincount(listener[kind], minlength=complete.size)
        count = np.bincount(listener[kind & said], minlength=complete.size)
        use = (n > 0) & complete
        if not use.any():
            return None
        return shares.mean_interval(count[use] / n[use], 1 - (1 - confidence) / 2, anytime=anytime)

    def both(kind: NDArray[np.bool_]) -> tuple[int, int]:
        return int(np.count_nonzero(kind & said)), int(np.count_nonzero(kind))

    return Rates(*both(hit), *both(same), *both(within), interval(hit), interval(same))
