"""The permutation of labels against brute force, closed forms, and SCIENCE's smallest p values."""

import math
from itertools import combinations, permutations

import numpy as np
import pytest

from panel.analysis.attribution import permutation
from panel.analysis.attribution.permutation import PairTable
from panel.analysis.counts.holm import holm


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(4)


def round_robin(rng, takes, n=6, excerpts=2, share=lambda a, b: 0.6):
    rows = [
        (a, b, e, rng.random() < share(a, b))
        for a, b in combinations(range(takes), 2)
        for e in range(excerpts)
        for _ in range(n)
    ]
    first, second, excerpt, right = zip(*rows, strict=True)
    return PairTable.count(first, second, excerpt, right, takes), rows


@pytest.mark.parametrize(
    ("sizes", "distinct"),
    [
        ((4, 4), 35), ((5, 5), 126), ((2, 2), 3), ((3, 3), 10), ((1, 1), 1), ((4, 5), 126),
        ((1, 4), 5), ((3, 3, 3), 280), ((2, 2, 2), 15),
    ],
)  # fmt: skip
def test_least_p_is_one_over_the_labelings(rng, sizes, distinct):
    """SCIENCE §4: 1/35 with four takes a side, 1/126 with five, 1/3 and 1/10 with two and three."""
    takes = sum(sizes)
    labels = np.repeat(np.arange(len(sizes)), sizes)
    table, _ = round_robin(
        rng, takes, share=lambda a, b: 1.0 if labels[a] != labels[b] else 0.0, excerpts=1
    )
    found = permutation.undirected(table, labels, rng)
    assert found.exact
    assert found.labelings == distinct
    assert found.least_p == pytest.approx(1 / distinct)
    if min(sizes) > 1:  # the greatest excess there can be reaches the least p
        assert found.p == pytest.approx(1 / distinct)
    seen, exact, _ = permutation.labelings_of(labels, rng, interchangeable=True)
    assert exact
    partitions = {
        frozenset(frozenset(np.flatnonzero(row == c).tolist()) for c in range(len(sizes)))
        for row in seen
    }
    assert len(partitions) == distinct


def test_undirected_equals_brute_force(rng):
    labels = np.array([0, 0, 0, 1, 1, 1, 1])
    for _ in range(5):
        table, rows = round_robin(rng, 7, n=3, excerpts=1)

        def statistic(side, rows=rows):
            across = [r for a, b, _, r in rows if side[a] != side[b]]
            within = [r for a, b, _, r in rows if side[a] == side[b]]
            return np.mean(across) - np.mean(within)

        values = [
            statistic([0 if t in zeros else 1 for t in range(7)])
            for zeros in combinations(range(7), 3)
        ]
        observed = statistic(labels)
        found = permutation.undirected(table, labels, rng)
        assert found.statistic == pytest.approx(observed)
        assert found.p == pytest.approx(np.mean([v >= observed - 1e-12 for v in values]))


def test_an_easier_excerpt_heard_more_across_does_not_count_as_an_excess(rng):
    """All votes on excerpt 1 are right, on excerpt 0 half; across pairs hear excerpt 1 oftener."""
    labels = np.repeat([0, 1], 4)
    rows = []
    for a, b in combinations(range(8), 2):
        across = labels[a] != labels[b]
        rows += [(a, b, 1, True)] * (8 if across else 2)
        rows += [(a, b, 0, k % 2 == 0) for k in range(4)]
    table = PairTable.count(*zip(*rows, strict=True), 8)
    found = permutation.undirected(table, labels, rng)
    assert found.statistic == pytest.approx(0.0, abs=1e-12)
    assert found.p == 1.0


def test_directed_equals_brute_force_and_is_two_sided(rng):
    labels = np.array([0, 0, 0, 0, 1, 1, 1])
    scores = rng.random(7)
    values = [
        scores[list(ones)].mean() - np.delete(scores, list(ones)).mean()
        for ones in combinations(range(7), 3)
    ]
    observed = scores[4:].mean() - scores[:4].mean()
    found = permutation.directed(scores, labels, rng)
    assert found.statistic == pytest.approx(observed)
    assert found.p == pytest.approx(np.mean(np.abs(values) >= abs(observed) - 1e-12))
    turned = permutation.directed(1 - scores, labels, rng)
    assert (turned.statistic, turned.p) == (pytest.approx(-observed), pytest.approx(found.p))


def test_take_scores_by_hand():
    # Take 2 beats 0 twice and loses to 1 once; 0 beats 1 once.
    table = PairTable.count([0, 0, 1, 0], [2, 2, 2, 1], [0] * 4, [True, True, False, False], 4)
    assert permutation.take_scores(table) == pytest.approx([1 / 3, 1 / 2, 2 / 3, 1 / 2])


@pytest.mark.parametrize("kind", ["undirected", "directed"])
def test_trends_equal_brute_force(rng, kind):
    labels, doses = np.array([0, 0, 1, 1, 2]), [0.0, 1.0, 3.0]
    table, rows = round_robin(rng, 5, n=4, excerpts=1)
    scores = rng.random(5)

    def statistic(side):
        if kind == "directed":
            return np.polyfit([doses[s] for s in side], scores, 1)[0]
        x = [abs(doses[side[a]] - doses[side[b]]) for a, b in combinations(range(5), 2)]
        y = [
            np.mean([r for c, d, _, r in rows if (c, d) == pair])
            for pair in combinations(range(5), 2)
        ]
        return np.corrcoef(x, y)[0, 1]

    # Every arrangement of the labels, repeats and all: the same law.
    values = np.array([statistic(side) for side in permutations(labels.tolist())])
    observed = statistic(labels)
    if kind == "directed":
        found = permutation.trend_directed(scores, labels, doses, rng)
        values, bar = np.abs(values), abs(observed)
    else:
        found = permutation.trend_undirected(table, labels, doses, rng)
        bar = observed
    assert found.exact
    assert found.labelings == 30  # 5! / (2! 2! 1!)
    assert found.statistic == pytest.approx(observed)
    assert found.p == pytest.approx(np.mean(values >= bar - 1e-9))


def test_monte_carlo_is_used_beyond_the_limit_and_agrees_with_enumeration(rng):
    labels = np.repeat([0, 1], 5)
    scores = rng.random(10) + 0.25 * labels

    def difference(visited):
        return np.array([scores[v == 1].mean() - scores[v == 0].mean() for v in visited])

    exact = permutation.permutation_test(
        difference, labels, rng, two_sided=True, interchangeable=True
    )
    drawn = permutation.permutation_test(
        difference, labels, rng, two_sided=True, interchangeable=True, most=100
    )
    assert exact.exact
    assert not drawn.exact
    assert drawn.least_p == pytest.approx(1 / 101)
    big = permutation.labelings_of(np.repeat([0, 1, 2, 3], 4), rng, interchangeable=False)
    assert not big[1]
    assert big[2] == math.factorial(16) // math.factorial(4) ** 4
    assert drawn.p == pytest.approx(exact.p, abs=0.15)


def test_p_is_uniform_enough_under_exchangeable_takes(rng):
    """P(p <= k/35) <= k/35 whatever the spread of takes: four a side, takes spread widely."""
    labels, ps = np.repeat([0, 1], 4), []
    for _ in range(400):
        place = rng.normal(0, 1.0, 8)
        table, _ = round_robin(
            rng, 8, n=2, share=lambda a, b, x=place: 0.5 + 0.45 * math.tanh(abs(x[a] - x[b]))
        )
        ps.append(permutation.undirected(table, labels, rng).p)
    for level in (1 / 35, 0.1, 0.3, 0.5):
        slack = 3 * math.sqrt(level * (1 - level) / len(ps))
        assert np.mean(np.array(ps) <= level + 1e-9) <= level + slack


def test_degenerate_labels_attribute_nothing(rng):
    table, _ = round_robin(rng, 3)
    found = permutation.undirected(table, np.zeros(3, int), rng)
    assert (found.p, found.least_p) == (1.0, 1.0)


def test_holm_agrees_with_an_independent_library(rng):
    from statsmodels.stats.multitest import multipletests

    for count in (1, 2, 3, 7):
        p = rng.random(count) ** 3
        assert holm(p.tolist()) == pytest.approx(multipletests(p, method="holm")[1].tolist())
    assert holm([]) == []
