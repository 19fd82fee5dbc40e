"""Dose curves: against general libraries where the answer is theirs, and cover by simulation."""

import math
from itertools import combinations

import numpy as np
import pytest
from scipy import integrate, stats

from panel.analysis.attribution.permutation import PairTable
from panel.analysis.dose import curve
from panel.analysis.preference import worths as preference
from panel.errors import BadInput

DOSES = [0.0, 1.0, 2.0, 4.0]


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(8)


def chosen(rng, slope, spread=0.3, taste=0.0, listeners=14, each=36, takes=3):
    labels = np.repeat(np.arange(4), takes)
    dose = np.asarray(DOSES)[labels]
    place = slope * dose + rng.normal(0, spread, labels.size)
    pairs = np.array(list(combinations(range(labels.size), 2)))
    listener = np.repeat(np.arange(listeners), each)
    first, second = pairs[rng.integers(0, len(pairs), listener.size)].T
    turned = rng.random(listener.size) < 0.5
    one, other = np.where(turned, second, first), np.where(turned, first, second)
    own = rng.normal(0, taste, listeners)[listener]
    lead = place[one] - place[other] + own * (dose[one] - dose[other])
    outcome = np.where(rng.random(listener.size) < 1 / (1 + np.exp(-lead)), 0, 1)
    return one, other, outcome, listener, labels


def differencing(d):
    """ABX, the differencing listener (Macmillan & Creelman)."""
    a, b = stats.norm.cdf(d / math.sqrt(2)), stats.norm.cdf(d / math.sqrt(6))
    return 1 - a - b + 2 * a * b


def told_apart(rng, slope, spread=0.3, votes=10, takes=3):
    labels = np.repeat(np.arange(4), takes)
    place = slope * np.asarray(DOSES)[labels] + rng.normal(0, spread, labels.size)
    a, b = np.array(list(combinations(range(labels.size), 2))).T
    n = np.full(a.size, float(votes))
    right = rng.binomial(votes, differencing(np.abs(place[a] - place[b]))).astype(float)
    return PairTable(a, b, np.zeros(a.size, np.int64), n, right, labels.size), labels


def test_votes_that_cancel_out_give_no_band_and_say_so():
    # Every listener met every pair both ways round and chose each position once.
    votes = [
        (one, other, outcome, listener)
        for listener in range(3)
        for pair in combinations(range(4), 2)
        for one, other in (pair, pair[::-1])
        for outcome in (0, 1)
    ]
    labels = np.array([0, 0, 1, 1])
    with pytest.raises(BadInput, match="all alike"):
        curve.directed(*np.array(votes).T, labels, [0.0, 1.0])


def test_slope_is_that_of_scipy_through_the_log_worths(rng):
    one, other, outcome, listener, labels = chosen(rng, 0.5)
    found = curve.directed(one, other, outcome, listener, labels, DOSES)
    worths = preference.fit(one, other, outcome, labels.size, order_effect=True).log_worth
    theirs = stats.linregress(np.asarray(DOSES)[labels], worths)
    assert found.slope == pytest.approx(theirs.slope)
    # At least as wide as the line through the takes alone.
    alone = stats.t.ppf(0.975, labels.size - 2) * theirs.stderr
    assert found.interval[1] - found.slope >= alone * 0.95


def test_directed_band_covers(rng):
    runs, inside = 60, 0
    for _ in range(runs):
        found = curve.directed(*chosen(rng, 0.4, taste=0.2), DOSES)
        truth = 1 / (1 + np.exp(-0.4 * np.asarray(DOSES)))
        _, low, high = found.share(DOSES)
        inside += bool(np.all((low <= truth + 1e-12) & (truth <= high + 1e-12)))
    assert inside / runs >= 0.95 - 3 * math.sqrt(0.05 * 0.95 / runs)


@pytest.mark.parametrize("slope", [0.0, 0.6])
def test_undirected_band_covers(rng, slope):
    runs, inside, top = 16, 0, []
    for _ in range(runs):
        table, labels = told_apart(rng, slope)
        found = curve.undirected(table, labels, DOSES, "abx")
        truth = differencing(slope * np.asarray(DOSES))
        _, low, high = found.share(DOSES)
        inside += bool(np.all((low <= truth + 1e-9) & (truth <= high + 1e-9)))
        top.append(found.slope)
    assert inside / runs >= 0.95 - 3 * math.sqrt(0.05 * 0.95 / runs)
    if slope == 0.6:
        assert np.median(top) == pytest.approx(slope, abs=0.1)


def test_undirected_recovers_shares_without_noise():
    """Expected counts at β = 0.5, τ = 0.4, by adaptive quadrature: the likelihood tops there."""
    labels = np.repeat(np.arange(4), 2)
    a, b = np.array(list(combinations(range(8), 2))).T
    dose = np.asarray(DOSES)[labels]

    def share(x):
        return integrate.quad(
            lambda z: differencing(abs(0.5 * x + math.sqrt(2) * 0.4 * z)) * stats.norm.pdf(z),
            -8,
            8,
            points=[-0.5 * x / (math.sqrt(2) * 0.4)],
        )[0]

    n = np.full(a.size, 1000.0)
    right = n * np.array([share(x) for x in np.abs(dose[a] - dose[b])])
    table = PairTable(a, b, np.zeros(a.size, np.int64), n, right, 8)
    found = curve.undirected(table, labels, DOSES, "abx")
    assert found.slope == pytest.approx(0.5, abs=0.01)


def test_no_curve_where_none_is_warranted(rng):
    one, other, outcome, _, labels = chosen(rng, 0.4)
    with pytest.raises(BadInput, match="One listener"):
        curve.directed(one, other, outcome, np.zeros(one.size, int), labels, DOSES)
    table, labels = told_apart(rng, 0.5)
    with pytest.raises(BadInput, match="too few takes"):
        curve.undirected(table, np.zeros(12, int), DOSES, "abx")
