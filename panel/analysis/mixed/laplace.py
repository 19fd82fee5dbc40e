"""Laplace's approximation to the marginal likelihood of a mixed model, with its exact gradient.

η = X β + offset + Σ_g σ_g u_g[code], u standard normal. With û the mode of the joint density,

    −2 log L ≈ −2 ℓ(η̂) + |û|² + log |I + Λ Zᵀ W Z Λ|,                                   (1)

W the observed information −ℓ″ at the mode, or the expected one (Tierney & Kadane 1986, JASA 81;
Breslow & Clayton 1993, JASA 88; the expected form is the one of penalised iteratively reweighted
least squares). The gradient in (β, σ) is exact: the mode moves with the parameters,
dû/dθ = −H⁻¹ ∂g/∂θ with g = u − Λ Zᵀ ℓ′ and H the observed Hessian (implicit differentiation),
so one adjoint solve with H gives the share that comes through the mode.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from panel.analysis.mixed.arrow import Arrow, factorise
from panel.analysis.mixed.cells import Cells
from panel.analysis.mixed.links import Link, LinkTerms

Floats = NDArray[np.float64]
Information = Literal["observed", "expected"]

_MOST_STEPS = 60
_SETTLED = 1e-9  # Newton decrement under which the last step is taken by Taylor's series


@dataclass(frozen=True)
class Mode:
    """The mode of the random effects at (β, σ), and what moving it needs."""

    beta: Floats
    deviations: Floats
    u: Floats
    eta: Floats
    terms: LinkTerms
    hessian: Arrow  # observed where that is positive definite, else expected
    settled: bool
    steps: int


@dataclass(frozen=True)
class Value:
    """−2 log L by (1) without the constant, its gradient in (β, σ), and its mode."""

    deviance: float
    gradient: Floats
    mode: Mode


def dot(one: Floats, other: Floats) -> float:
    """Σ one · other over cells. Not by BLAS: its threads cost more than such short sums."""
    return float(np.einsum("i,i->", one, other))


def by_column(X: Floats, values: Floats) -> Floats:
    """Xᵀ values (p,)."""
    return np.array([dot(column, values) for column in X.T])


def score(cells: Cells, terms: LinkTerms) -> Floats:
    """ℓ′ per cell."""
    return cells.y * terms.a - (cells.n - cells.y) * terms.b


def observed(cells: Cells, terms: LinkTerms) -> Floats:
    """−ℓ″ per cell."""
    return (cells.n - cells.y) * terms.b1 - cells.y * terms.a1


def expected(cells: Cells, terms: LinkTerms) -> Floats:
    """n F′² / (F (1 − F)) per cell."""
    return cells.n * terms.a * terms.b


def spread_out(cells: Cells, deviations: Floats, u: Floats) -> Floats:
    """Z Λ u per cell."""
    total = np.zeros(cells.y.size)
    for factor, deviation in zip(cells.factors, deviations, strict=True):
        total += (deviation * u)[factor.column]
    return total


def gathered(cells: Cells, deviations: Floats, values: Floats) -> Floats:
    """Λ Zᵀ values (columns,)."""
    total = np.zeros(cells.columns)
    for factor, deviation in zip(cells.factors, deviations, strict=True):
        total += deviation * np.bincount(factor.column, values, cells.columns)
    return total


def _log_likelihood(cells: Cells, terms: LinkTerms) -> float:
    return dot(cells.y, terms.log_right) + dot(cells.n - cells.y, terms.log_wrong)


def _curvature(cells: Cells, terms: LinkTerms, deviations: Floats) -> tuple[Arrow, bool]:
    """The Hessian at a point: observed if positive definite, else expected; and which."""
    arrow = factorise(cells, observed(cells, terms), deviations)
    if arrow is not None:
        return arrow, True
    arrow = factorise(cells, expected(cells, terms), deviations)
    if arrow is None:  # I + a positive semi-definite matrix: only overflow can do this
        raise FloatingPointError("the random effects' information overflowed")
    return arrow, False


def _predicted(cells: Cells, beta: Floats, deviations: Floats, last: Mode) -> Floats:
    """The last mode moved along its tangent to the new parameters."""
    shift, change = beta - last.beta, deviations - last.deviations
    if not np.any(shift) and not np.any(change):
        return last.u
    slope = score(cells, last.terms)
    moved = cells.X @ shift + spread_out(cells, change, last.u)
    pull = gathered(cells, change, slope) - gathered(
        cells, last.deviations, observed(cells, last.terms) * moved
    )
    guess = last.u + last.hessian.solve(pull)
    return guess if np.all(np.isfinite(guess)) else last.u


def _stepped(link: Link, eta: Floats, terms: LinkTerms, shift: Floats) -> LinkTerms:
    """The terms at eta + shift by Taylor's series: for a last step too small to pay for more."""
    at = link.completed(eta, terms)
    half = 0.5 * shift * shift
    return LinkTerms(
        at.log_right + at.a * shift + at.a1 * half,
        at.log_wrong - at.b * shift - at.b1 * half,
        at.a + at.a1 * shift + at.a2 * half,
        at.b + at.b1 * shift + at.b2 * half,
        at.a1 + at.a2 * shift,
        at.b1 + at.b2 * shift,
        at.a2,
        at.b2,
    )


def find_mode(
    cells: Cells, link: Link, beta: Floats, deviations: Floats, last: Mode | None = None
) -> Mode:
    """The mode of u by Newton's method with step halving, from `last` if there is one."""
    fixed = cells.X @ beta + cells.offset
    u = np.zeros(cells.columns) if last is None else _predicted(cells, beta, deviations, last)
    eta = fixed + spread_out(cells, deviations, u)
    terms = link.terms(eta)
    height = _log_likelihood(cells, terms) - 0.5 * dot(u, u)
    if last is not None and not height > -1e4 * (1.0 + cells.n.sum()):
        u = np.zeros(cells.columns)
        eta = fixed
        terms = link.terms(eta)
        height = _log_likelihood(cells, terms)
    steps, settled = 0, False
    while True:
        hessian, _ = _curvature(cells, terms, deviations)
        downhill = gathered(cells, deviations, score(cells, terms)) - u
        step = hessian.solve(downhill)
        decrement = dot(step, downhill)
        if decrement < _SETTLED:
            settled = True
            shift = spread_out(cells, deviations, step)
            u, eta, terms = u + step, eta + shift, _stepped(link, eta, terms, shift)
            break
        if steps == _MOST_STEPS:
            break
        steps += 1
        size = 1.0
        while True:
            tried = u + size * step
            new_eta = fixed + spread_out(cells, deviations, tried)
            new_terms = link.terms(new_eta)
            new_height = _log_likelihood(cells, new_terms) - 0.5 * dot(tried, tried)
            if new_height >= height - 1e-12 * abs(height) or size < 1e-6:
                break
            size *= 0.5
        if size < 1e-6:
            settled = decrement < 1e-7
            break
        u, eta, terms, height = tried, new_eta, new_terms, new_height
    return Mode(beta, deviations, u, eta, link.completed(eta, terms), hessian, settled, steps)


def evaluate(
    cells: Cells,
    link: Link,
    beta: Floats,
    deviations: Floats,
    information: Information,
    last: Mode | None = None,
) -> Value:
    """(1) and its gradient in (β, σ) at `beta` (p,), `deviations` (factors,; any sign)."""
    mode = find_mode(cells, link, beta, deviations, last)
    terms = mode.terms
    y, wrong = cells.y, cells.n - cells.y
    slope, seen = score(cells, terms), observed(cells, terms)
    base = -2.0 * _log_likelihood(cells, terms) + dot(mode.u, mode.u)
    arrow: Arrow | None = None
    if information == "observed":
        weights, turn = seen, wrong * terms.b2 - y * terms.a2
        arrow = factorise(cells, weights, deviations)
        if arrow is not None:
            mode = replace(mode, hessian=arrow)
    if arrow is None:
        weights = expected(cells, terms)
        turn = cells.n * (terms.a1 * terms.b + terms.a * terms.b1)
        arrow = factorise(cells, weights, deviations)
    assert arrow is not None, "I + a positive semi-definite matrix"

    # lean[g] = [M⁻¹ Λ z_i]_g for each cell i; its leverage h_i = Σ σ_g lean[g].
    lean = [np.zeros(y.size) for _ in cells.factors]
    for (i, j), entry in arrow.selected(cells).items():
        lean[i] += deviations[j] * entry
        if i != j:
            lean[j] += deviations[i] * entry
    leverage = np.zeros(y.size)
    for part, deviation in zip(lean, deviations, strict=True):
        leverage += deviation * part
    pulled = turn * leverage
    adjoint = mode.hessian.solve(gathered(cells, deviations, pulled))
    through = spread_out(cells, deviations, adjoint)
    common = -2.0 * slope + pulled - seen * through
    gradient = np.empty(beta.size + deviations.size)
    gradient[: beta.size] = by_column(cells.X, common)
    for g, factor in enumerate(cells.factors):
        gradient[beta.size + g] = (
            dot(common, mode.u[factor.column])
            + 2.0 * dot(weights, lean[g])
            + dot(slope, adjoint[factor.column])
        )
    return Value(base + arrow.log_determinant, gradient, mode)
