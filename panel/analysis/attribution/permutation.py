"""Is it the change, or only the recordings? The labels of the takes, permuted.

A round robin puts every pair of takes equally often, without regard to condition. If the change
does nothing, the takes' condition labels are exchangeable (recorded in mixed order), so the
statistic under the true labels is one draw among those under all relabellings: the p value is
exact at any spread of takes, however audible re-recording is. Mantel 1967, Cancer Research 27,
209–220, is the ancestor of the test on pairs.

Undirected (ABX, triangle): statistic = share right across conditions − share right within,
one-sided; for a dose, the correlation of a pair's share right with its distance in dose. Directed
(attribute, preference): each take's score is its share of wins over all its pairs; statistic =
difference of the conditions' mean scores, two-sided; for a dose, the slope of scores on dose.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

MOST_EXACT = 20_000
DRAWS = 9_999
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Attribution:
    """Outcome of a permutation of labels.

    `least_p`: the smallest p these takes could have given; `labelings`: how many distinct ones
    there are; `exact`: all were visited, otherwise `DRAWS` were drawn.
    """

    statistic: float
    p: float
    least_p: float
    labelings: int
    exact: bool


@dataclass(frozen=True)
class PairTable:
    """Counts by unordered pair of takes and excerpt.

    `first`, `second` (rows,): indices of the pair's takes; `excerpt` (rows,): codes; `n` (rows,):
    votes; `right` (rows,): right answers, or, directed, votes for `second`.
    """

    first: Ints
    second: Ints
    excerpt: Ints
    n: Floats
    right: Floats
    takes: int

    @staticmethod
    def count(
        first: ArrayLike,
        second: ArrayLike,
        excerpt: ArrayLike,
        right: ArrayLike,
        takes: int,
    ) -> "PairTable":
        """Fold single votes (one entry each) into counts."""
        a, b = np.asarray(first, np.int64), np.asarray(second, np.int64)
        e, y = np.asarray(excerpt, np.int64), np.asarray(right, float)
        blocks = int(e.max(initial=0)) + 1
        code = (a * takes + b) * blocks + e
        if takes * takes * blocks <= code.size:  # quicker than sorting
            there = np.bincount(code, minlength=takes * takes * blocks) > 0
            cells, where = np.flatnonzero(there), (np.cumsum(there) - 1)[code]
        else:
            cells, where = np.unique(code, return_inverse=True)
        return PairTable(
            first=cells // blocks // takes,
            second=cells // blocks % takes,
            excerpt=cells % blocks,
            n=np.bincount(where, minlength=cells.size).astype(float),
            right=np.bincount(where, weights=y, minlength=cells.size).astype(float),
            takes=takes,
        )


def distinct_labelings(sizes: Sequence[int], *, interchangeable: bool) -> int:
    """Number of relabellings; with `interchangeable`, conditions of one size may swap names."""
    count = math.factorial(sum(sizes))
    for size in sizes:
        count //= math.factorial(size)
    if interchangeable:
        for size in set(sizes):
            count //= math.factorial(list(sizes).count(size))
    return count


@lru_cache(maxsize=4)  # a simulated plan asks for the same ones a thousand times
def _all_labelings(sizes: tuple[int, ...], *, halve: bool) -> Ints:
    """Every labelling, (labelings, takes), not to be written to; `halve` fixes the first take of
    two equal sides."""
    takes = sum(sizes)

    def fill(condition: int, free: tuple[int, ...], labels: list[int]) -> None:
        if condition == len(sizes) - 1:
            row = labels.copy()
            for take in free:
                row[take] = condition
            out.append(row)
            return
        for chosen in combinations(free, sizes[condition]):
            if halve and condition == 0 and 0 not in chosen:
                continue
            row = labels.copy()
            for take in chosen:
                row[take] = condition
            fill(condition + 1, tuple(t for t in free if t not in chosen), row)

    out: list[list[int]] = []
    fill(0, tuple(range(takes)), [0] * takes)
    every = np.asarray(out, np.int64)
    every.flags.writeable = False
    return every


def labelings_of(
    labels: Ints, rng: np.random.Generator, *, interchangeable: bool, most: int = MOST_EXACT
) -> tuple[Ints, bool, int]:
    """Relabellings to visit, whether they are all there are, and how many are distinct.

    When all are visited the true labelling (up to a swap of names) is among them.
    """
    sizes = tuple(np.bincount(labels).tolist())
    distinct = distinct_labelings(sizes, interchangeable=interchangeable)
    visits = distinct_labelings(sizes, interchangeable=False)
    halve = interchangeable and len(sizes) == 2 and sizes[0] == sizes[1]
    if (visits // 2 if halve else visits) <= most:
        return _all_labelings(sizes, halve=halve), True, distinct
    return rng.permuted(np.tile(labels, (min(DRAWS, most), 1)), axis=1), False, distinct


def permutation_test(
    statistic: Callable[[Ints], Floats],
    labels: Ints,
    rng: np.random.Generator,
    *,
    two_sided: bool,
    interchangeable: bool,
    most: int = MOST_EXACT,
) -> Attribution:
    """p of the true labels among all relabellings.

    `statistic` takes labels (labelings, takes) and gives (labelings,). Two-sided compares
    absolute values. Values that differ by rounding only count as equal.
    """
    if np.bincount(labels).size < 2 or np.any(np.bincount(labels) == 0):
        return Attribution(0.0, 1.0, 1.0, 1, True)
    visited, exact, distinct = labelings_of(labels, rng, interchangeable=interchangeable, most=most)
    observed = float(statistic(labels[None, :])[0])
    values = statistic(visited)
    if two_sided:
        values, bar = np.abs(values), abs(observed)
    else:
        bar = observed
    tolerance = 1e-9 * max(1.0, abs(bar))
    reached = int(np.count_nonzero(values >= bar - tolerance))
    if exact:
        p, least = reached / len(visited), 1 / distinct
    else:
        p = (1 + reached) / (1 + len(visited))
        least = max(1 / distinct, 1 / (1 + len(visited)))
    return Attribution(observed, p, least, distinct, exact)


def _share(right: Floats, n: Floats) -> Floats:
    return np.divide(right, n, out=np.zeros_like(right), where=n > 0)


def _excess(table: PairTable) -> Floats:
    """Right answers beyond what the excerpt's own share right gives; no label enters."""
    n = np.bincount(table.excerpt, weights=table.n).astype(float)
    right = np.bincount(table.excerpt, weights=table.right).astype(float)
    out: Floats = table.right - table.n * _share(right, n)[table.excerpt]
    return out


def undirected(table: PairTable, labels: Ints, rng: np.random.Generator) -> Attribution:
    """Share right across conditions minus within, one-sided, excerpts compared with themselves.

    `labels` (takes,): each take's condition. Zero within-pairs (a single take a side) gives p 1.
    """
    excess = _excess(table)

    def statistic(visited: Ints) -> Floats:
        across = visited[:, table.first] != visited[:, table.second]
        n_across, n_within = across @ table.n, ~across @ table.n
        return _share(across @ excess, n_across) - _share(~across @ excess, n_within)

    return permutation_test(statistic, labels, rng, two_sided=False, interchangeable=True)


def distance_trend(table: PairTable, doses: Sequence[float]) -> Callable[[Ints], Floats]:
    """Correlation over pairs, weighted by votes, of share right with distance in dose.

    `doses` (conditions,): on the declared scale. The function takes labels (labelings, takes).
    """
    dose = np.asarray(doses, float)
    excess, n = _excess(table), table.n
    total = n.sum()
    centred = excess - n * excess.sum() / total if total else excess
    spread = float(np.sum(_share(centred**2, n)))

    def statistic(visited: Ints) -> Floats:
        distance = np.abs(dose[visited[:, table.first]] - dose[visited[:, table.second]])
        mean = distance @ n / total
        away = distance - mean[:, None]
        scale = np.sqrt(away**2 @ n * spread)
        return _share(away @ centred, scale)

    return statistic if total else lambda visited: np.zeros(len(visited))


def trend_undirected(
    table: PairTable, labels: Ints, doses: Sequence[float], rng: np.random.Generator
) -> Attribution:
    """`distance_trend` under all relabellings of the takes, one-sided."""
    return permutation_test(
        distance_trend(table, doses), labels, rng, two_sided=False, interchangeable=False
    )


def take_scores(table: PairTable) -> Floats:
    """Each take's share of wins over all its votes, shape (takes,); 1/2 for a take without any."""

    def per_take(index: Ints, weights: Floats) -> Floats:
        return np.bincount(index, weights=weights, minlength=table.takes).astype(float)

    wins = per_take(table.second, table.right) + per_take(table.first, table.n - table.right)
    n = per_take(table.second, table.n) + per_take(table.first, table.n)
    return np.where(n > 0, _share(wins, n), 0.5)


def _condition_means(visited: Ints, scores: Floats, conditions: int) -> Floats:
    """Mean score of each condition under each labelling, shape (labelings, conditions)."""
    return np.stack(
        [
            (visited == c) @ scores / np.maximum(1, np.count_nonzero(visited == c, axis=1))
            for c in range(conditions)
        ],
        axis=1,
    )


def directed(scores: Floats, labels: Ints, rng: np.random.Generator) -> Attribution:
    """Mean score of the second condition minus the first, two-sided.

    With more than two conditions: the variance of their mean scores (no direction).
    """
    conditions = int(labels.max()) + 1

    def difference(visited: Ints) -> Floats:
        means = _condition_means(visited, scores, 2)
        out: Floats = means[:, 1] - means[:, 0]
        return out

    def spread(visited: Ints) -> Floats:
        out: Floats = np.var(_condition_means(visited, scores, conditions), axis=1)
        return out

    if conditions == 2:
        return permutation_test(difference, labels, rng, two_sided=True, interchangeable=True)
    return permutation_test(spread, labels, rng, two_sided=False, interchangeable=True)


def dose_slope(scores: Floats, doses: ArrayLike) -> Callable[[Ints], Floats]:
    """Slope of take scores on dose (per unit of the declared scale), by labels (labelings,
    takes)."""
    dose = np.asarray(doses, float)

    def slope(visited: Ints) -> Floats:
        x = dose[visited] - dose[visited].mean(axis=1, keepdims=True)
        return _share(x @ (scores - scores.mean()), np.sum(x * x, axis=1))

    return slope


def trend_directed(
    scores: Floats, labels: Ints, doses: Sequence[float], rng: np.random.Generator
) -> Attribution:
    """`dose_slope` under all relabellings of the takes, two-sided."""
    return permutation_test(
        dose_slope(scores, doses), labels, rng, two_sided=True, interchangeable=False
    )
