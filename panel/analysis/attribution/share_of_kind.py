"""Limits on the mean share right for a kind, of which the specimens that were heard are a sample.

The listeners' limits (panel.analysis.counts.shares) hold for the specimens that were played: others
of their kind would have given another share. Here both vary: the mean ± t √(V_listeners +
V_specimens), V_listeners the variance of listeners' own shares over their number, V_specimens by
leaving out one specimen of a side at a time (Efron & Stein 1981, Ann. Statist. 9, 586–596), with
degrees of freedom after Satterthwaite (1946, Biometrics Bulletin 2, 110–114), those of the
specimens' part being the smaller side's number less one. A normal law knows nothing of shares near
0 or 1, so the limits never lie inside the listeners'.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from panel.analysis.counts import shares
from panel.analysis.counts.exact import share

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class KindLimits:
    """Limits on the mean share right, each one-sided at the confidence asked for.

    `mean`: over listeners, a listener's own share first. `low`, `high`: for the kind.
    `low_played`, `high_played`: the listeners' limits, for the specimens that were played.
    `variance_listeners`, `variance_specimens`: the two parts, in share²; `freedom`: of their sum.
    """

    mean: float
    low: float
    high: float
    low_played: float
    high_played: float
    variance_listeners: float
    variance_specimens: float
    freedom: float

    def of_hearing(self, chance: float) -> tuple[float, float]:
        """`low` and `high` as shares of right answers beyond guessing, at `chance`."""
        return share(self.low, chance), share(self.high, chance)


def limits(
    y: Floats,
    listener: Ints,
    first: Ints,
    second: Ints,
    sides: Ints,
    confidence: float = 0.95,
    *,
    anytime: bool = False,
) -> KindLimits:
    """Limits from votes on pairs of specimens of two sides.

    `y` (votes,): right or not (or in halves); `listener` (votes,): codes from 0; `first`, `second`
    (votes,): codes of the specimens of each pair; `sides` (specimens,): the side of each. `anytime`
    is for the listeners' limits only: the kind's are for a planned end. With fewer than two
    specimens of a side heard, nothing is known of the kind: 0 and 1. Without votes likewise.
    """
    scores = shares.of_listeners(y, listener)
    if not scores.size:
        return KindLimits(math.nan, 0.0, 1.0, 0.0, 1.0, math.inf, math.inf, 0.0)
    mean = float(scores.mean())
    low = shares.mean_lower(scores, confidence, anytime=anytime)
    bound = shares.mean_upper_anytime if anytime else shares.mean_upper
    high = bound(scores, confidence)
    of_listeners = float(scores.var(ddof=1)) / scores.size if scores.size > 1 else math.inf
    of_specimens, least = _specimens(y, listener, first, second, sides)
    variance = of_listeners + of_specimens
    if not math.isfinite(variance):
        return KindLimits(mean, 0.0, 1.0, low, high, of_listeners, of_specimens, 0.0)
    freedom, reach = math.inf, 0.0
    if variance > 0:
        parts = of_listeners**2 / (scores.size - 1) + of_specimens**2 / (least - 1)
        freedom = variance**2 / parts
        reach = float(student.ppf(confidence, freedom)) * math.sqrt(variance)
    return KindLimits(
        mean,
        max(0.0, min(low, mean - reach)),
        min(1.0, max(high, mean + reach)),
        low,
        high,
        of_listeners,
        of_specimens,
        freedom,
    )


def _specimens(
    y: Floats, listener: Ints, first: Ints, second: Ints, sides: Ints
) -> tuple[float, int]:
    """Variance of the mean by leaving out one specimen at a time, each side on its own, and the
    smaller side's number; infinite where a side has fewer than two, or one is in every vote."""
    met = np.union1d(first, second)
    variance, least = 0.0, met.size
    for side in np.unique(sides[met]):
        own = met[sides[met] == side]
        least = min(least, own.size)
        if own.size < 2:
            return math.inf, own.size
        means = []
        for specimen in own:
            left = (first != specimen) & (second != specimen)
            if not left.any():
                return math.inf, least
            means.append(float(shares.of_listeners(y[left], listener[left]).mean()))
        variance += (own.size - 1) * float(np.var(means))
    return variance, least
