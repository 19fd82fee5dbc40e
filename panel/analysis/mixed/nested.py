"""Quadrature over the units inside Laplace's approximation over what they are crossed with.

A listener's few votes say little about that listener: Laplace's approximation over listeners is
biased, the more so for a curve that is flat at d′ = 0. Excerpts and pairs of takes are few, and
each has many votes: there it is good. So with v the border's effects (excerpts, pairs; standard
normal) and u those of the units (listeners), which are independent given v,

    h(v) = Σ_l log ∫ p(y_l | u, v) φ(u) du − ½ |v|²        by Gauss–Hermite nodes about each mode,
    −2 log L ≈ −2 h(v̂) + log |H|,   H = −∂²h/∂v∂v at the mode v̂,

an inner integral at nodes and an outer one by Laplace (Tierney & Kadane 1986, JASA 81; Pinheiro &
Bates 1995, JCGS 4). Derivatives of h are moments of each unit's weights over its nodes: with s the
slopes ℓ′ summed to a unit's border columns, ∂h/∂v = Σ E[s] − v and H = I + Σ (E[W] − Cov[s]). The
gradient in (β, σ) is exact but for the error of the quadrature: v̂ moves with the parameters, which
one adjoint solve with H gives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.analysis.mixed.cells import Cells
from panel.analysis.mixed.laplace import Information, Mode, Value, expected, find_mode, observed
from panel.analysis.mixed.links import Link, LinkTerms
from panel.analysis.mixed.quadrature import rule

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

MOST_BORDER = 64  # effects of the border; the work grows with their square
_SETTLED = 1e-9
_MOST_STEPS = 50


def suits(cells: Cells) -> bool:
    """Whether the units are independent given a small border: nothing nested in them."""
    nested = sum(factor.nested for factor in cells.factors)
    return nested == 1 and cells.width == 1 and 0 < cells.border <= MOST_BORDER


@dataclass(frozen=True)
class _Nodes:
    """Each unit's nodes u, and the logarithms of their masses; both (nodes, units)."""

    u: Floats
    log_mass: Floats


@dataclass(frozen=True)
class _Inner:
    """h, its gradient and −Hessian at v, and what the gradient in (β, σ) needs.

    `terms`: the link's at each node and cell (nodes, cells); `slope` ℓ′ and `weight` −ℓ″ there;
    `raw`: slopes summed to (nodes, units, border), without σ; `share`: weights of a unit's nodes.
    """

    height: float
    gradient: Floats
    hessian: Floats
    eta: Floats
    terms: LinkTerms
    slope: Floats
    weight: Floats
    raw: Floats
    share: Floats


class _Model:
    """One data set at one (β, σ)."""

    def __init__(self, cells: Cells, link: Link, beta: Floats, deviations: Floats) -> None:
        self.cells, self.link = cells, link
        self.unit = next(i for i, f in enumerate(cells.factors) if f.nested)
        self.sigma = float(deviations[self.unit])
        self.deviations = deviations
        self.who = cells.factors[self.unit].column
        self.fixed = cells.X @ beta + cells.offset
        self.across = [i for i in range(len(cells.factors)) if i != self.unit]
        # Border columns of each cell, one for each crossed factor, and the σ of each column.
        self.at = [cells.factors[i].column - cells.units for i in self.across]
        self.scale = np.zeros(cells.border)
        for i in self.across:
            self.scale[cells.factors[i].places - cells.units] = deviations[i]

    def nodes_about(self, mode: Mode, information: Information, count: int) -> _Nodes:
        cells = self.cells
        seen = observed(cells, mode.terms)
        if information == "expected":
            seen = expected(cells, mode.terms)
        bend = 1.0 + self.sigma**2 * np.bincount(self.who, seen, cells.units)
        poor = ~(bend > 0.2)
        if np.any(poor):
            other = expected(cells, mode.terms)
            bend = np.where(
                poor, 1.0 + self.sigma**2 * np.bincount(self.who, other, cells.units), bend
            )
        points, log_masses = rule(count)
        width = bend**-0.5
        u = mode.u[: cells.units] + points[:, None] * width
        return _Nodes(u, log_masses[:, None] + np.log(width) - 0.5 * u * u)

    def on_cells(self, values: Floats) -> Floats:
        """Σ_f σ_f values[column of f] for each cell; `values` (..., border) -> (..., cells)."""
        scaled = values * self.scale
        return np.asarray(sum(scaled[..., at] for at in self.at), dtype=np.float64)

    def per_unit(self, values: Floats) -> Floats:
        """(nodes, cells) summed to (nodes, units)."""
        count, units = values.shape[0], self.cells.units
        index = self.who + units * np.arange(count)[:, None]
        total = np.bincount(index.reshape(-1), values.reshape(-1), count * units)
        return np.asarray(total.reshape(count, units), dtype=np.float64)

    def to_border(self, values: Floats) -> Floats:
        """(nodes, cells) summed to (nodes, units, border)."""
        cells, count = self.cells, values.shape[0]
        size = cells.units * cells.border
        base = self.who * cells.border + size * np.arange(count)[:, None]
        total = np.zeros(count * size)
        for at in self.at:
            total += np.bincount((base + at).reshape(-1), values.reshape(-1), count * size)
        return total.reshape(count, cells.units, cells.border)

    def square(self, weights: Floats) -> Floats:
        """Σ_c weights_c z_c z_cᵀ with z_c the cell's σ in its border columns; (border, border)."""
        border = self.cells.border
        total = np.zeros(border * border)
        for one in self.at:
            for other in self.at:
                total += np.bincount(one * border + other, weights, border * border)
        return total.reshape(border, border) * np.outer(self.scale, self.scale)

    def _heights(self, nodes: _Nodes, terms: LinkTerms) -> Floats:
        y, wrong = self.cells.y, self.cells.n - self.cells.y
        return nodes.log_mass + self.per_unit(y * terms.log_right + wrong * terms.log_wrong)

    def inner(self, nodes: _Nodes, v: Floats) -> _Inner:
        y, wrong = self.cells.y, self.cells.n - self.cells.y
        eta = self.fixed + self.on_cells(v) + self.sigma * nodes.u[:, self.who]
        terms = self.link.terms(eta)
        heights = self._heights(nodes, terms)
        top = heights.max(axis=0)
        share = np.exp(heights - top)
        sums = share.sum(axis=0)
        share /= sums
        slope = y * terms.a - wrong * terms.b
        weight = wrong * terms.b1 - y * terms.a1
        raw = self.to_border(slope)
        s = raw * self.scale
        mean = np.einsum("kl,klj->lj", share, s)
        spread = _crossed(share, s, s) - mean.T @ mean
        seen = np.einsum("kc,kc->c", share[:, self.who], weight)
        return _Inner(
            height=float(np.sum(top + np.log(sums)) - 0.5 * v @ v),
            gradient=mean.sum(axis=0) - v,
            hessian=np.eye(v.size) + self.square(seen) - spread,
            eta=eta,
            terms=terms,
            slope=slope,
            weight=weight,
            raw=raw,
            share=share,
        )

    def inverse(self, inner: _Inner) -> Floats:
        """H⁻¹; where H is not positive definite, by the expected information with units known."""
        found = _inverse(inner.hessian)
        if found is None:
            rate = self.cells.n * inner.terms.a * inner.terms.b
            known = np.einsum("kc,kc->c", inner.share[:, self.who], rate)
            found = _inverse(np.eye(self.cells.border) + self.square(known))
        assert found is not None, "I + a positive semi-definite matrix"
        return found


def _crossed(share: Floats, one: Floats, other: Floats) -> Floats:
    """Σ over nodes and units of share · one oneᵀ; (border, border)."""
    border = one.shape[-1]
    left = (share[:, :, None] * one).reshape(-1, border)
    return np.asarray(np.einsum("xi,xj->ij", left, other.reshape(-1, border), optimize=True))


def _inverse(hessian: Floats) -> Floats | None:
    """H⁻¹, or None if H is not positive definite."""
    try:
        root = np.linalg.cholesky(0.5 * (hessian + hessian.T))
    except np.linalg.LinAlgError:
        return None
    half = np.linalg.inv(root)
    return np.asarray(half.T @ half, dtype=np.float64)


def evaluate(
    cells: Cells,
    link: Link,
    beta: Floats,
    deviations: Floats,
    information: Information,
    count: int,
    last: Mode | None = None,
) -> Value:
    """−2 log L without the constant, and its gradient in (β, σ), by `count` nodes a unit.

    `mode` is the joint mode of units and border, about which the nodes lie.
    """
    mode = find_mode(cells, link, beta, deviations, last)
    model = _Model(cells, link, beta, deviations)
    nodes = model.nodes_about(mode, information, count)
    v = mode.u[cells.units :].copy()
    inner = model.inner(nodes, v)
    for _ in range(_MOST_STEPS):
        inverse = model.inverse(inner)
        step = inverse @ inner.gradient
        if float(step @ inner.gradient) < _SETTLED:
            break
        size, tried = 1.0, model.inner(nodes, v + step)
        while size > 1e-6 and not tried.height >= inner.height - 1e-12:
            size *= 0.5
            tried = model.inner(nodes, v + size * step)
        v, inner = v + size * step, tried
    inverse = model.inverse(inner)
    deviance = -2.0 * inner.height - float(np.linalg.slogdet(inverse)[1])
    return Value(deviance, _gradient(model, nodes, inner, v, inverse), mode)


def _gradient(model: _Model, nodes: _Nodes, inner: _Inner, v: Floats, inverse: Floats) -> Floats:
    """∂/∂(β, σ) of −2 h(v̂) + log |H|.

    For fixed Q = H⁻¹, ∂ log |H| = Σ_l ∂{E[tr Q W] − tr Q Cov[s]}. A shift of η at a node changes
    the moments in two ways, through the value there and through the node's weight; `pull` gathers
    both as a weight on that shift.
    """
    cells, who, share = model.cells, model.who, inner.share
    y, wrong = cells.y, cells.n - cells.y
    full = model.link.completed(inner.eta, inner.terms)
    turn = wrong * full.b2 - y * full.a2
    s = inner.raw * model.scale
    mean = np.einsum("kl,klj->lj", share, s)
    leverage = np.zeros(cells.y.size)
    for one in model.at:
        for other in model.at:
            leverage += inverse[one, other] * model.scale[one] * model.scale[other]
    bent = s @ inverse
    own = model.per_unit(inner.weight * leverage) - np.einsum("klj,klj->kl", bent, s)
    towards = np.einsum("lj,klj->kl", mean @ inverse, s)
    lift = own + 2.0 * towards
    lift = lift - np.einsum("kl,kl->l", share, lift)
    away = bent - np.einsum("kl,klj->lj", share, bent)  # Q (s − E s)
    at_cells = np.zeros_like(inner.slope)
    for at in model.at:
        at_cells += away[:, who, at] * model.scale[at]
    pull = turn * leverage + 2.0 * inner.weight * at_cells + inner.slope * lift[:, who]

    # The share that comes through v̂: λ = H⁻¹ ∂F/∂v, then ∂(λᵀ ∂h/∂v)/∂θ.
    mean_pull = np.einsum("kc,kc->c", share[:, who], pull)
    through = np.zeros(cells.border)
    for at in model.at:
        through += np.bincount(at, mean_pull, cells.border)
    adjoint = inverse @ (through * model.scale)
    tilt = s @ adjoint
    tilt = tilt - np.einsum("kl,kl->l", share, tilt)
    total = (
        -2.0 * inner.slope
        + pull
        - inner.weight * model.on_cells(adjoint)
        + inner.slope * tilt[:, who]
    )
    mean_total = np.einsum("kc,kc->c", share[:, who], total)
    gradient = np.empty(cells.X.shape[1] + len(cells.factors))
    p = cells.X.shape[1]
    gradient[:p] = [float(np.einsum("c,c->", x, mean_total)) for x in cells.X.T]
    u_total = np.einsum("kl,kl->", share * nodes.u, model.per_unit(total))
    gradient[p + model.unit] = float(u_total)
    # σ of a border factor also scales s and W themselves.
    seen = np.einsum("kc,kc->c", share[:, who], inner.weight)
    raw_mean = np.einsum("kl,klj->lj", share, inner.raw)
    shared = inverse @ (_crossed(share, s, inner.raw) - mean.T @ raw_mean)
    level = adjoint * raw_mean.sum(axis=0)
    for i, at in zip(model.across, model.at, strict=True):
        places = cells.factors[i].places - cells.units
        edge = np.zeros(cells.y.size)
        for other in model.at:
            edge += inverse[at, other] * model.scale[other]
        gradient[p + i] = (
            float(np.einsum("c,c->", v[at], mean_total))
            + 2.0 * float(np.einsum("c,c->", seen, edge))
            - 2.0 * float(np.diagonal(shared)[places].sum())
            + float(level[places].sum())
        )
    return gradient
