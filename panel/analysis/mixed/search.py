"""The outer search of a mixed model: fixed effects and deviations that minimise −2 log L.

Parameters are θ = (β, σ) with σ free of sign: the objective is even in σ, so a variance of zero
is an ordinary stationary point and no bound is needed. The search runs in coordinates in which the
approximate information at the start is the identity: tolerances then are in standard errors.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from panel.analysis.mixed.arrow import factorise, gram
from panel.analysis.mixed.cells import Cells
from panel.analysis.mixed.laplace import Mode, Value, by_column, dot, expected, gathered, score
from panel.analysis.mixed.links import Link

Floats = NDArray[np.float64]
Objective = Callable[[Floats, Floats, Mode | None], Value]

_GRADIENT = 2e-3  # in standard errors: what is left to gain is then some 4e-6 of deviance
_SETTLED = 1e-6  # deviance still to gain at which the search has converged
_UNIT = 1e3  # standard errors to one unit of the search
_STEP = 1e-2  # of a standard error, for differences of the gradient
_LEAST_INFORMATION = 2.0  # on η: where nothing is known, no first step goes far
_NO_SPREAD = 1e-6  # deviance by which a spread must beat zero
_NOISE = 1e-5  # deviance within which two values may be equal


@dataclass(frozen=True)
class Found:
    """Where the search ended."""

    beta: Floats
    deviations: Floats  # not negative; exactly 0 where no spread is better
    value: Value
    hessian: Floats  # of ½ deviance; in β and the search's own σ; 0 for deviations of 0
    to_gain: float  # deviance the quadratic approximation still promises
    evaluations: int
    at_limit: NDArray[np.bool_]  # (factors,)
    started: Floats


def fixed_only(cells: Cells, link: Link) -> Floats:
    """β of the model without random effects, by Fisher scoring with step halving."""
    # Without random effects only the distinct rows of X count.
    kinds = int(cells.kind.max()) + 1
    X, offset = np.empty((kinds, cells.X.shape[1])), np.empty(kinds)
    X[cells.kind], offset[cells.kind] = cells.X, cells.offset
    cells = replace(
        cells,
        y=np.bincount(cells.kind, cells.y).astype(np.float64),
        n=np.bincount(cells.kind, cells.n).astype(np.float64),
        X=X,
        offset=offset,
    )
    share = float(np.clip((cells.y.sum() + 0.5) / (cells.n.sum() + 1.0), 0.02, 0.98))
    if link.even:
        share = max(share, link.floor + 0.02 * (1.0 - link.floor))
    target = np.full(cells.y.size, link.predictor(share)) - cells.offset
    beta = np.asarray(np.linalg.lstsq(cells.X, target, rcond=None)[0], dtype=np.float64)

    def height(at: Floats) -> float:
        terms = link.terms(cells.X @ at + cells.offset)
        return dot(cells.y, terms.log_right) + dot(cells.n - cells.y, terms.log_wrong)

    best = height(beta)
    for _ in range(25):
        terms = link.terms(cells.X @ beta + cells.offset)
        pull = by_column(cells.X, score(cells, terms))
        information = gram(cells.X, expected(cells, terms)[:, None] * cells.X)
        ridge = 1e-9 * (1.0 + np.trace(information)) * np.eye(beta.size)
        step = np.linalg.solve(information + ridge, pull)
        if float(step @ pull) < 1e-4:
            break
        size = min(1.0, 2.0 / max(float(np.max(np.abs(cells.X @ step))), 1e-12))
        while size > 1e-4 and not height(beta + size * step) > best:
            size *= 0.5
        if size <= 1e-4 or np.max(np.abs(cells.X @ (beta + size * step))) > 12.0:
            break
        beta = beta + size * step
        best = height(beta)
    return beta


def _start(cells: Cells, link: Link) -> tuple[Floats, Floats, Floats]:
    """β, σ to start from, and the approximate information there (p + factors square)."""
    beta = fixed_only(cells, link)
    terms = link.terms(cells.X @ beta + cells.offset)
    slope, weights = score(cells, terms), expected(cells, terms)
    deviations = np.empty(len(cells.factors))
    for g, factor in enumerate(cells.factors):
        pull = np.bincount(factor.column, slope, cells.columns)[factor.places]
        known = np.bincount(factor.column, weights, cells.columns)[factor.places]
        # The scores of a level have variance w + σ² w²: a moment estimate of σ.
        moment = float(np.sum(pull**2 - known) / max(float(np.sum(known**2)), 1e-12))
        least = 0.3 / np.sqrt(max(float(known.mean()), 1e-6))
        deviations[g] = np.clip(np.sqrt(max(moment, 0.0)), min(least, 0.5), 2.0)
    p, size = beta.size, beta.size + deviations.size
    information = np.zeros((size, size))
    fixed = gram(cells.X, weights[:, None] * cells.X)
    arrow = factorise(cells, weights, deviations)
    if arrow is not None:
        crossed = np.array([gathered(cells, deviations, weights * x) for x in cells.X.T])
        solved = np.array([arrow.solve(column) for column in crossed])
        fixed = fixed - crossed @ solved.T
        # tr of (Z_gᵀ V⁻¹ Z_g)², by its diagonal: the information of σ_g in a linear model.
        diagonal = arrow.diagonal()
        for g, factor in enumerate(cells.factors):
            free = 1.0 - diagonal[factor.places]
            information[p + g, p + g] = 2.0 * float(np.sum(free**2)) / deviations[g] ** 2
    information[:p, :p] = 0.5 * (fixed + fixed.T)
    return beta, deviations, information


def _whitener(information: Floats, scale: Floats) -> Floats:
    """A with A Aᵀ ≈ information⁻¹, bounded where there is hardly any: `scale` moves η by one."""
    values, vectors = np.linalg.eigh(information * np.outer(scale, scale))
    spread = vectors / np.sqrt(np.maximum(values, _LEAST_INFORMATION))
    return np.asarray(scale[:, None] * spread, dtype=np.float64)


@dataclass
class _Evaluation:
    """The objective at θ, each mode found from the last; `count`: how often it was worked out.

    Under a limit the search moves in x, σ = limit · sin(x / limit): no step can pass the limit,
    and a deviation that presses against it ends at a stationary point like any other.
    """

    objective: Objective
    fixed: int
    limit: float
    last: Mode | None
    count: int = 0
    _latest: bytes = b""
    _newest: Value | None = None

    def deviations_of(self, x: Floats) -> Floats:
        return self.limit * np.sin(x / self.limit) if np.isfinite(self.limit) else x

    def limit_inverse(self, reached: Floats) -> Floats:
        return self.limit * np.arcsin(reached / self.limit) if np.isfinite(self.limit) else reached

    def begin(self, beta: Floats, deviations: Floats) -> Floats:
        """θ to start from: a deviation at the limit would have no way to go."""
        if np.isfinite(self.limit):
            deviations = self.limit_inverse(np.minimum(deviations, 0.95 * self.limit))
        return np.concatenate([beta, deviations])

    def value_at(self, at: Floats) -> Value:
        if self._newest is not None and at.tobytes() == self._latest:
            return self._newest
        self.count += 1
        p = self.fixed
        value = self.objective(at[:p], self.deviations_of(at[p:]), self.last)
        if np.isfinite(self.limit):
            gradient = value.gradient.copy()
            gradient[p:] *= np.cos(at[p:] / self.limit)
            value = replace(value, gradient=gradient)
        self._latest, self._newest = at.tobytes(), value
        if _is_finite(value):
            self.last = value.mode
        return value

    def point(self, theta: Floats) -> _Point:
        return _Point(theta, self.value_at(theta))


@dataclass(frozen=True)
class _Point:
    """A place of the search, and the objective there."""

    theta: Floats
    value: Value


@dataclass(frozen=True)
class _Bend:
    """The Hessian of ½ deviance in whitened coordinates, with the way `back` from these to θ's,
    and its eigenvalues and eigenvectors."""

    bend: Floats
    back: Floats
    values: Floats
    vectors: Floats

    @property
    def hessian(self) -> Floats:
        return self.back.T @ self.bend @ self.back

    @property
    def information(self) -> Floats:
        """The same, positive in every direction."""
        bend = (self.vectors * np.maximum(self.values, 1e-3)) @ self.vectors.T
        return self.back.T @ bend @ self.back


def _is_finite(value: Value) -> bool:
    return bool(np.isfinite(value.deviance) and np.all(np.isfinite(value.gradient)))


def search(
    cells: Cells,
    link: Link,
    objective: Objective,
    start: tuple[Floats, Floats] | None = None,
    held: int | None = None,
    last: Mode | None = None,
    precise: bool = True,
    limit: float = np.inf,
) -> Found:
    """Minimise `objective(beta, deviations, last mode)` with each deviation at most `limit`.

    `start` is (β, σ) to begin with; the fixed effect `held` stays at its start.
    Without `precise` the Hessian is left out (zeros): enough where only the deviance is wanted.
    """
    beta, deviations, information = _start(cells, link)
    if start is not None:
        beta, deviations = start
    p, factors = beta.size, deviations.size
    sizes = np.sqrt(np.array([dot(x, x) for x in cells.X.T]) / cells.y.size)
    scale = np.concatenate([1.0 / sizes, np.ones(factors)])
    evaluation = _Evaluation(objective, p, limit, last)
    started = evaluation.begin(beta, deviations)
    free = np.ones(p + factors, dtype=bool)
    if held is not None:
        free[held] = False
    full, hessian = np.zeros((p + factors, p + factors)), np.zeros((0, 0))
    to_gain = np.inf if np.any(free) else 0.0
    here = evaluation.point(started)
    for _ in range(3 + factors):
        if not np.any(free):
            to_gain = 0.0
            break
        A = _whitener(information[np.ix_(free, free)], scale[free])
        here = _descended(evaluation, here.theta, free, A)
        here, free = _without_needless(evaluation, here, free, started, always=link.even)
        if A.shape[1] != free.sum():
            A = _whitener(information[np.ix_(free, free)], scale[free])
        if not precise:
            to_gain = 0.25 * float(np.sum((A.T @ here.value.gradient[free]) ** 2))
            break
        bend = _bend(evaluation, here.theta, free, A)
        hessian = bend.hessian
        here, to_gain = _newton(evaluation, here, free, A, bend)
        if to_gain < _SETTLED:
            break
        information = np.zeros_like(full)
        information[np.ix_(free, free)] = bend.information
    if hessian.size:
        full[np.ix_(free, free)] = hessian
    return _found(evaluation, here, full, to_gain, started)


def _descended(evaluation: _Evaluation, base: Floats, free: NDArray[np.bool_], A: Floats) -> _Point:
    """Where a quasi-Newton search from `base` ends, in the coordinates of `A`."""

    def moved(x: Floats) -> Floats:
        at = base.copy()
        at[free] += _UNIT * (A @ x)
        return at

    def whitened(x: Floats) -> tuple[float, Floats]:
        here = evaluation.value_at(moved(x))
        if not _is_finite(here):
            return 1e100, np.zeros(x.size)
        return 0.5 * here.deviance, 0.5 * _UNIT * (A.T @ here.gradient[free])

    # The unit is large because the first step of this search is at most one unit long, and
    # the start's information deserves a full step.
    result = minimize(
        whitened,
        np.zeros(A.shape[1]),
        jac=True,
        method="BFGS",
        options={
            "gtol": _GRADIENT * _UNIT,
            "maxiter": 200,
            "hess_inv0": np.eye(A.shape[1]) / _UNIT**2,
        },
    )
    return evaluation.point(moved(result.x))


def _without_needless(
    evaluation: _Evaluation,
    here: _Point,
    free: NDArray[np.bool_],
    started: Floats,
    *,
    always: bool,
) -> tuple[_Point, NDArray[np.bool_]]:
    """A spread that does no better than none is none, and free no longer.

    Tried where a spread is small, or `always`.
    """
    free = free.copy()
    for place in range(evaluation.fixed, free.size):
        small = abs(here.theta[place]) < 0.5 * abs(started[place]) + 0.05
        if free[place] and (small or always):
            tried = here.theta.copy()
            tried[place] = 0.0
            without = evaluation.point(tried)
            if without.value.deviance <= here.value.deviance + _NO_SPREAD:
                here, free[place] = without, False
    return here, free


def _bend(evaluation: _Evaluation, theta: Floats, free: NDArray[np.bool_], A: Floats) -> _Bend:
    """The Hessian, by differences of the exact gradient."""
    columns = []
    for direction in A.T:
        step = np.zeros(theta.size)
        step[free] = _STEP * direction
        up, down = evaluation.value_at(theta + step), evaluation.value_at(theta - step)
        columns.append((up.gradient[free] - down.gradient[free]) / (4.0 * _STEP))
    bend = A.T @ np.array(columns).T if columns else np.zeros((0, 0))
    bend = 0.5 * (bend + bend.T)
    values, vectors = np.linalg.eigh(bend)
    back = np.asarray(np.linalg.inv(A), dtype=np.float64)
    return _Bend(bend, back, values, vectors)


def _newton(
    evaluation: _Evaluation, here: _Point, free: NDArray[np.bool_], A: Floats, bend: _Bend
) -> tuple[_Point, float]:
    """A last Newton step where it helps, and the deviance still to gain after it."""
    pull = 0.5 * (A.T @ here.value.gradient[free])
    values, vectors = bend.values, bend.vectors
    if not (values.size and values[0] > 1e-8):
        return here, float(pull @ pull)
    newton = -(vectors / values) @ (vectors.T @ pull)
    to_gain = float(-newton @ pull)
    if to_gain > 1e-12:
        tried = here.theta.copy()
        tried[free] += A @ newton
        better = evaluation.point(tried)
        new_pull = 0.5 * (A.T @ better.value.gradient[free])
        left = float(new_pull @ ((vectors / values) @ (vectors.T @ new_pull)))
        # So near the end the gradient tells the better point; the deviance is all noise.
        if left < to_gain and better.value.deviance <= here.value.deviance + _NOISE:
            return better, left
    return here, to_gain


def _found(
    evaluation: _Evaluation, here: _Point, full: Floats, to_gain: float, started: Floats
) -> Found:
    """The end of the search, deviations made positive."""
    p = evaluation.fixed
    reached = evaluation.deviations_of(here.theta[p:])
    signs = np.where(reached < 0.0, -1.0, 1.0)
    if np.any(signs < 0.0):
        flip = np.concatenate([np.ones(p), signs])
        reached, full = np.abs(reached), full * np.outer(flip, flip)
        evaluation.last = None
        here = evaluation.point(np.concatenate([here.theta[:p], evaluation.limit_inverse(reached)]))
    at_limit = reached > 0.99 * evaluation.limit
    return Found(
        here.theta[:p], reached, here.value, full, to_gain, evaluation.count, at_limit, started
    )
