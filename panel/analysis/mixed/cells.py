"""Votes folded to cells, and the place of each cell's random effects in the arrow.

A cell is all votes with equal group codes and equal rows of X: y right of n. The likelihood
depends on the votes only through the cells, so the cost of a fit does too.

The Hessian of the random effects is an arrow. One grouping factor, the *unit* (the one with most
levels, as a rule the listener), and all factors nested in it form a block a unit: the diagonal.
The remaining factors (excerpts, takes) form the border, a dense block. Columns: unit by unit its
own effect and those nested in it (padded to `width`), then the border's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln

from panel.analysis.refusals import Refused
from panel.errors import BadInput

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

_BORDER_LIMIT = 6_000
_PAIR_LIMIT = 60_000_000


@dataclass(frozen=True)
class Factor:
    """One grouping factor: `column` (cells,) is where each cell's effect stands in the arrow."""

    name: str
    levels: int
    labels: NDArray[np.generic]
    column: Ints
    places: Ints  # (levels,) column of each level
    nested: bool  # part of the units' blocks (the unit itself included)


@dataclass(frozen=True)
class Cells:
    """Folded votes: y, n (cells,), X (cells, p), offset (cells,), and the arrow's layout."""

    y: Floats
    n: Floats
    X: Floats
    offset: Floats
    kind: Ints  # (cells,) code of each distinct row of X and offset
    factors: tuple[Factor, ...]
    units: int
    width: int
    border: int
    constant: float  # Σ log C(n, y) over the rows as given
    rows: int
    # Flat indices of each pair of factors into the diagonal, edge and border blocks.
    diagonal: tuple[tuple[int, int, Ints], ...] = field(repr=False)
    edge: tuple[tuple[int, int, Ints], ...] = field(repr=False)
    corner: tuple[tuple[int, int, Ints], ...] = field(repr=False)

    @property
    def columns(self) -> int:
        """Number of columns of the arrow, padding included."""
        return self.units * self.width + self.border


def _numbers(values: ArrayLike, what: str) -> Floats:
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise BadInput(f"{what} must be numbers.") from None
    if not np.all(np.isfinite(array)):
        raise BadInput(f"{what} holds a value that is missing or not finite.")
    return array


def _whole(values: ArrayLike, what: str) -> Floats:
    array = _numbers(values, what)
    if array.ndim != 1:
        raise BadInput(f"{what} must be one column, not an array of {array.ndim} dimensions.")
    if np.any(array != np.floor(array)):
        raise BadInput(f"{what} must be counts: whole numbers.")
    return array


def _coded(values: ArrayLike, name: str, rows: int) -> tuple[Ints, NDArray[np.generic]]:
    """Codes 0.. of one factor, and the label of each code."""
    array = np.asarray(values)
    if array.ndim != 1 or array.shape[0] != rows:
        raise BadInput(
            f"The group {name!r} has shape {array.shape}, and there are {rows} rows of votes.",
            hint="Give one code for each row.",
        )
    if array.dtype == object:
        if any(value is None or value != value for value in array.tolist()):
            raise BadInput(f"The group {name!r} has a row without a code.")
        array = array.astype(str)
    if array.dtype.kind == "f" and not np.all(np.isfinite(array)):
        raise BadInput(f"The group {name!r} has a row without a code.")
    if array.dtype.kind in "iu" and rows and array.min() >= 0 and array.max() < 4 * rows + 64:
        present = np.bincount(array) > 0  # quicker than sorting
        return (np.cumsum(present) - 1)[array], np.flatnonzero(present)
    labels, codes = np.unique(array, return_inverse=True)
    return codes.reshape(-1), labels


def _row_kinds(X: Floats) -> tuple[Ints, int]:
    """A code for each distinct row of X."""
    kinds, count = np.zeros(X.shape[0], dtype=np.intp), 1
    for column in X.T:
        if column.size == 0 or np.all(column == column[0]):
            continue
        _, codes = np.unique(column, return_inverse=True)
        joint = kinds * (int(codes.max()) + 1) + codes
        _, kinds = np.unique(joint, return_inverse=True)
        count = int(kinds.max()) + 1
    return kinds, count


def _fold(codes: list[Ints], sizes: list[int]) -> tuple[Ints, Ints]:
    """Cell of each row, and one row of each cell; cells in order of the codes."""
    key, size, total = np.zeros_like(codes[0]), 1, float(np.prod(np.array(sizes, dtype=float)))
    if total > 2.0**60:
        raise Refused("levels_together")
    for code, levels in zip(codes, sizes, strict=True):
        key, size = key * levels + code, size * levels
    if size <= 8 * key.size + 1024:
        present = np.bincount(key, minlength=size) > 0
        cell = (np.cumsum(present) - 1)[key]
        sample = np.empty(int(present.sum()), dtype=np.intp)
        sample[cell] = np.arange(key.size)
        return cell, sample
    _, sample, cell = np.unique(key, return_index=True, return_inverse=True)
    return cell.reshape(-1), sample


def _is_nested(inner: Ints, inner_levels: int, outer: Ints) -> Ints | None:
    """For each inner level the one outer level it occurs in, or None if it occurs in several."""
    home = np.zeros(inner_levels, dtype=np.intp)
    home[inner] = outer
    return home if np.array_equal(home[inner], outer) else None


def _choose_unit(codes: list[Ints], sizes: list[int]) -> tuple[int, dict[int, Ints]]:
    """The factor that leaves the smallest border, and the factors nested in it with their homes."""
    best, nested_in_best, least = 0, {}, np.inf
    for unit, outer in enumerate(codes):
        homes = {
            inner: home
            for inner, code in enumerate(codes)
            if inner != unit
            and sizes[inner] >= sizes[unit]
            and (home := _is_nested(code, sizes[inner], outer)) is not None
        }
        widest = 1 + sum(
            int(np.bincount(home, minlength=sizes[unit]).max()) for home in homes.values()
        )
        border = sum(
            size for other, size in enumerate(sizes) if other != unit and other not in homes
        )
        # Work of one factorisation: the units' blocks, their product with the border, the border.
        work = sizes[unit] * (widest**3 + widest * border**2) + border**3
        if work < least:
            best, nested_in_best, least = unit, homes, float(work)
    return best, nested_in_best


def fold(
    y: ArrayLike,
    X: ArrayLike,
    groups: Mapping[str, ArrayLike],
    n: ArrayLike | None = None,
    offset: ArrayLike | None = None,
) -> Cells:
    """Check the votes and fold them to cells.

    `y` (rows,) right answers of `n` (rows,; 1 if not given); `X` (rows, p), or (rows,) for one
    column; `groups` name → (rows,) codes of any kind that can be sorted; `offset` (rows,) is
    added to the linear predictor. Raises BadInput with a sentence for every misfit.
    """
    right = _whole(y, "y, the right answers,")
    rows = right.shape[0]
    if rows == 0:
        raise BadInput("There are no votes to fit.", hint="Wait for the first votes.")
    if n is None:
        trials = np.ones(rows)
    else:
        trials = _whole(np.broadcast_to(n, (rows,)) if np.ndim(n) == 0 else n, "n, the trials,")
    if trials.shape[0] != rows:
        raise BadInput(f"y has {rows} rows and n has {trials.shape[0]}: they must be equal.")
    if np.any(trials < 0) or np.any(right < 0):
        raise BadInput("Counts of answers cannot be negative.")
    if np.any(right > trials):
        where = int(np.argmax(right > trials))
        raise BadInput(
            f"Row {where} has {right[where]:.0f} right of {trials[where]:.0f} answers.",
            hint="Give y as the right answers and n as all answers of the row.",
        )
    if trials.sum() == 0:
        raise BadInput("There are no votes to fit: every n is 0.")
    design = _numbers(X, "X")
    design = design.reshape(-1, 1) if design.ndim == 1 else design
    if design.ndim != 2 or design.shape[0] != rows:
        raise BadInput(
            f"X has shape {np.shape(X)}, and there are {rows} rows of votes.",
            hint="Give X as rows × fixed effects, with a column of ones for the intercept.",
        )
    shift = np.zeros(rows) if offset is None else _numbers(offset, "offset")
    if shift.shape != (rows,):
        raise BadInput(f"offset has shape {shift.shape}, and there are {rows} rows of votes.")
    named = {str(name): _coded(codes, str(name), rows) for name, codes in groups.items()}

    kept = trials > 0
    if not np.all(kept):
        right, trials, design, shift = right[kept], trials[kept], design[kept], shift[kept]
        named = {
            name: (again, labels[used])
            for name, (codes, labels) in named.items()
            for used, again in [np.unique(codes[kept], return_inverse=True)]
        }
    if np.all(trials == 1):
        constant = 0.0
    else:
        constant = float(
            np.sum(gammaln(trials + 1) - gammaln(right + 1) - gammaln(trials - right + 1))
        )

    names, all_codes = list(named), [codes for codes, _ in named.values()]
    sizes = [labels.size for _, labels in named.values()]
    kinds, kind_count = _row_kinds(np.column_stack([design, shift]) if np.any(shift) else design)
    unit, homes = _choose_unit(all_codes, sizes) if names else (-1, {})
    order = sorted(range(len(names)), key=lambda i: i != unit)  # cells stand unit by unit
    cell, sample = _fold(
        [*(all_codes[i] for i in order), kinds], [*(sizes[i] for i in order), kind_count]
    )
    cells = sample.size
    folded = [codes[sample] for codes in all_codes]
    return _laid_out(
        y=np.bincount(cell, right, cells).astype(np.float64),
        n=np.bincount(cell, trials, cells).astype(np.float64),
        X=design[sample],
        offset=shift[sample],
        kind=kinds[sample],
        constant=constant,
        rows=rows,
        names=names,
        codes=folded,
        sizes=sizes,
        labels=[labels for _, labels in named.values()],
        unit=unit,
        homes=homes,
    )


def _laid_out(
    *,
    y: Floats,
    n: Floats,
    X: Floats,
    offset: Floats,
    kind: Ints,
    constant: float,
    rows: int,
    names: list[str],
    codes: list[Ints],
    sizes: list[int],
    labels: list[NDArray[np.generic]],
    unit: int,
    homes: dict[int, Ints],
) -> Cells:
    units = sizes[unit] if names else 0
    width, places = 1, {}
    for inner, home in homes.items():
        # The place of each level within its unit: its rank among the levels of that unit.
        order = np.argsort(home, kind="stable")
        counts = np.bincount(home, minlength=units)
        starts = np.cumsum(counts) - counts
        rank = np.empty(home.size, dtype=np.intp)
        rank[order] = np.arange(home.size) - np.repeat(starts, counts)
        places[inner] = (home, width + rank)
        width += int(counts.max())
    spots: list[Ints] = []
    border = 0
    for i, size in enumerate(sizes):
        if i == unit:
            spots.append(np.arange(units) * width)
        elif i in places:
            home, within = places[i]
            spots.append(home * width + within)
        else:
            spots.append(units * width + border + np.arange(size))
            border += size
    if border > _BORDER_LIMIT or units * width * border > _PAIR_LIMIT:
        raise Refused("levels_crossed", groups=", ".join(names), units=units, border=border)
    factors = tuple(
        Factor(name, size, label, spot[code], spot, i == unit or i in places)
        for i, (name, size, label, spot, code) in enumerate(
            zip(names, sizes, labels, spots, codes, strict=True)
        )
    )
    top = units * width
    inside = [i for i, f in enumerate(factors) if f.nested]
    outside = [i for i, f in enumerate(factors) if not f.nested]
    column = [f.column for f in factors]
    return Cells(
        y=y,
        n=n,
        X=X,
        offset=offset,
        kind=kind,
        factors=factors,
        units=units,
        width=width,
        border=border,
        constant=constant,
        rows=rows,
        diagonal=tuple(
            (i, j, column[i] * width + column[j] % width) for i in inside for j in inside if i <= j
        ),
        edge=tuple((i, j, column[i] * border + (column[j] - top)) for i in inside for j in outside),
        corner=tuple(
            (i, j, (column[i] - top) * border + (column[j] - top))
            for i in outside
            for j in outside
            if i <= j
        ),
    )
