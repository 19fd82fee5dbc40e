"""Takes that differ in more than one named factor: each factor tested given the others.

Takes alike in every other factor form a stratum. If the factor asked about does nothing, its levels
are exchangeable among the takes of a stratum, whatever the other factors do: so its labels are
permuted within strata only (restricted permutation; Edgington & Onghena, *Randomization Tests*,
4th ed. 2007, memory), and the p value is exact at any spread of takes. A stratum with one level
tells nothing; where no stratum has two, the factor cannot be told from the others, and no p value
is given.

Undirected: pairs inside a stratum only, share right between levels minus share right within one.
Directed: take scores, compared inside strata; two levels: the difference, two-sided; more: the
spread of the levels' differences, without direction.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations, product

import numpy as np
from numpy.typing import NDArray

from panel.analysis.attribution.permutation import (
    DRAWS,
    MOST_EXACT,
    Attribution,
    PairTable,
    distinct_labelings,
    take_scores,
)
from panel.errors import BadInput

MOST_LEVELS = 6
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Strata:
    """Takes grouped by the other factors.

    `labels` (takes,): levels of the factor asked about, from 0; `stratum` (takes,): codes, from 0;
    `telling` (takes,): whether the take's stratum has two levels or more.
    """

    labels: Ints
    stratum: Ints
    telling: NDArray[np.bool_]

    @property
    def sizes(self) -> tuple[tuple[int, ...], ...]:
        """Takes by level, of each stratum that tells something."""
        levels = int(self.labels.max()) + 1
        return tuple(
            tuple(np.bincount(self.labels[self.stratum == s], minlength=levels).tolist())
            for s in np.unique(self.stratum[self.telling])
        )


@dataclass(frozen=True)
class GivenOthers:
    """What can be said of one factor given the others: the test, or why there is none.

    `strata`: how many tell something; `takes`: how many stand in them.
    """

    factor: str
    attribution: Attribution | None
    strata: int
    takes: int
    why_not: str


def strata_of(levels: Mapping[str, Sequence[int]], factor: str) -> Strata:
    """Strata for `factor`; `levels`: each factor's value by take, all of one length.

    Raises BadInput for an unknown factor or unequal lengths.
    """
    if factor not in levels:
        raise BadInput(f"The takes have no factor “{factor}”.", hint=f"Known: {', '.join(levels)}.")
    if len({len(values) for values in levels.values()}) != 1:
        raise BadInput(
            "The factors are not logged for the same takes.", hint="Log each factor on every take."
        )
    labels = _coded(levels[factor])
    others = [name for name in levels if name != factor]
    rest = (
        list(zip(*(levels[name] for name in others), strict=True))
        if others
        else [()] * len(levels[factor])
    )
    stratum = _coded(rest)
    telling = np.array([np.unique(labels[stratum == s]).size > 1 for s in stratum], bool)
    return Strata(labels, stratum, telling)


def _coded(values: Sequence[object]) -> Ints:
    seen: dict[object, int] = {}
    return np.array([seen.setdefault(v, len(seen)) for v in values], np.int64)


def _within(sizes: Sequence[int]) -> Ints:
    """Every arrangement of labels with these sizes, (arrangements, takes)."""
    if sum(sizes) == 0:
        return np.zeros((1, 0), np.int64)
    out = []
    for level, size in enumerate(sizes):
        if size:
            left = list(sizes)
            left[level] -= 1
            tail = _within(left)
            out.append(np.column_stack([np.full(len(tail), level), tail]))
    return np.concatenate(out)


def relabelings(
    strata: Strata, rng: np.random.Generator, most: int = MOST_EXACT
) -> tuple[Ints, bool]:
    """Labels permuted within strata, (relabelings, takes), and whether they are all there are."""
    codes = np.unique(strata.stratum[strata.telling])
    places = [np.flatnonzero(strata.stratum == s) for s in codes]
    total = math.prod(distinct_labelings(s, interchangeable=False) for s in strata.sizes)
    if total <= most:
        each = [_within(sizes) for sizes in strata.sizes]
        visited = np.tile(strata.labels, (total, 1))
        for row, chosen in enumerate(product(*(range(len(a)) for a in each))):
            for place, arrangements, k in zip(places, each, chosen, strict=True):
                visited[row, place] = arrangements[k]
        return visited, True
    visited = np.tile(strata.labels, (min(DRAWS, most), 1))
    for place in places:
        visited[:, place] = rng.permuted(visited[:, place], axis=1)
    return visited, False


def _swaps(sizes: Sequence[Sequence[int]]) -> int:
    """Ways to rename levels, the same in all strata, that keep every stratum's sizes."""
    levels = len(sizes[0])
    return sum(
        all(tuple(row[i] for i in renamed) == tuple(row) for row in sizes)
        for renamed in permutations(range(levels))
    )


def distinct(strata: Strata, *, directed: bool) -> int:
    """Relabellings that a statistic can tell apart; 1 where the factor cannot be told.

    Undirected, levels may be renamed in each stratum by itself; directed, in all at once.
    """
    if not strata.sizes:
        return 1
    total = math.prod(distinct_labelings(s, interchangeable=False) for s in strata.sizes)
    if directed:
        return total // _swaps(strata.sizes)
    return total // math.prod(_swaps([tuple(n for n in s if n)]) for s in strata.sizes)


def least_p(strata: Strata, *, directed: bool) -> float:
    """The smallest p that these takes can give."""
    if not strata.sizes:
        return 1.0
    total = math.prod(distinct_labelings(s, interchangeable=False) for s in strata.sizes)
    least = 1 / distinct(strata, directed=directed)
    return least if total <= MOST_EXACT else max(least, 1 / (1 + DRAWS))


def permutation_test(
    statistic: Callable[[Ints], Floats],
    strata: Strata,
    rng: np.random.Generator,
    *,
    directed: bool,
    most: int = MOST_EXACT,
) -> Attribution:
    """p of the true labels among those permuted within strata; directed with two levels it is
    two-sided. `statistic` takes labels (relabelings, takes) and gives (relabelings,)."""
    visited, exact = relabelings(strata, rng, most)
    observed = float(statistic(strata.labels[None, :])[0])
    two_sided = directed and int(strata.labels.max()) == 1
    values = statistic(visited)
    bar = abs(observed) if two_sided else observed
    if two_sided:
        values = np.abs(values)
    reached = int(np.count_nonzero(values >= bar - 1e-9 * max(1.0, abs(bar))))
    p = reached / len(visited) if exact else (1 + reached) / (1 + len(visited))
    least = 1 / distinct(strata, directed=directed)
    if not exact:
        least = max(least, 1 / (1 + len(visited)))
    return Attribution(observed, p, least, distinct(strata, directed=directed), exact)


def undirected(
    table: PairTable, levels: Mapping[str, Sequence[int]], factor: str, rng: np.random.Generator
) -> GivenOthers:
    """Share right between levels of `factor` minus within one, inside strata, one-sided.

    `levels`: each factor's value by take. Excerpts and strata are compared with themselves.
    """
    strata = strata_of(levels, factor)
    same = strata.stratum[table.first] == strata.stratum[table.second]
    use = same & strata.telling[table.first]
    first, second, n = table.first[use], table.second[use], table.n[use]
    if n.sum() == 0:
        return _cannot(strata, factor, levels)
    block = _coded(
        list(zip(strata.stratum[first].tolist(), table.excerpt[use].tolist(), strict=True))
    )
    total = np.bincount(block, weights=n)
    right = np.bincount(block, weights=table.right[use])
    excess = table.right[use] - n * (right / np.maximum(total, 1e-300))[block]

    def statistic(visited: Ints) -> Floats:
        between = visited[:, first] != visited[:, second]
        n_between, n_within = between @ n, ~between @ n
        up = np.divide(
            between @ excess, n_between, out=np.zeros_like(n_between), where=n_between > 0
        )
        down = np.divide(
            ~between @ excess, n_within, out=np.zeros_like(n_within), where=n_within > 0
        )
        out: Floats = up - down
        return out

    return _told(permutation_test(statistic, strata, rng, directed=False), strata, factor)


def directed(
    table: PairTable, levels: Mapping[str, Sequence[int]], factor: str, rng: np.random.Generator
) -> GivenOthers:
    """Take scores between levels of `factor` inside strata.

    Two levels: the mean difference (second level seen minus first), two-sided; more: the spread.
    """
    strata = strata_of(levels, factor)
    if not strata.sizes:
        return _cannot(strata, factor, levels)
    if int(strata.labels.max()) >= MOST_LEVELS:
        raise BadInput(
            f"“{factor}” has more than {MOST_LEVELS} levels.", hint="Ask about fewer at once."
        )
    scores = take_scores(table)
    centred = np.zeros_like(scores)
    for s in np.unique(strata.stratum[strata.telling]):
        own = strata.stratum == s
        centred[own] = scores[own] - scores[own].mean()
    count = int(strata.labels.max()) + 1

    def statistic(visited: Ints) -> Floats:
        at = (visited[:, strata.telling, None] == np.arange(count)).astype(float)
        n = at.sum(axis=1)
        means = np.divide(
            np.einsum("rtc,t->rc", at, centred[strata.telling]),
            n,
            out=np.zeros_like(n),
            where=n > 0,
        )
        out: Floats = means[:, 1] - means[:, 0] if count == 2 else np.sum(n * means**2, axis=1)
        return out

    return _told(permutation_test(statistic, strata, rng, directed=True), strata, factor)


def _told(found: Attribution, strata: Strata, factor: str) -> GivenOthers:
    return GivenOthers(factor, found, len(strata.sizes), int(np.count_nonzero(strata.telling)), "")


def _cannot(strata: Strata, factor: str, levels: Mapping[str, Sequence[int]]) -> GivenOthers:
    others = " and ".join(f"“{name}”" for name in levels if name != factor)
    if np.unique(strata.labels).size < 2:
        why = f"All takes are alike in “{factor}”."
    elif not strata.sizes:
        why = (
            f"No two takes differ in “{factor}” while they are alike in {others}, so the two "
            "cannot be told apart. Record such takes."
        )
    else:
        why = (
            f"Nobody has heard two takes that are alike in {others} and differ in “{factor}” or "
            "not, so nothing can be told yet."
        )
    return GivenOthers(factor, None, 0, 0, why)
