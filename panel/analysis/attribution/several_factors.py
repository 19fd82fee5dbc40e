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

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.analysis.attribution.draw import Draw, permutation_test
from panel.analysis.attribution.permutation import Attribution, PairTable, take_scores
from panel.errors import BadInput

MOST_LEVELS = 6
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


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


def strata_of(levels: Mapping[str, Sequence[int]], factor: str) -> Draw:
    """The takes' levels of `factor`, in blocks alike in every other factor.

    `levels`: each factor's value by take, all of one length.
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
    return Draw(labels, stratum)


def _coded(values: Sequence[object]) -> Ints:
    seen: dict[object, int] = {}
    return np.array([seen.setdefault(v, len(seen)) for v in values], np.int64)


def undirected(
    table: PairTable, levels: Mapping[str, Sequence[int]], factor: str, rng: np.random.Generator
) -> GivenOthers:
    """Share right between levels of `factor` minus within one, inside strata, one-sided.

    `levels`: each factor's value by take. Excerpts and strata are compared with themselves.
    """
    strata = strata_of(levels, factor)
    found = undirected_of_draw(table, strata, rng)
    return _cannot(strata, factor, levels) if found is None else _told(found, strata, factor)


def undirected_of_draw(
    table: PairTable, strata: Draw, rng: np.random.Generator
) -> Attribution | None:
    """Share right between sides minus within one, over pairs inside a block of the draw (stratum,
    or session), one-sided; None without votes on such pairs. `strata`: of the takes."""
    same = strata.block[table.first] == strata.block[table.second]
    use = same & strata.telling[table.first]
    first, second, n = table.first[use], table.second[use], table.n[use]
    if n.sum() == 0:
        return None
    block = _coded(
        list(zip(strata.block[first].tolist(), table.excerpt[use].tolist(), strict=True))
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

    return permutation_test(statistic, strata, rng, two_sided=False, renaming="each")


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
    for s in np.unique(strata.block[strata.telling]):
        own = strata.block == s
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

    found = permutation_test(statistic, strata, rng, two_sided=count == 2, renaming="alike")
    return _told(found, strata, factor)


def _told(found: Attribution, strata: Draw, factor: str) -> GivenOthers:
    return GivenOthers(factor, found, len(strata.sizes), int(np.count_nonzero(strata.telling)), "")


def _cannot(strata: Draw, factor: str, levels: Mapping[str, Sequence[int]]) -> GivenOthers:
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
