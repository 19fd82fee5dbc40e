"""Intervals and tests for fixed effects by the likelihood itself, not by its curvature.

Near nothing-heard an even curve is flat, the likelihood far from a parabola and a standard error
without meaning; there the profile likelihood still tells which sensitivities the votes rule out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, chdtri

from panel.analysis.mixed.cells import Cells
from panel.analysis.mixed.laplace import Information
from panel.analysis.mixed.links import Sensitivity
from panel.analysis.mixed.method import Method, prepare
from panel.analysis.mixed.search import Found, search
from panel.errors import BadInput

Floats = NDArray[np.float64]

_LOWEST_EVEN = -6.0  # η at which d′ of an even curve is 0 for all purposes
_FARTHEST = 40.0
_CLOSE = 1e-3  # of deviance, at the ends of an interval
_NARROW = 1e-4  # of the effect, where the deviance itself has a small step
_LEFT = 1e-2  # of deviance, that may be left to gain at a point of the profile


@dataclass(frozen=True)
class Interval:
    """A profile-likelihood interval of one fixed effect, on η and on d′.

    `low` is −inf (and `dprime_low` 0) where an even curve's votes do not rule out that nothing is
    heard; an end is ±inf, too, where the likelihood stays high as far as was looked. The d′ are
    those of a listener and excerpt at the centre of the model's normal spread (not of the typical
    listener where only some hear: see mixed_links), and hold for an effect that is a row's whole η
    (an intercept, or a contrast's own column); for a difference between contrasts use η. For logit
    and probit they repeat η.
    """

    estimate: float
    low: float
    high: float
    dprime: float
    dprime_low: float
    dprime_high: float
    level: float
    deviance: float
    converged: bool
    message: str
    evaluations: int


@dataclass(frozen=True)
class LikelihoodRatio:
    """Twice the log-likelihood ratio, its degrees of freedom, and p by χ² with them."""

    statistic: float
    freedom: int
    p: float
    converged: bool
    message: str


def _start_again(deviations: Floats) -> Floats:
    # From exactly 0 the search could not leave: the deviance is even in σ.
    return np.maximum(deviations, 0.1)


def _best(cells: Cells, method: Method, start: tuple[Floats, Floats] | None = None) -> Found:
    return search(cells, method.link, method.value, start=start, limit=method.limit)


class _Profile:
    """Deviance and slope along one fixed effect, the rest at their best."""

    def __init__(self, cells: Cells, method: Method, index: int, best: Found) -> None:
        self.cells, self.method, self.index = cells, method, index
        self.latest = best
        self.evaluations = 0
        self.settled = True

    def at(self, effect: float) -> Found:
        beta = self.latest.beta.copy()
        # Where the held effect moves, the others follow as the curvature tells.
        bend = self.latest.hessian[: beta.size, : beta.size]
        others = np.arange(beta.size) != self.index
        shift = effect - beta[self.index]
        if np.any(others):
            cross = bend[np.ix_(others, [self.index])][:, 0]
            follow = np.linalg.lstsq(bend[np.ix_(others, others)], -cross * shift, rcond=None)[0]
            if np.all(np.abs(follow) < 5.0):
                beta[others] += follow
        beta[self.index] = effect
        found = search(
            self.cells,
            self.method.link,
            self.method.value,
            start=(beta, _start_again(self.latest.deviations)),
            held=self.index,
            precise=False,
            limit=self.method.limit,
        )
        self.evaluations += found.evaluations
        self.settled = self.settled and found.to_gain < _LEFT
        return found

    def end(self, side: float, best: Found, rise: float, error: float) -> float:
        """Where the deviance has risen by `rise`, towards `side`; ±inf if it does not."""
        centre = float(best.beta[self.index])
        goal = np.sqrt(rise)
        farthest = side * _FARTHEST
        if side < 0 and self.method.link.even:
            farthest = min(_LOWEST_EVEN, centre - 1.0)
        step = goal * error if np.isfinite(error) and 0.0 < error < 3.0 else 1.0
        inside, outside = centre, farthest
        point, seen_outside = centre + side * step, False
        for _ in range(40):
            if (point - farthest) * side >= 0.0:
                point = farthest
            found = self.at(point)
            gain = found.value.deviance - best.value.deviance
            if abs(gain - rise) < _CLOSE:
                return point
            if gain < rise:
                inside = point
                if point == farthest:
                    return side * np.inf
            else:
                outside, seen_outside = point, True
            root = np.sqrt(max(gain, 1e-12))
            slope = float(found.value.gradient[self.index]) / (2.0 * root)
            follow = point + (goal - root) / slope if slope * side > 1e-6 else np.nan
            if seen_outside:
                low, high = min(inside, outside), max(inside, outside)
                if high - low < _NARROW * (1.0 + abs(point)):
                    return outside  # near a floor a listener's mode may jump, and the deviance
                if not low < follow < high:
                    follow = 0.5 * (low + high)
            elif not (follow - point) * side > 0.0 or abs(follow - point) > 4.0 * abs(
                point - centre
            ):
                follow = point + 2.0 * (point - centre)
            point = follow
        self.settled = False
        return point


def profile_interval(
    y: ArrayLike,
    X: ArrayLike,
    groups: Mapping[str, ArrayLike],
    index: int = 0,
    level: float = 0.95,
    *,
    link: str = "probit",
    n: ArrayLike | None = None,
    information: Information | None = None,
    nodes: int | None = None,
    sensitivity: Sensitivity = "floor",
    offset: ArrayLike | None = None,
) -> Interval:
    """The effects of column `index` whose deviance is within χ²₁(`level`) of the least.

    Arguments else as in `mixed.fit`, and BadInput as there.
    """
    if not 0.0 < level < 1.0:
        raise BadInput("The level of an interval lies between 0 and 1, for example 0.95.")
    cells, method = prepare(
        y,
        X,
        groups,
        link=link,
        n=n,
        information=information,
        nodes=nodes,
        sensitivity=sensitivity,
        offset=offset,
    )
    if not 0 <= index < cells.X.shape[1]:
        raise BadInput(f"X has {cells.X.shape[1]} columns, counted from 0: there is no {index}.")
    with np.errstate(all="ignore"):
        best = _best(cells, method)
        bend = best.hessian
        free = np.diagonal(bend) > 1e-8
        error = np.nan
        if free[index]:
            place = int(np.sum(free[:index]))
            error = float(np.sqrt(np.linalg.pinv(bend[np.ix_(free, free)])[place, place]))
        profile = _Profile(cells, method, index, best)
        rise = float(chdtri(1, 1.0 - level))
        low = profile.end(-1.0, best, rise, error)
        high = profile.end(1.0, best, rise, error)
    settled = best.to_gain < 1e-4 and profile.settled
    estimate = float(best.beta[index])
    dprime = method.link.sensitivity(np.array([estimate, low, high]))
    notes = []
    if not settled:
        notes.append("The search along the profile did not settle: do not use this interval.")
    if method.link.even and not np.isfinite(low):
        notes.append("That nothing is heard is not ruled out: the interval starts at 0.")
    elif not np.isfinite(low) or not np.isfinite(high):
        notes.append("The votes set no limit on one side.")
    return Interval(
        estimate=estimate,
        low=float(low),
        high=float(high),
        dprime=float(dprime[0]),
        dprime_low=float(dprime[1]),
        dprime_high=float(dprime[2]),
        level=level,
        deviance=best.value.deviance - 2.0 * cells.constant,
        converged=settled,
        message=" ".join(notes) or "The search converged.",
        evaluations=best.evaluations + profile.evaluations,
    )


def against_chance(
    y: ArrayLike,
    X: ArrayLike,
    groups: Mapping[str, ArrayLike],
    *,
    link: str,
    n: ArrayLike | None = None,
    information: Information | None = None,
    nodes: int | None = None,
    sensitivity: Sensitivity = "floor",
) -> LikelihoodRatio:
    """The fitted model against "every answer is a guess": all effects and spreads nil.

    For the psychometric curves and for an even chance under logit and probit. The hypothesis lies
    on the edge of the model (spreads are not negative, nor is d′ of an even curve), so χ² with one
    degree for each effect and spread gives a p that is too large rather than too small (Self &
    Liang 1987, JASA 82). It is a measure of size: the claim rests on the exact test.
    """
    cells, method = prepare(
        y,
        X,
        groups,
        link=link,
        n=n,
        information=information,
        nodes=nodes,
        sensitivity=sensitivity,
        offset=None,
    )
    with np.errstate(all="ignore"):
        best = _best(cells, method)
        guess = method.link.floor if method.link.even else float(method.link.probability(0.0))
        chance = -2.0 * float(
            cells.y.sum() * np.log(guess) + (cells.n - cells.y).sum() * np.log1p(-guess)
        )
    freedom = best.beta.size + best.deviations.size
    statistic = max(chance - best.value.deviance, 0.0)
    settled = best.to_gain < 1e-4
    return LikelihoodRatio(
        statistic=statistic,
        freedom=freedom,
        p=float(chdtrc(freedom, statistic)),
        converged=settled,
        message="The search converged." if settled else "The search did not settle.",
    )
