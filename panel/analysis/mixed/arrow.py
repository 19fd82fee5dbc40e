"""The arrow-shaped Hessian of the random effects: factorised, solved, and read off its inverse.

    M = I + Λ Zᵀ diag(w) Z Λ = [ D  B ]      D block-diagonal over units, C the border's block.
                               [ Bᵀ C ]

D is inverted block by block, the border through its Schur complement S = C − Bᵀ D⁻¹ B, so that the
work grows linearly in the units for a bounded border. All sums over cells are bincounts on indices
laid down once in `Cells`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.analysis.mixed.cells import Cells

Floats = NDArray[np.float64]


_SHORT = 250_000  # multiplications under which BLAS starts no threads


def _stacked(tall: Floats, columns: int) -> tuple[Floats, Floats] | None:
    """`tall` cut into a stack of short slices and a rest, or None if slices would be too short.

    Tall, narrow products are over before a second thread has started, and on a busy machine
    waiting for that thread costs a hundred times the product: so BLAS gets them in slices.
    """
    rows, width = tall.shape
    short = _SHORT // max(width * columns, 1)
    if rows <= short or short < 32:
        return None
    whole = rows // short
    return tall[: whole * short].reshape(whole, short, width), tall[whole * short :]


def gram(left: Floats, right: Floats) -> Floats:
    """leftᵀ right for two tall arrays (rows, a), (rows, b)."""
    one = _stacked(left, right.shape[1])
    if one is None:
        return left.T @ right
    cut = one[0].shape[0] * one[0].shape[1]
    other = right[:cut].reshape(one[0].shape[0], one[0].shape[1], right.shape[1])
    total = np.matmul(one[0].transpose(0, 2, 1), other).sum(axis=0)
    return np.asarray(total + one[1].T @ right[cut:], dtype=np.float64)


def times(tall: Floats, square: Floats) -> Floats:
    """tall (rows, a) times square (a, b)."""
    cut = _stacked(tall, square.shape[1])
    if cut is None:
        return tall @ square
    stack = np.matmul(cut[0], square).reshape(-1, square.shape[1])
    return np.concatenate([stack, cut[1] @ square])


@dataclass(frozen=True)
class Arrow:
    """M factorised: D⁻¹ (units, width, width), D⁻¹B (units · width, border), S⁻¹, log |M|."""

    inverse: Floats
    edge: Floats
    across: Floats
    corner: Floats
    log_determinant: float

    def solve(self, right: Floats) -> Floats:
        """M⁻¹ applied to `right` (columns,)."""
        units, width, _ = self.inverse.shape
        top = right[: units * width]
        rest = self.corner @ (right[units * width :] - self.across.T @ top)
        if width == 1:
            own = self.inverse[:, 0, 0] * top
        else:
            own = np.matmul(self.inverse, top.reshape(units, width, 1)).reshape(-1)
        return np.concatenate([own - self.across @ rest, rest])

    def selected(self, cells: Cells) -> dict[tuple[int, int], Floats]:
        """For each pair of factors i ≤ j, the entry of M⁻¹ at each cell's two columns (cells,)."""
        units, width, _ = self.inverse.shape
        spread = times(self.across, self.corner)
        if width == 1:
            own = self.inverse[:, 0, 0] + np.einsum("ab,ab->a", spread, self.across)
        else:
            shape = units, width, -1
            own = self.inverse + np.matmul(
                spread.reshape(shape), self.across.reshape(shape).transpose(0, 2, 1)
            )
        entries = {(i, j): own.reshape(-1)[at] for i, j, at in cells.diagonal}
        flat = spread.reshape(-1)
        for i, j, at in cells.edge:
            entries[min(i, j), max(i, j)] = -flat[at]
        flat = self.corner.reshape(-1)
        return entries | {(i, j): flat[at] for i, j, at in cells.corner}

    def diagonal(self) -> Floats:
        """The diagonal of M⁻¹ (columns,)."""
        own = np.einsum("aii->ai", self.inverse).reshape(-1)
        own = own + np.einsum("ab,ab->a", times(self.across, self.corner), self.across)
        return np.concatenate([own, np.diagonal(self.corner)])


def factorise(cells: Cells, weights: Floats, deviations: Floats) -> Arrow | None:
    """M for `weights` (cells,) and `deviations` (factors,); None if it is not positive definite."""
    units, width, border = cells.units, cells.width, cells.border

    def summed(at: NDArray[np.intp], size: int, i: int, j: int) -> Floats:
        total = np.bincount(at, weights, size)
        return np.asarray(total * (deviations[i] * deviations[j]), dtype=np.float64)

    blocks: Floats = np.zeros(units * width * width)
    for i, j, at in cells.diagonal:
        part = summed(at, blocks.size, i, j)
        blocks += part
        if i != j:
            blocks += part.reshape(units, width, width).transpose(0, 2, 1).reshape(-1)
    blocks = blocks.reshape(units, width, width)
    blocks[:, np.arange(width), np.arange(width)] += 1.0
    edge: Floats = np.zeros(units * width * border)
    for i, j, at in cells.edge:
        edge += summed(at, edge.size, i, j)
    edge = edge.reshape(units * width, border)
    corner: Floats = np.zeros(border * border)
    for i, j, at in cells.corner:
        part = summed(at, corner.size, i, j)
        corner += part
        if i != j:
            corner += part.reshape(border, border).T.reshape(-1)
    corner = corner.reshape(border, border) + np.eye(border)

    if width == 1:
        if blocks.size and not blocks.min() > 0.0:
            return None
        inverse = 1.0 / blocks
        log_determinant = float(np.sum(np.log(blocks)))
        across = inverse[:, 0] * edge
    else:
        try:
            roots = np.linalg.cholesky(blocks)
        except np.linalg.LinAlgError:
            return None
        log_determinant = 2.0 * float(np.sum(np.log(np.einsum("aii->ai", roots))))
        inverse = np.asarray(np.linalg.inv(blocks), dtype=np.float64)
        product = np.matmul(inverse, edge.reshape(units, width, border))
        across = np.asarray(product.reshape(edge.shape), dtype=np.float64)
    schur: Floats = corner - gram(edge, across)
    if border:
        try:
            root = np.linalg.cholesky(0.5 * (schur + schur.T))
        except np.linalg.LinAlgError:
            return None
        log_determinant += 2.0 * float(np.sum(np.log(np.diagonal(root))))
        half = np.linalg.inv(root)
        schur = np.asarray(half.T @ half, dtype=np.float64)
    return Arrow(inverse, edge, across, schur, log_determinant)
