"""Directed claims over people and units: each of the three tests against a reference, the published
form of min F′, and false claims by simulation where panels are divided."""

import math
from itertools import combinations, product

import numpy as np
import pytest
from scipy import stats
from scipy.special import ndtr

from panel.analysis.attribution import largest_of_three
from panel.analysis.attribution.draw import Draw
from panel.analysis.attribution.permutation import Attribution
from panel.errors import BadInput

FIVE = Draw.complete(np.repeat([0, 1], 5))


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(61)


def voted(rng, liking, spread, draw, each=24, pairs=None):
    """Votes dealt evenly over a round robin; `liking` (listeners,): d′ for the later side."""
    labels = draw.labels
    place = rng.normal(0, 1, labels.size) * np.broadcast_to(spread, 2)[labels]
    pairs = np.array(pairs or list(combinations(range(labels.size), 2)))
    listener = np.repeat(np.arange(len(liking)), each)
    rounds = -(-listener.size // len(pairs))
    dealt = np.concatenate([rng.permutation(len(pairs)) for _ in range(rounds)])[: listener.size]
    first, second = pairs[dealt].T
    lead = liking[listener] * (labels[second] - labels[first]) + place[second] - place[first]
    y = (rng.random(listener.size) < ndtr(lead / math.sqrt(2))).astype(float)
    return y, listener, first, second


def test_min_f_is_that_of_its_published_form():
    """Clark 1973: F₁F₂/(F₁+F₂) on 1 and (F₁+F₂)²/(F₁²/n₂ + F₂²/n₁) degrees of freedom."""
    mean, v1, v2, df1, df2 = 0.11, 0.0009, 0.0021, 19, 6.3
    f1, f2 = mean**2 / v1, mean**2 / v2
    found = largest_of_three.min_f(mean, (v1, df1), (v2, df2))
    assert found.f == pytest.approx(f1 * f2 / (f1 + f2))
    freedom = (f1 + f2) ** 2 / (f1**2 / df2 + f2**2 / df1)
    assert found.freedom == pytest.approx(freedom)
    assert found.p == pytest.approx(stats.f.sf(found.f, 1, freedom))
    assert largest_of_three.min_f(0.0, (v1, df1), (v2, df2)).p == 1.0
    assert largest_of_three.min_f(mean, (0.0, 3), (0.0, 3)).p == 1.0
    assert largest_of_three.min_f(mean, (v1, df1), (math.inf, 0)).p == 1.0
    one_part = largest_of_three.min_f(mean, (v1, df1), (0.0, 3))
    assert one_part.p == pytest.approx(2 * stats.t.sf(mean / math.sqrt(v1), df1))


def test_welch_is_that_of_scipy(rng):
    a, b = rng.normal(0, 1, 5), rng.normal(1, 3, 7)
    variance, freedom = largest_of_three.welch([a, b])
    reference = stats.ttest_ind(a, b, equal_var=False)
    assert (a.mean() - b.mean()) / math.sqrt(variance) == pytest.approx(reference.statistic)
    assert freedom == pytest.approx(reference.df)
    assert largest_of_three.welch([a, b[:1]]) == (math.inf, 0)
    assert largest_of_three.welch([np.ones(3), np.ones(4)]) == (0.0, 5)


@pytest.mark.parametrize("listeners", [2, 5, 11])
def test_sign_flips_equal_enumeration_and_scipy(rng, listeners):
    scores = np.round(rng.normal(0.1, 0.3, listeners), 2)
    found = largest_of_three.sign_flips(scores, rng)
    every = [abs(np.dot(s, scores)) for s in product((-1, 1), repeat=listeners)]
    assert found == pytest.approx(np.mean(np.array(every) >= abs(scores.sum()) - 1e-9))
    reference = stats.permutation_test(
        (scores,), np.sum, permutation_type="samples", n_resamples=np.inf
    )
    assert found == pytest.approx(min(1.0, reference.pvalue), abs=1e-9)


def test_sign_flips_of_many_listeners_are_drawn(rng):
    scores = rng.normal(0.12, 0.3, 30)
    t = stats.ttest_1samp(scores, 0).pvalue
    found = largest_of_three.sign_flips(scores, rng)
    assert found == pytest.approx(t, abs=0.01 + 0.2 * t)
    assert largest_of_three.sign_flips(np.ones(30), rng) == 1 / 10_000
    assert largest_of_three.sign_flips(np.zeros(0), rng) == 1.0


def test_labels_are_permuted_over_scores_in_which_each_listener_has_one_weight(rng):
    y, listener, first, second = voted(rng, rng.normal(0.8, 0.5, 9), 0.6, FIVE, each=20)
    keep = rng.random(y.size) < np.where(listener < 3, 0.4, 1.0)  # unequal numbers of votes
    y, listener, first, second = (x[keep] for x in (y, listener, first, second))
    found = largest_of_three.directed(y, listener, first, second, FIVE, rng)
    weight = 1 / np.bincount(listener)[listener]
    scores = np.array(
        [
            (weight * np.where(second == u, y, 1 - y))[(first == u) | (second == u)].sum()
            / weight[(first == u) | (second == u)].sum()
            for u in range(10)
        ]
    )
    values = [
        abs(scores[list(side)].mean() - np.delete(scores, side).mean())
        for side in combinations(range(10), 5)
    ]
    observed = abs(scores[5:].mean() - scores[:5].mean())
    assert found.p_units == pytest.approx(np.mean(np.array(values) >= observed - 1e-9))
    across = (first < 5) & (second >= 5)
    own = np.array([y[across & (listener == who)].mean() for who in range(9)])
    assert found.mean == pytest.approx(own.mean() - 0.5)
    assert found.p_listeners == pytest.approx(largest_of_three.sign_flips(own - 0.5, rng))
    assert found.listeners == 9
    assert found.least_p == pytest.approx(1 / 126)
    assert found.p == max(found.p_units, found.p_listeners, found.over_both.p)


SESSIONS = Draw.within([0, 0, 0, 1, 1, 1] * 2, np.repeat([0, 1], 6))
PAIRS = Draw.pairs([0, 1] * 6, np.repeat(range(6), 2))


@pytest.mark.parametrize(
    ("draw", "inside"),
    [(FIVE, False), (FIVE, "across"), (SESSIONS, False), (SESSIONS, True), (PAIRS, False),
     (PAIRS, True)],
)  # fmt: skip
def test_the_units_part_is_the_variance_that_units_give_the_mean(rng, draw, inside):
    """Shares that are straight in the places of units, no noise of votes: the part must be, on
    average, the variance of the mean over draws of places, whatever pairs were dealt."""
    pairs = [
        (a, b)
        for a, b in combinations(range(draw.labels.size), 2)
        if inside is False
        or (inside is True and draw.block[a] == draw.block[b])
        or (inside == "across" and draw.labels[a] != draw.labels[b])
    ]
    first, second = np.array(pairs).T
    means, parts = [], []
    for _ in range(1_500):
        place = rng.normal(0, 0.05, draw.labels.size)
        y = 0.5 + place[second] - place[first]
        wins, met = largest_of_three._tables(
            y, np.full(y.size, 1 / y.size), first, second, draw.labels.size
        )
        total = met.sum(axis=1)
        parts.append(largest_of_three._over_units(wins / total, met / total[:, None], draw)[0])
        across = draw.labels[first] != draw.labels[second]
        later = np.where(draw.labels[second] == 1, y, 1 - y)[across]
        means.append(later.mean())
    assert np.mean(parts) == pytest.approx(np.var(means), rel=0.12)


@pytest.mark.parametrize("panel", ["nil", "halved", "normal"])
def test_a_panel_that_leans_no_way_is_not_said_to_lean(rng, panel):
    """Labels alone: 16 to 30 % false with a halved panel; the largest of three 1–5 %."""
    runs, ps, labels = 250, [], []
    for _ in range(runs):
        liking = {
            "nil": np.zeros(16),
            "halved": rng.choice([-1.0, 1.0], 16),
            "normal": rng.normal(0, 1, 16),
        }[panel]
        found = largest_of_three.directed(*voted(rng, liking, 0.1, FIVE), FIVE, rng)
        ps.append(found.p)
        labels.append(found.p_units)
    slack = 3 * math.sqrt(0.05 * 0.95 / runs)
    assert np.mean(np.array(ps) <= 0.05) <= 0.05 + slack
    if panel != "nil":
        assert np.mean(np.array(labels) <= 0.05) > 0.05 + slack


@pytest.mark.parametrize("draw", [FIVE, SESSIONS, PAIRS])
def test_units_that_scatter_are_not_taken_for_the_change(rng, draw):
    runs = 200
    ps = np.array(
        [
            largest_of_three.directed(*voted(rng, np.zeros(16), 0.5, draw), draw, rng).p
            for _ in range(runs)
        ]
    )
    assert np.mean(ps <= 0.05) <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / runs)


def test_power_is_that_of_the_table(rng):
    """20 × 24, five a side, spread .1: all +.7 (sd .3): .97."""
    hits = sum(
        largest_of_three.directed(*voted(rng, rng.normal(0.7, 0.3, 20), 0.1, FIVE), FIVE, rng).p
        <= 0.05
        for _ in range(60)
    )
    assert hits >= 52


DOSES = [0.0, 10.0, 20.0, 50.0]
BY_DOSE = Draw.complete(np.repeat(range(4), 2))


def risen(rng, liking, spread, each=24):
    """Votes on two takes of each of four doses; `liking` (listeners,): d′ from the least dose to
    the greatest."""
    dose = np.array(DOSES)[BY_DOSE.labels] / 50
    place = rng.normal(0, spread, 8)
    pairs = np.array(list(combinations(range(8), 2)))
    listener = np.repeat(np.arange(len(liking)), each)
    rounds = -(-listener.size // len(pairs))
    dealt = np.concatenate([rng.permutation(len(pairs)) for _ in range(rounds)])[: listener.size]
    first, second = pairs[dealt].T
    lead = liking[listener] * (dose[second] - dose[first]) + place[second] - place[first]
    y = (rng.random(listener.size) < ndtr(lead / math.sqrt(2))).astype(float)
    return y, listener, first, second


def test_a_trend_equals_least_squares_and_enumeration(rng):
    y, listener, first, second = risen(rng, rng.normal(1.5, 0.3, 7), 0.3, each=28)
    found = largest_of_three.trend(y, listener, first, second, BY_DOSE, DOSES, rng)
    dose = np.array(DOSES)[BY_DOSE.labels]
    step, slopes = dose[second] - dose[first], []
    for who in range(7):
        own = listener == who
        slopes.append(np.linalg.lstsq(step[own][:, None], y[own] - 0.5, rcond=None)[0][0])
    assert found.mean == pytest.approx(np.mean(slopes))
    # All pairs were dealt alike often: a share of wins, and its slope, as in any regression.
    share = np.array(
        [np.mean(np.where(second == u, y, 1 - y)[(first == u) | (second == u)]) for u in range(8)]
    )
    fit = stats.linregress(dose, share)
    v1, v2 = np.var(slopes, ddof=1) / 7, (fit.stderr * 7 / 8) ** 2
    assert found.over_both.f == pytest.approx(found.mean**2 / (v1 + v2))
    freedom = (v1 + v2) ** 2 / (v1**2 / 6 + v2**2 / 6)
    assert found.over_both.freedom == pytest.approx(freedom)
    visited, exact = BY_DOSE.relabeled(rng)
    assert exact
    assert len(visited) == 2520
    values = [abs(np.polyfit(np.array(DOSES)[v], share, 1)[0]) for v in visited]
    assert found.p_units == pytest.approx(np.mean(np.array(values) >= abs(fit.slope) - 1e-9))


def test_a_slope_of_listeners_is_that_of_units_but_for_its_scale(rng):
    """Straight in the places of units: the part must be the variance of the listeners' slope."""
    means, parts = [], []
    first, second = np.array(list(combinations(range(8), 2))).T
    listener = np.repeat([0, 1], first.size)
    for _ in range(800):
        place = rng.normal(0, 0.05, 8)
        y = np.tile(0.5 + place[second] - place[first], 2)
        pair = np.tile(first, 2), np.tile(second, 2)
        found = largest_of_three.trend(y, listener, *pair, BY_DOSE, DOSES, rng)
        means.append(found.mean)
        parts.append(found.mean**2 / found.over_both.f)  # both listeners are alike: V₁ is 0
    assert np.mean(parts) == pytest.approx(np.var(means), rel=0.12)


@pytest.mark.parametrize("panel", ["nil", "halved"])
def test_a_trend_that_half_of_the_panel_likes_either_way_is_none(rng, panel):
    runs, ps = 150, []
    for _ in range(runs):
        liking = np.zeros(16) if panel == "nil" else rng.choice([-1.5, 1.5], 16)
        ps.append(largest_of_three.trend(*risen(rng, liking, 0.3), BY_DOSE, DOSES, rng).p)
    assert np.mean(np.array(ps) <= 0.05) <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / runs)
    rising = [
        largest_of_three.trend(*risen(rng, rng.normal(2, 0.4, 16), 0.15), BY_DOSE, DOSES, rng).p
        for _ in range(20)
    ]
    assert np.mean(np.array(rising) <= 0.05) > 0.7
    flat = largest_of_three.trend(*risen(rng, np.zeros(4), 0.1), BY_DOSE, [3.0] * 4, rng)
    assert flat.p == 1.0


def test_sides_turned_round_turn_the_mean_only(rng):
    y, listener, first, second = voted(rng, rng.normal(0.7, 0.3, 10), 0.1, FIVE)
    found = largest_of_three.directed(y, listener, first, second, FIVE, rng)
    other = largest_of_three.directed(
        y, listener, first, second, Draw.complete(1 - FIVE.labels), rng
    )
    assert other.mean == pytest.approx(-found.mean)
    assert other.p == pytest.approx(found.p)


def test_units_that_lean_against_the_listeners_are_no_support(rng):
    scores = np.full(6, 0.2) + np.arange(6) / 100
    for statistic, p in ((0.3, 0.01), (-0.3, 1.0)):
        units = Attribution(statistic, 0.01, 0.008, 126, True)
        found = largest_of_three.join(scores, units, (0.001, 8), rng)
        assert found.p_units == p
        assert found.least_p == 0.008


def test_where_nothing_can_be_told(rng):
    y, listener, first, second = voted(rng, np.full(8, 2.0), 0.1, FIVE)
    assert largest_of_three.directed(y, listener * 0, first, second, FIVE, rng).p == 1.0
    within = FIVE.labels[first] == FIVE.labels[second]
    votes = y[within], listener[within], first[within], second[within]
    assert largest_of_three.directed(*votes, FIVE, rng).p == 1.0
    one_a_side = first * 0, second * 0 + 1
    assert largest_of_three.directed(y, listener, *one_a_side, Draw.complete([0, 1]), rng).p == 1.0
    with pytest.raises(BadInput, match="two sides"):
        largest_of_three.directed(y, listener, first, second, Draw.complete([0, 1, 2]), rng)
