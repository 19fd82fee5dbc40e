"""What was drawn by lot, and the labelings that the draw could have given as well.

A permutation test is exact because chance dealt the labels: so it visits exactly those labelings
that the draw which was made could have given, each equally likely, and no others. Every draw here
deals the labels of a block among the units of that block, units being takes, specimens, or
whatever was put in order:

- one block: a complete shuffle of all of them;
- a block a session: the order was drawn inside each session, so that a session's own sound is on
  both sides alike (restricted permutation; Edgington & Onghena, *Randomization Tests*, 4th ed.
  2007, memory);
- a block a pair: of each two, one was drawn.

A block in which all units have one label could only have come out as it did: it tells nothing.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import permutations
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from panel.analysis.attribution.permutation import (
    DRAWS,
    MOST_EXACT,
    Attribution,
    distinct_labelings,
)
from panel.errors import BadInput

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Renamings of labels that leave a statistic as it is: none (a trend over doses); one in all blocks
# alike (a difference in size only, or the spread of several); one in each block by itself (where
# only units of one block are compared with each other, without direction).
Renaming = Literal["none", "alike", "each"]


@dataclass(frozen=True)
class Draw:
    """`labels` (units,): the side of each unit, from 0; `block` (units,): among which units the
    labels were dealt, codes from 0."""

    labels: Ints
    block: Ints

    @staticmethod
    def complete(labels: ArrayLike) -> "Draw":
        """All units in one order."""
        at = np.asarray(labels, np.int64)
        return Draw(at, np.zeros(at.size, np.int64))

    @staticmethod
    def within(labels: ArrayLike, block: ArrayLike) -> "Draw":
        """Drawn inside each session (or other block) by itself.

        Raises BadInput if the two are not of one length.
        """
        at, where = np.asarray(labels, np.int64), np.asarray(block, np.int64)
        if at.shape != where.shape:
            raise BadInput(
                f"{at.size} units have a side, but {where.size} a session.",
                hint="Log the session of each of them.",
            )
        return Draw(at, np.unique(where, return_inverse=True)[1].astype(np.int64))

    @staticmethod
    def pairs(labels: ArrayLike, pair: ArrayLike) -> "Draw":
        """Of each two, one was drawn. Raises BadInput for a pair that is not one of each side."""
        draw = Draw.within(labels, pair)
        for own in range(int(draw.block.max(initial=-1)) + 1):
            sides = draw.labels[draw.block == own]
            if sides.size != 2 or sides[0] == sides[1]:
                raise BadInput(
                    f"Pair {own + 1} is not one of either side.",
                    hint="Name two of each pair, one of either side.",
                )
        return draw

    @property
    def sides(self) -> int:
        return int(self.labels.max(initial=-1)) + 1

    @property
    def telling(self) -> NDArray[np.bool_]:
        """(units,): whether the unit's block has two sides or more."""
        return np.array(
            [np.unique(self.labels[self.block == b]).size > 1 for b in self.block], bool
        )

    @property
    def sizes(self) -> tuple[tuple[int, ...], ...]:
        """Units by side, of each block that tells something."""
        return tuple(
            tuple(np.bincount(self.labels[self.block == b], minlength=self.sides).tolist())
            for b in np.unique(self.block[self.telling])
        )

    @property
    def labelings(self) -> int:
        """How many the draw could have given, each equally likely."""
        return math.prod(distinct_labelings(s, interchangeable=False) for s in self.sizes)

    def distinct(self, renaming: Renaming) -> int:
        """How many of them a statistic can tell apart; 1 where the draw tells nothing."""
        if not self.sizes:
            return 1
        if renaming == "none":
            return self.labelings
        if renaming == "alike":
            return self.labelings // _renamings(self.sizes)
        return self.labelings // math.prod(
            _renamings([tuple(n for n in s if n)]) for s in self.sizes
        )

    def least_p(self, renaming: Renaming, most: int = MOST_EXACT) -> float:
        """The smallest p that this draw can give; 1 where it tells nothing."""
        if not self.sizes:
            return 1.0
        least = 1 / self.distinct(renaming)
        return least if self.labelings <= most else max(least, 1 / (1 + min(DRAWS, most)))

    def relabeled(self, rng: np.random.Generator, most: int = MOST_EXACT) -> tuple[Ints, bool]:
        """Labelings to visit, (labelings, units), and whether they are all there are.

        When there are at most `most` all are visited, the true one among them; otherwise so many,
        at most `DRAWS`, are drawn as the lot was. Not to be written to.
        """
        if self.labelings <= most:
            return _every(tuple(self.labels.tolist()), tuple(self.block.tolist())), True
        visited = np.tile(self.labels, (min(DRAWS, most), 1))
        for block in np.unique(self.block[self.telling]):
            place = np.flatnonzero(self.block == block)
            visited[:, place] = rng.permuted(visited[:, place], axis=1)
        return visited, False


def _renamings(sizes: Sequence[Sequence[int]]) -> int:
    """Ways to rename sides, the same in all blocks, that keep every block's sizes."""
    return sum(
        all(tuple(row[i] for i in renamed) == tuple(row) for row in sizes)
        for renamed in permutations(range(len(sizes[0])))
    )


def _arrangements(sizes: Sequence[int]) -> Ints:
    """Every arrangement of labels with these sizes, (arrangements, units)."""
    if sum(sizes) == 0:
        return np.zeros((1, 0), np.int64)
    out = []
    for side, size in enumerate(sizes):
        if size:
            left = list(sizes)
            left[side] -= 1
            rest = _arrangements(left)
            out.append(np.column_stack([np.full(len(rest), side), rest]))
    return np.concatenate(out)


@lru_cache(maxsize=16)  # a simulated plan asks for the same ones a thousand times
def _every(labels: tuple[int, ...], block: tuple[int, ...]) -> Ints:
    draw = Draw(np.array(labels, np.int64), np.array(block, np.int64))
    codes = np.unique(draw.block[draw.telling])
    each = [_arrangements(sizes) for sizes in draw.sizes]
    visited = np.tile(draw.labels, (draw.labelings, 1))
    chosen = np.indices([len(a) for a in each]).reshape(len(each), -1)
    for code, arrangements, which in zip(codes, each, chosen, strict=True):
        visited[:, draw.block == code] = arrangements[which]
    visited.flags.writeable = False
    return visited


def permutation_test(
    statistic: Callable[[Ints], Floats],
    draw: Draw,
    rng: np.random.Generator,
    *,
    two_sided: bool,
    renaming: Renaming,
    most: int = MOST_EXACT,
) -> Attribution:
    """p of the labels as they fell among all that the draw could have given.

    `statistic` takes labels (labelings, units) and gives (labelings,). Two-sided compares absolute
    values. Values that differ by rounding only count as equal. `renaming` says what leaves the
    statistic, or its absolute value, as it is, and only enters the least p.
    """
    if not draw.sizes:
        return Attribution(0.0, 1.0, 1.0, 1, True)
    visited, exact = draw.relabeled(rng, most)
    observed = float(statistic(draw.labels[None, :])[0])
    values, bar = statistic(visited), observed
    if two_sided:
        values, bar = np.abs(values), abs(observed)
    reached = int(np.count_nonzero(values >= bar - 1e-9 * max(1.0, abs(bar))))
    p = reached / len(visited) if exact else (1 + reached) / (1 + len(visited))
    least = 1 / draw.distinct(renaming)
    if not exact:
        least = max(least, 1 / (1 + len(visited)))
    return Attribution(observed, p, least, draw.distinct(renaming), exact)
