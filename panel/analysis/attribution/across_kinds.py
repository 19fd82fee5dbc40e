"""Is it the kind? Share right across two kinds, against two different specimens of one kind.

The label belongs to the specimen, and all its takes move with it. If the kind does nothing, the
specimens' labels are exchangeable, so the test is exact at any spread of specimens that both kinds
share. Where one kind scatters more than the other, a pair across is heard more often than the
*mean* pair within, though the kinds' middles are one; it is not heard more often than two of the
kind that scatters more. Hence the statistic: share right across kinds less the **larger** of the
kinds' own shares.

What anybody can read of the same votes is a ladder: one specimen recorded again, two specimens of
each kind, and two kinds.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.analysis.attribution.draw import Draw, permutation_test
from panel.analysis.attribution.permutation import Attribution, PairTable
from panel.errors import BadInput

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
NOBODY_KNOWS = Attribution(statistic=0.0, p=1.0, least_p=1.0, labelings=1, exact=True)


@dataclass(frozen=True)
class Rung:
    """Of `n` votes `right` were right; `share`: over listeners, each counting once, None without
    votes."""

    right: float
    n: int
    share: float | None


@dataclass(frozen=True)
class Ladder:
    """`again`: one specimen, recorded again; `within`: two specimens of one kind, by kind;
    `across`: of two kinds."""

    again: Rung
    within: tuple[Rung, ...]
    across: Rung


def ladder(
    y: Floats, listener: Ints, first: Ints, second: Ints, specimen: Ints, kinds: Ints
) -> Ladder:
    """The rungs, from votes on pairs of takes.

    `y` (votes,): right or not; `listener` (votes,): codes from 0; `first`, `second` (votes,): takes
    of each pair; `specimen` (takes,): whose take it is; `kinds` (specimens,): each one's kind.
    """
    a, b = specimen[first], specimen[second]
    same, one_kind = a == b, kinds[a] == kinds[b]

    def rung(use: NDArray[np.bool_]) -> Rung:
        n = np.bincount(listener[use])
        right = np.bincount(listener[use], weights=y[use].astype(float))
        shares = right[n > 0] / n[n > 0]
        mean = float(shares.mean()) if shares.size else None
        return Rung(float(right.sum()), int(n.sum()), mean)

    of_kind = kinds[a]
    return Ladder(
        again=rung(same),
        within=tuple(
            rung(~same & one_kind & (of_kind == kind)) for kind in range(int(kinds.max()) + 1)
        ),
        across=rung(~one_kind),
    )


def undirected(
    table: PairTable, specimen: Ints, draw: Draw, rng: np.random.Generator
) -> Attribution:
    """Share right across kinds less the larger of the kinds' own shares, one-sided.

    `table`: votes by pair of takes; `specimen` (takes,): whose take it is; `draw`: the kinds of the
    specimens, and what was drawn. Excerpts are compared with themselves. Where order was drawn
    inside sessions, only pairs of one session count, as far as every session has two of one kind;
    otherwise all pairs do. Votes on one specimen recorded again do not enter. p is 1 without votes
    across, or within any one kind. Raises BadInput if `draw` lacks a specimen of the takes.
    """
    if draw.labels.size <= int(specimen.max(initial=-1)):
        raise BadInput(
            f"There are takes of {int(specimen.max()) + 1} specimens, but the draw is of "
            f"{draw.labels.size}.",
            hint="Give every specimen a place in the draw.",
        )
    a, b = specimen[table.first], specimen[table.second]
    use, block = a != b, table.excerpt
    if _by_session(draw):
        use &= (draw.block[a] == draw.block[b]) & draw.telling[a]
        block = block * (int(draw.block.max()) + 1) + draw.block[a]
    a, b, block, n = a[use], b[use], block[use], table.n[use]
    if not n.sum():
        return NOBODY_KNOWS
    total = np.bincount(block, weights=n)
    right = np.bincount(block, weights=table.right[use])
    excess = table.right[use] - n * (right / np.maximum(total, 1e-300))[block]

    def statistic(visited: Ints) -> Floats:
        left, other = visited[:, a], visited[:, b]
        across = left != other
        within = [(left == kind) & (other == kind) for kind in range(draw.sides)]
        larger = np.max([_mean(pairs, excess, n, nothing=-np.inf) for pairs in within], axis=0)
        out: Floats = _mean(across, excess, n) - larger
        return out

    left, other = draw.labels[a], draw.labels[b]
    heard = [n[(left == kind) & (other == kind)].sum() for kind in range(draw.sides)]
    if not n[left != other].sum() or not all(heard):
        return NOBODY_KNOWS
    return permutation_test(statistic, draw, rng, two_sided=False, renaming="alike")


def _by_session(draw: Draw) -> bool:
    return len(draw.sizes) > 1 and all(max(sizes) > 1 for sizes in draw.sizes)


def _mean(pairs: NDArray[np.bool_], excess: Floats, n: Floats, *, nothing: float = 0.0) -> Floats:
    """Excess per vote over the `pairs` (labelings, rows) of each labelling."""
    votes = pairs @ n
    out: Floats = np.divide(
        pairs @ excess, votes, out=np.full_like(votes, nothing), where=votes > 0
    )
    return out
