"""Whole sets in order: the closure by hand, sandwich variances against statsmodels, and simulation
with a known truth for wrong orders and for the intervals' cover."""

import math
from itertools import combinations

import numpy as np
import pytest
import statsmodels.api as sm

from panel.analysis.attribution import permutation
from panel.analysis.attribution.permutation import PairTable
from panel.analysis.preference import ranking, worths
from panel.errors import BadInput


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(77)


def votes(rng, worth, takes=4, spread=0.0, listeners=12, each=33, taste=0.0, ties=False):
    """Votes on a round robin. `worth` (conditions,): log worths; `spread`: SD of a take's own;
    `taste`: SD of a listener's own liking of each condition."""
    labels = np.repeat(np.arange(len(worth)), takes)
    place = np.asarray(worth, float)[labels] + rng.normal(0, spread, labels.size)
    pairs = np.array(list(combinations(range(labels.size), 2)))
    listener = np.repeat(np.arange(listeners), each)
    drawn = np.concatenate([rng.permutation(len(pairs)) for _ in range(1 + listener.size)])
    first, second = pairs[drawn[: listener.size]].T
    own = rng.normal(0, taste, (listeners, len(worth))) if taste else np.zeros((listeners, 3))
    lead = place[second] - place[first]
    if taste:
        lead = lead + own[listener, labels[second]] - own[listener, labels[first]]
    value = (rng.random(listener.size) < 1 / (1 + np.exp(-lead))).astype(float)
    if ties:
        value[rng.random(listener.size) < 0.2] = 0.5
    one = np.where(rng.random(listener.size) < 0.5, first, second)
    return first, second, value, one, listener, labels


def test_partitions_number_as_bell_says():
    """Bell numbers 1, 2, 5, 15, 52, 203."""
    assert [len(list(ranking.partitions(range(n)))) for n in range(1, 7)] == [1, 2, 5, 15, 52, 203]


def test_three_conditions_take_the_larger_of_pair_and_whole():
    """Closed testing of three: a pair is rejected when it and the whole set are (protected)."""
    p = {
        frozenset({0, 1}): 0.03, frozenset({0, 2}): 0.2, frozenset({1, 2}): 0.001,
        frozenset({0, 1, 2}): 0.02,
    }  # fmt: skip
    out = ranking.adjusted(p, 3)
    assert out == {frozenset({0, 1}): 0.03, frozenset({0, 2}): 0.2, frozenset({1, 2}): 0.02}


def test_four_conditions_count_two_pairs_twice():
    sets = [frozenset(s) for n in (2, 3, 4) for s in combinations(range(4), n)]
    p = dict.fromkeys(sets, 0.001) | {frozenset({0, 1}): 0.02, frozenset({2, 3}): 0.03}
    out = ranking.adjusted(p, 4)
    # {01}{23} both alike: 2 × 0.02; then {01} alone 0.02, {23} alone 0.03.
    assert out[frozenset({0, 1})] == out[frozenset({2, 3})] == pytest.approx(0.04)
    assert out[frozenset({0, 2})] == pytest.approx(0.002)  # {02}{13}


def test_least_p():
    assert ranking.least_p([4, 4]) == pytest.approx(1 / 35)
    assert ranking.least_p([4, 4, 4]) == pytest.approx(1 / 35)
    assert ranking.least_p([3, 3, 3]) == pytest.approx(1 / 10)
    assert ranking.least_p([4, 4, 4, 4]) == pytest.approx(2 / 35)
    assert ranking.least_p([5, 5, 5, 5]) == pytest.approx(2 / 126)


def test_scores_are_those_of_the_attribution(rng):
    first, second, value, one, listener, labels = votes(rng, [0, 0.5, 1], ties=True)
    found = ranking.rank(first, second, value, one, listener, labels, rng)
    table = PairTable.count(first, second, [0] * first.size, value, labels.size)
    scores = permutation.take_scores(table)
    assert found.scores == pytest.approx([scores[labels == c].mean() for c in range(3)])
    assert found.tie is not None


def test_influence_gives_the_clustered_variance_of_a_general_library(rng):
    """statsmodels' cluster-robust logit, no small-sample factor, on the same +1/−1 columns."""
    first, second, value, _, listener, labels = votes(rng, [0, 0.4, 0.9], takes=2, each=20)
    n = labels.size
    columns = np.zeros((first.size, n))
    rows = np.arange(first.size)
    columns[rows, second] += 1
    columns[rows, first] -= 1
    theirs = sm.Logit(value, columns[:, :-1]).fit(
        disp=0,
        tol=1e-12,
        cov_type="cluster",
        cov_kwds={"groups": listener, "use_correction": False},
    )
    ours = worths.fit(first, second, np.where(value == 1, 1, 0), n, cluster=listener)
    moved = ours.influence[:, 0] - ours.influence[:, 1]
    weights = np.zeros(n - 1)
    weights[0], weights[1] = 1, -1
    assert np.sum(moved**2) == pytest.approx(weights @ theirs.cov_params() @ weights, rel=1e-6)
    assert ours.difference(0, 1)[0] == pytest.approx(theirs.params[0] - theirs.params[1], abs=1e-6)


def test_a_clear_order_is_found_and_its_signs_are_right(rng):
    data = votes(rng, [0.0, 3.0, 1.5], listeners=20, each=66, spread=0.1)
    found = ranking.rank(*data, rng)
    assert found.order == (1, 2, 0)
    assert all(p.apart for p in found.pairs)
    assert all(p.difference > 0 and p.log_worth > 0 for p in found.pairs)
    assert found.groups == ((1,), (2,), (0,))
    assert found.log_worths[1] - found.log_worths[0] == pytest.approx(3.0, abs=0.5)


def test_overlapping_groups():
    def pair(a, b, apart):
        return ranking.PairOrder(a, b, 0.1, None, None, None, 0.01, 0.01, apart)

    made = ranking.Ranking(
        (2, 0, 1), np.zeros(3), None, None, None, 0.01, 0.01,
        (pair(2, 0, False), pair(2, 1, True), pair(0, 1, False)),
    )  # fmt: skip
    assert made.groups == ((2, 0), (0, 1))


def test_wrong_orders_are_rare_whatever_the_takes_and_tastes(rng):
    """Nothing differs, or one condition only: takes spread by 1 in log worth, listeners' tastes by
    0.5. Any pair of equals told apart counts as wrong."""
    for worth, equal in (([0, 0, 0], {0, 1, 2}), ([2.5, 0, 0], {1, 2})):
        runs, wrong = 60, 0
        for _ in range(runs):
            found = ranking.rank(*votes(rng, worth, spread=1.0, taste=0.5), rng)
            wrong += any(p.apart and {p.higher, p.lower} <= equal for p in found.pairs)
        assert wrong / runs <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / runs)


def test_intervals_cover_together(rng):
    """Truth: the conditions' worths, of which takes and listeners are draws."""
    worth, runs, covered = np.array([0.0, 0.6, 1.2]), 80, 0
    for _ in range(runs):
        found = ranking.rank(*votes(rng, worth, spread=0.4, taste=0.4), rng)
        covered += all(
            p.log_worth_interval[0] <= worth[p.higher] - worth[p.lower] <= p.log_worth_interval[1]
            for p in found.pairs
        )
    assert covered / runs >= 0.95 - 3 * math.sqrt(0.05 * 0.95 / runs)


def test_one_listener_or_one_take_gives_no_interval_and_no_claim(rng):
    data = votes(rng, [0, 3], listeners=1, each=200)
    found = ranking.rank(*data, rng)
    assert found.pairs[0].interval is None
    assert not found.pairs[0].apart
    single = ranking.rank(*votes(rng, [0, 3, 5], takes=1, listeners=9), rng)
    assert all(p.interval is None and p.p_adjusted == 1 and not p.apart for p in single.pairs)


def test_an_endless_winner_has_scores_but_no_worths(rng):
    labels = np.array([0, 0, 1, 1])
    pairs = np.array([(a, b) for a in (0, 1) for b in (2, 3)] * 6)
    found = ranking.rank(
        pairs[:, 0], pairs[:, 1], np.ones(24), pairs[:, 0], np.arange(24) % 4, labels, rng
    )
    assert found.log_worths is None
    assert found.scores.tolist() == [0, 1]


@pytest.mark.parametrize("conditions", [1, 7])
def test_too_few_or_too_many_conditions_are_refused(rng, conditions):
    none = np.zeros(0, np.int64)
    with pytest.raises(BadInput, match="cannot be put in order"):
        ranking.rank(none, none, none * 1.0, none, none, np.arange(conditions), rng)


def test_intervals_of_the_scores_hold_together(rng):
    """Known truth: each condition's expected share of wins, from 120 studies of other takes."""

    def study(rng):
        return votes(rng, (0.0, 0.4, 0.8), spread=0.3, taste=0.2)

    truth = np.mean([ranking_scores(*study(rng)) for _ in range(120)], axis=0)
    runs, together = 60, 0
    for _ in range(runs):
        first, second, value, one, listener, labels = study(rng)
        found = ranking.rank(first, second, value, one, listener, labels, rng)
        together += all(
            low <= true <= high
            for (low, high), true in zip(found.score_intervals, truth, strict=True)
        )
    assert together / runs >= 0.95 - 3 * math.sqrt(0.05 * 0.95 / runs)


def ranking_scores(first, second, value, one, listener, labels):
    """Mean over takes of the share of wins, counted plainly."""
    wins, n = np.zeros(labels.size), np.zeros(labels.size)
    for a, b, v in zip(first, second, value, strict=True):
        wins[b] += v
        wins[a] += 1 - v
        n[[a, b]] += 1
    return [float(np.mean((wins / n)[labels == c])) for c in range(3)]
