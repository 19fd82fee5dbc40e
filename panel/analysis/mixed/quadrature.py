"""Adaptive Gauss–Hermite quadrature for one grouping factor, with its exact gradient.

For each level the integral over its standard normal effect u is taken at nodes û + z_k / √H, about
the mode û and on the scale of the Hessian H there (Naylor & Smith 1982, Applied Statistics 31;
Pinheiro & Bates 1995, JCGS 4). One node is Laplace's approximation. The gradient is that of the
quadrature itself, nodes moving with the parameters, so it is exact at any number of nodes.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray

from panel.analysis.mixed.cells import Cells
from panel.analysis.mixed.laplace import (
    Information,
    Mode,
    Value,
    expected,
    find_mode,
    observed,
    score,
)
from panel.analysis.mixed.links import Link

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

_AT_ONCE = 500_000  # cells times nodes held in memory


@lru_cache(maxsize=16)
def rule(nodes: int) -> tuple[Floats, Floats]:
    """Nodes z for a standard normal, and log w + z²/2 for weights w that sum to 1."""
    points, masses = hermegauss(nodes)
    logs = np.log(masses / masses.sum()) + 0.5 * points**2
    points.flags.writeable = logs.flags.writeable = False
    return points, logs


def evaluate(
    cells: Cells,
    link: Link,
    beta: Floats,
    deviations: Floats,
    information: Information,
    nodes: int,
    last: Mode | None = None,
) -> Value:
    """−2 log L without the constant, and its gradient in (β, σ), by `nodes` points a level."""
    mode = find_mode(cells, link, beta, deviations, last)
    terms = mode.terms
    sigma, column, levels = float(deviations[0]), cells.factors[0].column, cells.columns

    def over(values: Floats) -> Floats:
        return np.asarray(np.bincount(column, values, levels), dtype=np.float64)

    seen = observed(cells, terms)
    weights, turn = seen, (cells.n - cells.y) * terms.b2 - cells.y * terms.a2
    hessian_seen = 1.0 + sigma**2 * over(seen)
    # Where the observed information fails (a curve's floor), the expected one sets the scale.
    poor = ~(hessian_seen > 1e-8)
    if information == "expected" or np.any(poor):
        other = expected(cells, terms)
        other_turn = cells.n * (terms.a1 * terms.b + terms.a * terms.b1)
        use = np.ones(column.size, dtype=bool) if information == "expected" else poor[column]
        weights, turn = np.where(use, other, weights), np.where(use, other_turn, turn)
        hessian_seen = np.where(poor, 1.0, hessian_seen)
    hessian = 1.0 + sigma**2 * over(weights)
    width = hessian**-0.5

    # How mode and width move with (β, σ): (levels, p + 1).
    p = beta.size
    moves, stretches = np.empty((levels, p + 1)), np.empty((levels, p + 1))
    for j in range(p + 1):
        if j < p:
            x = cells.X[:, j]
            moves[:, j] = -sigma * over(seen * x) / hessian_seen
            direct: Floats | float = 0.0
        else:
            x = mode.u[column]
            moves[:, j] = (over(score(cells, terms)) - sigma * over(seen * x)) / hessian_seen
            direct = 2.0 * sigma * over(weights)
        change = direct + sigma**2 * over(turn * (x + sigma * moves[:, j][column]))
        stretches[:, j] = -0.5 * width * change / hessian

    points, log_masses = rule(nodes)
    heights = np.empty((nodes, levels))
    slopes = np.empty((nodes, levels, p + 1))
    at_once = max(1, _AT_ONCE // column.size)
    for first in range(0, nodes, at_once):
        some = slice(first, min(first + at_once, nodes))
        z = points[some, None]
        index = (column + levels * np.arange(z.size)[:, None]).reshape(-1)

        def over_each(values: Floats, index: Ints = index, count: int = z.size) -> Floats:
            total = np.bincount(index, values.reshape(-1), count * levels)
            return np.asarray(total.reshape(count, levels), dtype=np.float64)

        u = mode.u + z * width
        there = link.terms(mode.eta + sigma * (z * width)[:, column])
        heights[some] = (
            log_masses[some, None]
            - 0.5 * u * u
            + over_each(cells.y * there.log_right + (cells.n - cells.y) * there.log_wrong)
        )
        slope = cells.y * there.a - (cells.n - cells.y) * there.b
        total = over_each(slope)
        slopes[some] = (sigma * total - u)[:, :, None] * (moves + z[:, :, None] * stretches)
        for j in range(p):
            slopes[some, :, j] += over_each(slope * cells.X[:, j])
        slopes[some, :, p] += u * total
    tops = heights.max(axis=0)
    shares = np.exp(heights - tops)
    sums = shares.sum(axis=0)
    logs = tops + np.log(sums)
    shares /= sums
    gradient = np.sum(stretches / width[:, None], axis=0)
    gradient = gradient + np.einsum("kl,klj->j", shares, slopes)
    deviance = -2.0 * float(np.sum(np.log(width) + logs))
    return Value(deviance, -2.0 * gradient, mode)
