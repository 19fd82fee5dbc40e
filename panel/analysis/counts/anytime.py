"""Tests that stay valid however often, and whenever, somebody looks.

The mixture martingale: the likelihood of the votes averaged over a uniform prior, divided by
their likelihood under guessing. Under guessing it is a non-negative martingale with mean 1, so it
ever reaches 1/alpha with probability at most alpha (Ville 1939; Robbins 1970, Ann. Math. Statist.
41, 1397–1409; Howard, Ramdas, McAuliffe & Sekhon 2021, Ann. Statist. 49, 1055–1080).
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import betainc, betaln, xlog1py, xlogy

Floats = NDArray[np.float64]


def _log_upper_mass(right: Floats, n: Floats, chance: float) -> Floats:
    """log P(Beta(1+x, 1+n−x) > chance), without underflow to −inf for hopeless counts."""
    mass = betainc(1 + n - right, 1 + right, 1 - chance)
    return np.log(np.maximum(mass, 1e-300))


def log_e_values(right: ArrayLike, n: ArrayLike, chance: float) -> Floats:
    """log of the one-sided value against p <= chance, prior uniform on (chance, 1); any shape."""
    x, m = np.asarray(right, float), np.asarray(n, float)
    out: Floats = (
        betaln(1 + x, 1 + m - x)
        + _log_upper_mass(x, m, chance)
        - math.log(1 - chance)
        - xlogy(x, chance)
        - xlog1py(m - x, -chance)
    )
    return out


def log_e_values_two_sided(right: ArrayLike, n: ArrayLike, chance: float = 0.5) -> Floats:
    """log of the two-sided value against p = chance, prior uniform on (0, 1); any shape."""
    x, m = np.asarray(right, float), np.asarray(n, float)
    out: Floats = betaln(1 + x, 1 + m - x) - xlogy(x, chance) - xlog1py(m - x, -chance)
    return out


def _exp(log_value: float) -> float:
    return math.exp(min(log_value, 700.0))


def e_value(right: int, n: int, chance: float) -> float:
    """Evidence against guessing after n votes, one-sided; 1/alpha or more rejects at alpha."""
    return _exp(float(log_e_values(right, n, chance)))


def e_two_sided(right: int, n: int, chance: float = 0.5) -> float:
    """Evidence against a fair coin after n votes, in either direction."""
    return _exp(float(log_e_values_two_sided(right, n, chance)))


def _p_from_path(log_path: Floats) -> float:
    highest = float(np.max(log_path, initial=0.0))
    return math.exp(-highest)


def p_anytime(outcomes: ArrayLike, chance: float) -> float:
    """Anytime p value, one-sided: the least of 1/E over all votes so far, in order of arrival."""
    x = np.cumsum(np.asarray(outcomes, float))
    return _p_from_path(log_e_values(x, np.arange(1, x.size + 1), chance))


def p_anytime_two_sided(outcomes: ArrayLike, chance: float = 0.5) -> float:
    """Anytime p value, two-sided, over all votes so far in order of arrival."""
    x = np.cumsum(np.asarray(outcomes, float))
    return _p_from_path(log_e_values_two_sided(x, np.arange(1, x.size + 1), chance))


def p_anytime_of_several(outcomes: ArrayLike, streams: ArrayLike) -> tuple[float, float]:
    """E value and anytime p against fair coins in several streams of votes at once.

    `outcomes` (n,) of 0/1 and `streams` (n,) of small integer codes, in order of arrival. The
    average of the streams' martingales is a martingale again.
    """
    y, s = np.asarray(outcomes, float), np.asarray(streams)
    codes = np.unique(s)
    if codes.size == 0:
        return 1.0, 1.0
    paths = np.stack(
        [log_e_values_two_sided(np.cumsum(y * (s == c)), np.cumsum(s == c)) for c in codes]
    )
    path = np.logaddexp.reduce(paths, axis=0) - math.log(codes.size)
    return _exp(float(path[-1])), _p_from_path(path)


def confidence_sequence(right: int, n: int, alpha: float = 0.05) -> tuple[float, float]:
    """{p : two-sided E against p < 1/alpha}: covers at every n at once with 1 − alpha."""
    if n == 0:
        return 0.0, 1.0
    bar = -math.log(alpha)

    def over(p: float) -> float:
        return float(log_e_values_two_sided(right, n, p)) - bar

    share, edge = right / n, 1e-12
    low = 0.0 if right == 0 or over(edge) < 0 else float(brentq(over, edge, share))
    high = 1.0 if right == n or over(1 - edge) < 0 else float(brentq(over, share, 1 - edge))
    return low, high
