"""How much more there is with every step of a dose: slope, curve and band, the take being the unit.

Directed: the takes' log worths on the dose's declared scale, by least squares. A take x further up
the scale is then chosen over one at the lowest dose with probability 1/(1 + exp(−βx)). The variance
of β has a part of takes (their scatter about the line) and a part of listeners (each one's votes
count as one, Liang & Zeger 1986); both hold the noise of votes, so the band is a little too wide.

Undirected: the two takes of a pair lie βx + √2·τz apart (d′), x their distance in dose, τ the
spread of takes, z standard normal: the share right is the curve's mean over z, and β and τ, neither
below zero, are those of greatest likelihood. The interval of β leaves out each take in turn
(jackknife; Efron & Stein 1981, Ann. Statist. 9, 586–596), with t on takes − 1 degrees of freedom,
from 0 up, and holds all that the likelihood does not rule out: the jackknife fails at 0, where
every take left out gives 0 again. It speaks of the panel that answered. The curve is that of the
change alone, without the takes' spread.

As the curve hangs on β only, the band made of β's interval covers the whole curve at once.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import ArrayLike, NDArray
from scipy.stats import chi2
from scipy.stats import t as student

from panel.analysis.attribution import variance_parts
from panel.analysis.attribution.permutation import PairTable
from panel.analysis.preference import worths
from panel.analysis.refusals import Refused, as_refused
from panel.errors import BadInput
from panel.procedures.curves import CURVES, Curve

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
LEAST_TAKES = 4
_NODES, _WEIGHTS = hermegauss(21)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
_STEEPEST = 10.0  # d′ over the whole range of doses
_NEAR_ZERO = 1e-6  # of a square
_MOST_STEPS = 200


@dataclass(frozen=True)
class DoseCurve:
    """`slope`: log odds (directed) or d′ (undirected) per unit of the declared scale.

    `interval`: of the slope. `curve`: the psychometric curve's name, or "logistic".
    """

    slope: float
    interval: tuple[float, float]
    curve: str

    def share(self, steps: ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Share right, or choosing the higher dose, of takes `steps` apart: mid, low, high."""
        x = np.asarray(steps, float)
        low, high = self.interval

        def at(slope: float) -> Floats:
            if self.curve == "logistic":
                out: Floats = 1 / (1 + np.exp(-slope * x))
                return out
            return CURVES[self.curve].probability(np.abs(slope * x))

        return at(self.slope), at(low), at(high)


def _enough(labels: Ints, doses: Sequence[float]) -> Floats:
    dose: Floats = np.asarray(doses, float)[labels]
    if labels.size < LEAST_TAKES or np.unique(dose).size < 2:
        raise Refused("too_few_takes", takes=LEAST_TAKES)
    return dose


def directed(
    one: Ints,
    other: Ints,
    outcome: Ints,
    listener: Ints,
    labels: Ints,
    doses: Sequence[float],
    *,
    confidence: float = 0.95,
) -> DoseCurve:
    """Slope of log worth on dose. `one`, `other` (votes,): takes in the first and second position;
    `outcome` (votes,): 0 first, 1 second, 2 neither; `labels` (takes,); `doses` (conditions,).

    Raises Refused for too few takes or listeners, where worths are infinite, and where neither
    takes nor listeners vary.
    """
    dose = _enough(labels, doses)
    people = int(np.unique(listener).size)
    if people < 2:
        raise Refused("one_listener")
    try:
        fitted = worths.fit(one, other, outcome, labels.size, order_effect=True, cluster=listener)
    except BadInput as refused:
        raise as_refused(refused) from None
    assert fitted.influence is not None
    away = dose - dose.mean()
    weights = away / np.sum(away**2)
    slope = float(weights @ fitted.log_worth)
    left = fitted.log_worth - fitted.log_worth.mean() - slope * away
    by_takes = float(np.sum(left**2)) / (dose.size - 2) * float(np.sum(weights**2))
    by_listeners = float(np.sum((fitted.influence @ weights) ** 2)) * people / (people - 1)
    band = variance_parts.interval(
        slope, ((by_takes, dose.size - 2), (by_listeners, people - 1)), confidence
    )
    if band is None:
        raise Refused("all_alike")
    return DoseCurve(slope, band, "logistic")


@dataclass(frozen=True)
class _Distances:
    """Votes by the distance in dose of their pair: `n`, `right` at each `x` (distances,)."""

    x: Floats
    n: Floats
    right: Floats
    curve: Curve

    def place(self, at: Floats) -> Floats:
        """d′ of a pair at each distance and node, (distances, nodes). `at`: β², τ²."""
        out: Floats = math.sqrt(at[0]) * self.x[:, None] + math.sqrt(2 * at[1]) * _NODES
        return out

    def log_likelihood(self, at: Floats) -> float:
        p = np.clip(self.curve.probability(np.abs(self.place(at))) @ _WEIGHTS, 1e-9, 1 - 1e-9)
        return float(self.right @ np.log(p) + (self.n - self.right) @ np.log1p(-p))

    def scoring(self, at: Floats) -> tuple[Floats, Floats]:
        """Gradient (2,) and expected information (2, 2) in β² and τ².

        Squares, because the curve is even: in β itself the gradient at 0 vanishes.
        """
        place = self.place(at)
        here = self.curve.derivatives(np.abs(place))
        p = np.clip(here.right @ _WEIGHTS, 1e-9, 1 - 1e-9)
        slope = here.first * np.sign(place)
        moved = []
        for square, along in ((at[0], self.x[:, None]), (at[1], math.sqrt(2) * _NODES[None, :])):
            if square > _NEAR_ZERO:
                moved.append((slope * along) @ _WEIGHTS / (2 * math.sqrt(square)))
            else:  # the limit
                moved.append((here.second * along**2) @ _WEIGHTS / 2)
        by = np.stack(moved, axis=1)
        spread = p * (1 - p)
        return by.T @ ((self.right - self.n * p) / spread), (by * (self.n / spread)[:, None]).T @ by


def _fold(distance: Floats, n: Floats, right: Floats, curve: str) -> _Distances:
    x, where = np.unique(np.round(distance, 12), return_inverse=True)
    return _Distances(
        x,
        np.asarray(np.bincount(where, weights=n, minlength=x.size), np.float64),
        np.asarray(np.bincount(where, weights=right, minlength=x.size), np.float64),
        CURVES[curve],
    )


def _climb(votes: _Distances, start: Sequence[float], free: Sequence[bool]) -> tuple[Floats, float]:
    """β² and τ² of greatest likelihood from a start, and its logarithm: Fisher's scoring.

    `free`: which of the two may move; neither leaves 0 to _STEEPEST².
    """
    at = np.array(start, float)
    top = votes.log_likelihood(at)
    for _ in range(_MOST_STEPS):
        gradient, information = votes.scoring(at)
        stuck = ((at <= 0) & (gradient <= 0)) | ((at >= _STEEPEST**2) & (gradient >= 0))
        use = np.flatnonzero(np.array(free) & ~stuck)
        if use.size == 0:
            break
        step = np.zeros(2)
        own = information[np.ix_(use, use)] + 1e-9 * np.eye(use.size)
        step[use] = np.linalg.solve(own, gradient[use])
        size, before, was = 1.0, at, top
        while size > 1e-6:
            there = np.clip(before + size * step, 0.0, _STEEPEST**2)
            height = votes.log_likelihood(there)
            if height > top:
                at, top = there, height
                break
            size /= 2
        if top - was < 1e-11:
            break
    return at, top


def _most_likely(votes: _Distances, starts: Sequence[Sequence[float]]) -> tuple[Floats, float]:
    return max((_climb(votes, start, (True, True)) for start in starts), key=lambda found: found[1])


def _profile(votes: _Distances, beta: float, starts: Sequence[float]) -> float:
    """Greatest log-likelihood with β held."""
    return max(_climb(votes, (beta**2, tau2), (False, True))[1] for tau2 in starts)


def _likely_range(
    votes: _Distances, best: Floats, top: float, confidence: float
) -> tuple[float, float]:
    """β that the likelihood does not rule out (Venzon & Moolgavkar 1988, Appl. Statist. 37)."""
    bar = top - float(chi2.ppf(confidence, 1)) / 2
    starts = (float(best[1]), 0.01)

    def edge(inside: float, outside: float) -> float:
        if _profile(votes, outside, starts) >= bar:
            return outside
        for _ in range(40):
            middle = (inside + outside) / 2
            if _profile(votes, middle, starts) >= bar:
                inside = middle
            else:
                outside = middle
        return (inside + outside) / 2

    beta = math.sqrt(best[0])
    return edge(beta, 0.0) if beta > 0 else 0.0, edge(beta, _STEEPEST)


def undirected(
    table: PairTable,
    labels: Ints,
    doses: Sequence[float],
    curve: str,
    *,
    confidence: float = 0.95,
) -> DoseCurve:
    """d′ per unit of dose from pairs told apart. `curve`: a key of thurstone.CURVES, even.

    Raises Refused for too few takes, or where the votes set no limit.
    """
    dose = _enough(labels, doses)
    range_ = float(np.ptp(dose))
    distance = np.abs(dose[table.first] - dose[table.second]) / range_
    votes = _fold(distance, table.n, table.right, curve)
    whole, top = _most_likely(votes, ((0.04, 0.25), (4.0, 0.04)))
    slope = math.sqrt(whole[0])
    if slope > 0.99 * _STEEPEST:
        raise Refused("no_limit")
    slopes = []
    for take in range(labels.size):
        keep = (table.first != take) & (table.second != take)
        if np.ptp(np.delete(dose, take)) == 0 or table.n[keep].sum() == 0:
            continue
        left = _fold(distance[keep], table.n[keep], table.right[keep], curve)
        slopes.append(math.sqrt(_most_likely(left, ((0.04, 0.25), (4.0, 0.04)))[0][0]))
    count = len(slopes)
    if count < 2:
        raise Refused("single_takes")
    variance = (count - 1) / count * float(np.sum((np.array(slopes) - np.mean(slopes)) ** 2))
    reach = float(student.ppf(0.5 + confidence / 2, count - 1)) * math.sqrt(variance)
    low, high = _likely_range(votes, whole, top, confidence)
    low, high = max(0.0, min(low, slope - reach)), max(high, slope + reach)
    return DoseCurve(slope / range_, (low / range_, high / range_), curve)
