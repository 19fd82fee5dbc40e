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
    theta = np.concatenate([beta, deviations])
    started = theta.copy()
    sizes = np.sqrt(np.array([dot(x, x) for x in cells.X.T]) / cells.y.size)
    scale = np.concatenate([1.0 / sizes, np.ones(factors)])
    count, latest = 0, b""
    newest: Value | None = None

    # Under a limit the search moves in x, σ = limit · sin(x / limit): no step can pass the limit,
    # and a deviation that presses against it ends at a stationary point like any other.
    def deviations_of(x: Floats) -> Floats:
        return limit * np.sin(x / limit) if np.isfinite(limit) else x

    def limit_inverse(reached: Floats) -> Floats:
        return limit * np.arcsin(reached / limit) if np.isfinite(limit) else reached

    if np.isfinite(limit):
        theta[p:] = limit_inverse(np.minimum(deviations, 0.95 * limit))
        started = theta.copy()

    def value_at(at: Floats) -> Value:
        nonlocal count, latest, newest, last
        if newest is not None and at.tobytes() == latest:
            return newest
        count += 1
        value = objective(at[:p], deviations_of(at[p:]), last)
        if np.isfinite(limit):
            gradient = value.gradient.copy()
            gradient[p:] *= np.cos(at[p:] / limit)
            value = replace(value, gradient=gradient)
        latest, newest = at.tobytes(), value
        if np.isfinite(value.deviance) and np.all(np.isfinite(value.gradient)):
            last = value.mode
        return value

    free = np.ones(p + factors, dtype=bool)
    if held is not None:
        free[held] = False
    full, hessian = np.zeros((p + factors, p + factors)), np.zeros((0, 0))
    to_gain = np.inf if np.any(free) else 0.0
    value = value_at(theta)
    for _ in range(3 + factors):
        if not np.any(free):
            to_gain = 0.0
            break
        A = _whitener(information[np.ix_(free, free)], scale[free])
        base = theta.copy()

        def whitened(
            x: Floats,
            A: Floats = A,
            base: Floats = base,
            free: NDArray[np.bool_] = free.copy(),  # noqa: B008 (as it is in this round)
        ) -> tuple[float, Floats]:
            at = base.copy()
            at[free] += _UNIT * (A @ x)
            here = value_at(at)
            if not (np.isfinite(here.deviance) and np.all(np.isfinite(here.gradient))):
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
        theta = base.copy()
        theta[free] += _UNIT * (A @ result.x)
        value = value_at(theta)
        # A spread that does no better than none is none.
        for g in range(factors):
            small = abs(theta[p + g]) < 0.5 * abs(started[p + g]) + 0.05
            if free[p + g] and (small or link.even):
                tried = theta.copy()
                tried[p + g] = 0.0
                without = value_at(tried)
                if without.deviance <= value.deviance + _NO_SPREAD:
                    theta, value, free[p + g] = tried, without, False
        if A.shape[1] != free.sum():
            A = _whitener(information[np.ix_(free, free)], scale[free])
        if not precise:
            to_gain = 0.25 * float(np.sum((A.T @ value.gradient[free]) ** 2))
            break
        # Differences of the exact gradient give the Hessian, and a last Newton step.
        columns = []
        for direction in A.T:
            step = np.zeros(p + factors)
            step[free] = _STEP * direction
            up, down = value_at(theta + step), value_at(theta - step)
            columns.append((up.gradient[free] - down.gradient[free]) / (4.0 * _STEP))
        bend = A.T @ np.array(columns).T if columns else np.zeros((0, 0))
        bend = 0.5 * (bend + bend.T)
        back = np.linalg.inv(A) if columns else bend
        hessian = back.T @ bend @ back
        pull = 0.5 * (A.T @ value.gradient[free])
        values, vectors = np.linalg.eigh(bend)
        if values.size and values[0] > 1e-8:
            newton = -(vectors / values) @ (vectors.T @ pull)
            to_gain = float(-newton @ pull)
            if to_gain > 1e-12:
                tried = theta.copy()
                tried[free] += A @ newton
                better = value_at(tried)
                new_pull = 0.5 * (A.T @ better.gradient[free])
                left = float(new_pull @ ((vectors / values) @ (vectors.T @ new_pull)))
                # So near the end the gradient tells the better point; the deviance is all noise.
                if left < to_gain and better.deviance <= value.deviance + _NOISE:
                    theta, value, to_gain = tried, better, left
        else:
            to_gain = float(pull @ pull)
        if to_gain < _SETTLED:
            break
        information = np.zeros_like(full)
        information[np.ix_(free, free)] = (vectors * np.maximum(values, 1e-3)) @ vectors.T
        information[np.ix_(free, free)] = back.T @ information[np.ix_(free, free)] @ back
    if hessian.size:
        full[np.ix_(free, free)] = hessian
    reached = deviations_of(theta[p:])
    signs = np.where(reached < 0.0, -1.0, 1.0)
    if np.any(signs < 0.0):
        flip = np.concatenate([np.ones(p), signs])
        reached, full = np.abs(reached), full * np.outer(flip, flip)
        theta = np.concatenate([theta[:p], limit_inverse(reached)])
        last = None
        value = value_at(theta)
    at_limit = reached > 0.99 * limit
    return Found(theta[:p], reached, value, full, to_gain, count, at_limit, started)
