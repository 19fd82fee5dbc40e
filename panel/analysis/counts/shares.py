"""How large a share of listeners can hear it, bounded so that repeats do not count as people.

A listener's share right has mean g + (1 − g)·p_d over the people the panel stands for, whatever
the listeners' sensitivities are. So a bound on the mean of bounded independent scores, one a
listener, is a bound on p_d. Two such bounds:

`mean_upper`, for a planned end: the quantile of Σ W_l·X_(l) + W_(L+1)·1, W uniform on the simplex
(Gaffke 2005, Math. Methods Statist. 14, 451–467; studied by Learned-Miller & Thomas 2020, arXiv
1905.06208). With one vote a listener it *is* the Clopper–Pearson limit of the standards; with
equal scores c it is c + (1 − c)(1 − alpha^(1/L)), the exact limit when nobody of L stands out. Its
cover for every law on [0, 1] is supported by all simulations, ours included, but no general proof
is known to us.

`mean_upper_anytime`, proven, and valid at every look as listeners finish: the claim "the mean is
m" is bet against, K_c(m) = Π_l (1 + c·(m − X_l)/(1 − m)), and the capital averaged over fixed bets
c in (0, 1] reaches 1/alpha with probability at most alpha if the claim is true (Waudby-Smith &
Ramdas 2024, J. R. Stat. Soc. B 86, 1–27). Wider by half.

Not taken: a beta-binomial profile, which needs that family to be true and covers only in large
panels.
"""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import logsumexp, ndtri

from panel.analysis.counts.exact import share

Floats = NDArray[np.float64]

# Bets, as a fraction of the largest that cannot ruin before the worst score.
BETS = np.linspace(0.05, 1.0, 20)
# Where the integrand is looked at first, to leave out what is nothing.
_ENDS, _NOTHING = np.array([24, 36, 48, 72, 144]), -42.0
_REACH, _FAR = 8, 40.0  # standard errors; a normal deviate beyond all
_STEPS = 36  # bisection: to 2^-36 of the range
# Nodes of the inversion integral: sinh τ, and the weights cosh τ dτ, half a step at τ = 0.
_TAU, _STEP = np.linspace(0.0, 18.0, 145, retstep=True)
_SINH, _COSH = np.sinh(_TAU), np.cosh(_TAU) * _STEP * np.where(_TAU > 0, 1.0, 0.5)


def _log_average(values: Floats, counts: Floats, mean: float) -> float:
    """log of the capital averaged over bets, `counts` listeners at each of the score `values`."""
    steps = 1 + BETS[:, None] * (mean - values[None, :]) / (1 - mean)
    with np.errstate(divide="ignore"):
        logs = np.log(np.maximum(steps, 0.0)) @ counts
    return float(logsumexp(logs) - math.log(BETS.size))


def log_capital(scores: ArrayLike, mean: float) -> float:
    """log of the average capital against "the mean is at least `mean`", scores (listeners,)."""
    values, times = np.unique(np.asarray(scores, float), return_counts=True)
    return _log_average(values, times.astype(float), mean)


def _tilt(away: Floats, counts: Floats) -> float:
    """The c in (0, 1 / max away) at which exp(K(c)) / c is least, K(c) = −Σ n log(1 − c·away).

    `away` has a value above 0, and a mean of 0 or less. Newton's method, kept inside the bracket by
    halving: the derivative, K′(c) − 1/c, rises from −∞ to ∞.
    """
    low, high = 0.0, 1 / float(away.max())
    c = min(high / 2, 1 / math.sqrt(float(counts @ away**2)))
    for _ in range(60):
        part = away / (1 - c * away)
        slope = float(counts @ part) - 1 / c
        if slope > 0:
            high = c
        else:
            low = c
        following = c - slope / (float(counts @ part**2) + 1 / c**2)
        if not low < following < high:
            following = (low + high) / 2
        near = abs(following - c) <= 0.05 * c  # enough: any c gives the same integral
        c = following
        if near:
            break
    return c


def _sum_above_zero(away: Floats, counts: Floats) -> float:
    """P(Σ E_j a_j > 0) for standard exponentials E_j, `counts` copies of each a, Σ a_j ≤ 0.

    The inversion integral of the moment generating function, exp(K(s)) / s over the line Re s = c
    (Daniels 1987, Int. Statist. Rev. 55, 37–48). Through the saddle it does not oscillate, however
    many listeners there are and however small the probability. With y = w·sinh τ, w the width of
    the saddle, the integrand is analytic in a strip about the τ axis, and the trapezoid rule
    converges faster than any power of its step.
    """
    c = _tilt(away, counts)
    tilted = away / (1 - c * away)
    width = 1 / math.sqrt(float(counts @ tilted**2) + 1 / c**2)
    height = -float(np.log1p(-c * away) @ counts)

    def size(y: Floats) -> Floats:
        """log |exp(K(c + iy))|; it falls with y."""
        out: Floats = height - 0.5 * (np.log1p((y[:, None] * tilted) ** 2) @ counts)
        return out

    far = size(width * _SINH[_ENDS]) - height < _NOTHING
    nodes = int(_ENDS[np.argmax(far)]) if far.any() else _TAU.size
    y = width * _SINH[:nodes]
    angle = np.arctan(y[:, None] * tilted) @ counts
    # 1 / (c + iy) = (c − iy) / (c² + y²)
    turned = c * np.cos(angle) + y * np.sin(angle)
    terms = np.exp(size(y)) * turned / (c * c + y * y)
    return float(terms @ _COSH[:nodes]) * width / math.pi


def _weighted_sum_above(values: Floats, counts: Floats, u: float) -> float:
    """P(Σ W_j v_j > u) for W uniform on the simplex, `counts` copies of each value.

    Σ W_j v_j > u iff Σ E_j (v_j − u) > 0 for standard exponentials E_j.
    """
    away = values - u
    if away.max() <= 0:
        return 0.0
    if away.min() >= 0:
        return 1.0
    away = away / np.max(np.abs(away))
    if away @ counts <= 0:
        return _sum_above_zero(away, counts)
    return 1 - _sum_above_zero(-away, counts)


def _counted(scores: ArrayLike) -> tuple[Floats, Floats]:
    """Distinct scores and the 1 that is added, with how often each occurs."""
    values, times = np.unique(np.append(np.asarray(scores, float), 1.0), return_counts=True)
    return values, times.astype(float)


def p_at_least(scores: ArrayLike, mean: float) -> float:
    """p value of the claim that the mean is at least `mean`; the bound inverts it."""
    return 1.0 if mean <= np.min(scores) else _weighted_sum_above(*_counted(scores), mean)


def mean_upper(scores: ArrayLike, confidence: float = 0.95) -> float:
    """Upper limit on the mean of independent scores in [0, 1] at a planned end; (listeners,)."""
    x = np.asarray(scores, float)
    if x.size == 0 or x.min() >= 1:
        return 1.0
    values, counts = _counted(x)
    return _upper_of(tuple(values.tolist()), tuple(counts.tolist()), confidence)


@lru_cache(maxsize=4096)  # checks score alike in study after study, and with a listener left out
def _upper_of(values: tuple[float, ...], counts: tuple[float, ...], confidence: float) -> float:
    v, c = np.array(values), np.array(counts)

    bar = float(ndtri(1 - confidence))

    def excess(u: float) -> float:  # as normal deviates, nearly a straight line
        return min(max(float(ndtri(_weighted_sum_above(v, c, u))), -_FAR), _FAR) - bar

    # The weighted sum's own mean and spread: nearly always the limit lies within 8 of the latter.
    total = float(c.sum())
    mean = float(c @ v) / total
    spread = math.sqrt(float(c @ (v - mean) ** 2) / (total * (total + 1)))
    low, high = max(v[0], mean - _REACH * spread), min(1.0, mean + _REACH * spread)
    low = low if excess(low) >= 0 else v[0]
    high = high if excess(high) <= 0 else 1.0
    return float(brentq(excess, low, high, xtol=1e-11))


def mean_upper_anytime(scores: ArrayLike, confidence: float = 0.95) -> float:
    """Upper limit on the mean of independent scores in [0, 1], valid at every look."""
    x = np.asarray(scores, float)
    if x.size == 0:
        return 1.0
    bar = -math.log(1 - confidence)
    low, high = float(x.mean()), 1.0 - 1e-12
    if low >= high or log_capital(x, high) < bar:
        return 1.0
    for _ in range(_STEPS):  # the capital grows with the mean claimed
        middle = (low + high) / 2
        if log_capital(x, middle) >= bar:
            high = middle
        else:
            low = middle
    return high


def mean_under(
    scores: ArrayLike, claim: float, confidence: float = 0.95, *, anytime: bool = False
) -> bool:
    """Is the upper limit on the mean under `claim` (0 < claim < 1)? What the bound inverts."""
    x = np.asarray(scores, float)
    if x.size == 0:
        return False
    if anytime:
        return log_capital(x, claim) > -math.log(1 - confidence)
    return p_at_least(x, claim) < 1 - confidence


def of_listeners(y: ArrayLike, listener: ArrayLike) -> Floats:
    """Each listener's own share, in the order of their codes; those without votes are left out.

    `y` (votes,): right or not, or in halves; `listener` (votes,): codes from 0. What every estimate
    and limit here starts from: a listener's own share first, then the mean over listeners, so that
    whoever votes more does not count for more.
    """
    who = np.asarray(listener, np.int64)
    n = np.bincount(who)
    right = np.bincount(who, weights=np.asarray(y, float))
    out: Floats = right[n > 0] / n[n > 0]
    return out


def weights_of_votes(listener: ArrayLike) -> Floats:
    """What each vote counts for in the mean over listeners of their own shares, (votes,); they sum
    to 1. `listener` (votes,): codes from 0."""
    who = np.asarray(listener, np.int64)
    n = np.bincount(who)
    out: Floats = 1 / (n[who] * np.count_nonzero(n)) if who.size else np.zeros(0)
    return out


def share_estimate(scores: ArrayLike, chance: float) -> float | None:
    """Mean share who hear, of the same scores and weights as its limits; None without a score."""
    x = np.asarray(scores, float)
    return share(float(x.mean()), chance) if x.size else None


def mean_lower(scores: ArrayLike, confidence: float = 0.95, *, anytime: bool = False) -> float:
    """Lower limit on the mean of independent scores in [0, 1]; shape (listeners,)."""
    bound = mean_upper_anytime if anytime else mean_upper
    return 1 - bound(1 - np.asarray(scores, float), confidence)


def mean_interval(
    scores: ArrayLike, confidence: float = 0.95, *, anytime: bool = False
) -> tuple[float, float]:
    """Two-sided interval for the mean, half the error on each side."""
    one_side = 1 - (1 - confidence) / 2
    bound = mean_upper_anytime if anytime else mean_upper
    return mean_lower(scores, one_side, anytime=anytime), bound(scores, one_side)


def share_upper(
    scores: ArrayLike, chance: float, confidence: float = 0.95, *, anytime: bool = False
) -> float:
    """Upper limit on the mean share who hear, from each listener's share right."""
    bound = mean_upper_anytime if anytime else mean_upper
    return share(bound(scores, confidence), chance)


def share_lower(
    scores: ArrayLike, chance: float, confidence: float = 0.95, *, anytime: bool = False
) -> float:
    """Lower limit on the mean share who hear, from each listener's share right."""
    return share(mean_lower(scores, confidence, anytime=anytime), chance)


def listeners_for_limit(
    scores: ArrayLike,
    chance: float,
    limit: float,
    confidence: float = 0.95,
    most: int = 1000,
    *,
    anytime: bool = False,
) -> int | None:
    """Listeners at which the bound would fall under `limit` if further ones scored alike.

    None when even `most` listeners would not do.
    """
    x = np.asarray(scores, float)
    if x.size == 0 or share(float(x.mean()), chance) >= limit:
        return None
    claim = chance + (1 - chance) * limit
    values, times = np.unique(x, return_counts=True)

    def under(count: int) -> bool:
        counts: Floats = np.asarray(times * (count / x.size), dtype=np.float64)
        if anytime:
            return _log_average(values, counts, claim) >= -math.log(1 - confidence)
        with_one = np.append(values, 1.0), np.append(counts, 1.0)
        return _weighted_sum_above(*with_one, claim) <= 1 - confidence

    low, high = 1, most
    if not under(high):
        return None
    while low < high:
        middle = (low + high) // 2
        if under(middle):
            high = middle
        else:
            low = middle + 1
    return low
