"""The undirected test for the kind against brute force, and false claims by simulation."""

import math
from itertools import combinations

import numpy as np
import pytest

from panel.analysis.attribution import across_kinds, several_factors
from panel.analysis.attribution.draw import Draw
from panel.analysis.attribution.permutation import PairTable
from panel.errors import BadInput


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(51)


def votes_on(rng, place, n=4, excerpts=1):
    """Every pair of takes, `n` votes on each; right more often the further apart."""
    pairs = np.repeat(list(combinations(range(len(place)), 2)), n * excerpts, axis=0)
    first, second = pairs.T
    apart = np.abs(place[second] - place[first])
    y = rng.random(first.size) < 0.5 + 0.5 * (1 - np.exp(-(apart**2) / 4))
    return first, second, np.arange(first.size) % excerpts, y


def test_equals_brute_force_with_takes_that_move_with_their_specimen(rng):
    """Specimens have one, two or three takes; retakes of one specimen are left out."""
    specimen = np.array([0, 0, 1, 2, 2, 2, 3, 4, 5, 5])
    kinds = np.array([0, 0, 0, 1, 1, 1])
    for _ in range(4):
        first, second, excerpt, y = votes_on(rng, rng.normal(size=10), n=2)
        a, b = specimen[first], specimen[second]

        def statistic(side, a=a, b=b, y=y):
            side = np.array(side)
            shares = [y[(a != b) & (side[a] == k) & (side[b] == k)].mean() for k in (0, 1)]
            return y[side[a] != side[b]].mean() - max(shares)

        values = [
            statistic([int(s in ones) for s in range(6)]) for ones in combinations(range(6), 3)
        ]
        observed = statistic(kinds)
        table = PairTable.count(first, second, excerpt, y, 10)
        found = across_kinds.undirected(table, specimen, Draw.complete(kinds), rng)
        assert found.statistic == pytest.approx(observed)
        assert found.p == pytest.approx(np.mean(np.array(values) >= observed - 1e-9))
        assert (found.labelings, found.exact) == (10, True)


def test_an_easier_excerpt_heard_more_across_is_no_excess(rng):
    kinds, rows = np.repeat([0, 1], 4), []
    for a, b in combinations(range(8), 2):
        rows += [(a, b, 1, True)] * (8 if kinds[a] != kinds[b] else 2)
        rows += [(a, b, 0, k % 2 == 0) for k in range(4)]
    table = PairTable.count(*zip(*rows, strict=True), 8)
    found = across_kinds.undirected(table, np.arange(8), Draw.complete(kinds), rng)
    assert found.statistic == pytest.approx(0.0, abs=1e-12)
    assert found.p == 1.0


@pytest.mark.parametrize("scatter", [(1.0, 1.0), (2.0, 0.5)])
def test_a_kind_that_scatters_more_is_not_taken_for_a_difference(rng, scatter):
    """SCIENCE §9: the larger of the kinds' shares, as the mean of the two fails here."""
    kinds, runs, larger, mean = np.repeat([0, 1], 5), 250, [], []
    for _ in range(runs):
        place = np.r_[rng.normal(0, scatter[0], 5), rng.normal(0, scatter[1], 5)]
        table = PairTable.count(*votes_on(rng, place, n=12), 10)
        draw = Draw.complete(kinds)
        larger.append(across_kinds.undirected(table, np.arange(10), draw, rng).p)
        mean.append(several_factors.undirected_of_draw(table, draw, rng).p)
    slack = 3 * math.sqrt(0.05 * 0.95 / runs)
    assert np.mean(np.array(larger) <= 0.05) <= 0.05 + slack
    if scatter[0] != scatter[1]:
        assert np.mean(np.array(mean) <= 0.05) > 0.05 + slack


def test_it_finds_what_is_there(rng):
    kinds, hits = np.repeat([0, 1], 5), 0
    for _ in range(40):
        place = 2.0 * kinds + rng.normal(0, 0.25, 10)
        table = PairTable.count(*votes_on(rng, place, n=20), 10)
        hits += across_kinds.undirected(table, np.arange(10), Draw.complete(kinds), rng).p <= 0.05
    assert hits > 35


def test_order_drawn_inside_sessions_compares_inside_sessions(rng):
    """Another session is another sound: pairs over sessions say nothing of the kind."""
    kinds, session = np.tile([0, 1], 6), np.repeat([0, 1], 6)
    draw = Draw.within(kinds, session)
    place = 5.0 * session + rng.normal(0, 0.1, 12)
    first, second, excerpt, y = votes_on(rng, place, n=4)
    found = across_kinds.undirected(
        PairTable.count(first, second, excerpt, y, 12), np.arange(12), draw, rng
    )
    inside = session[first] == session[second]
    alone = across_kinds.undirected(
        PairTable.count(first[inside], second[inside], excerpt[inside], y[inside], 12),
        np.arange(12),
        draw,
        rng,
    )
    assert found == alone
    assert found.labelings == 200


def test_the_ladder_adds_up_and_counts_each_listener_once():
    specimen, kinds = np.array([0, 0, 1, 2, 3]), np.array([0, 0, 1, 1])
    #        again, again, kind 0, kind 1, across, across, across
    first = np.array([0, 0, 0, 3, 0, 2, 2])
    second = np.array([1, 1, 2, 4, 3, 3, 4])
    y, who = np.array([1, 0, 1, 0, 1, 1, 0]), np.array([0, 1, 0, 0, 0, 1, 1])
    found = across_kinds.ladder(y, who, first, second, specimen, kinds)
    assert found.again == across_kinds.Rung(1, 2, 0.5)
    assert found.within == (across_kinds.Rung(1, 1, 1.0), across_kinds.Rung(0, 1, 0.0))
    assert found.across == across_kinds.Rung(2, 3, 0.75)
    nobody = across_kinds.ladder(y[:2], who[:2], first[:2], second[:2], specimen, kinds)
    assert nobody.across == across_kinds.Rung(0, 0, None)


def test_without_two_of_a_kind_nothing_is_told(rng):
    first, second, excerpt, y = votes_on(rng, np.array([0.0, 0.0, 5.0]), n=9)
    table = PairTable.count(first, second, excerpt, y, 3)
    assert across_kinds.undirected(table, np.arange(3), Draw.complete([0, 0, 1]), rng).p == 1.0
    with pytest.raises(BadInput, match="draw"):
        across_kinds.undirected(table, np.arange(3), Draw.complete([0, 1]), rng)
