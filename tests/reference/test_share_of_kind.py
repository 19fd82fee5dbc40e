"""Limits for the kind: the formula by hand, a reference t interval, and cover by simulation."""

import math

import numpy as np
import pytest
from scipy import stats

from panel.analysis.attribution import share_of_kind
from panel.analysis.counts import shares


def round_robin(rng, listeners, side, place, votes=1):
    """Every pair across two kinds, `votes` by each listener; the chance of right is
    0.5 + 0.1·(place + place), within [0.5, 1]."""
    a = np.repeat(np.arange(side), side)
    b = side + np.tile(np.arange(side), side)
    p = np.clip(0.6 + 0.1 * (place[a] + place[b]), 0, 1)
    first, second = (np.tile(x, listeners * votes) for x in (a, b))
    listener = np.repeat(np.arange(listeners), a.size * votes)
    y = (rng.random(first.size) < np.tile(p, listeners * votes)).astype(float)
    return y, listener, first, second, np.repeat([0, 1], side)


def test_equals_the_formula_by_hand():
    rng = np.random.default_rng(41)
    y, who, first, second, sides = round_robin(rng, 6, 3, rng.normal(0, 1, 6))
    use = rng.random(y.size) < 0.8  # unequal numbers of votes
    y, who, first, second = y[use], who[use], first[use], second[use]
    found = share_of_kind.limits(y, who, first, second, sides, 0.9)

    def mean(keep):
        return np.mean([y[keep & (who == i)].mean() for i in range(6)])

    every = np.ones(y.size, bool)
    own = [y[who == i].mean() for i in range(6)]
    of_specimens = 0.0
    for side in ([0, 1, 2], [3, 4, 5]):
        left = [mean((first != s) & (second != s)) for s in side]
        of_specimens += 2 / 3 * sum((m - np.mean(left)) ** 2 for m in left)
    of_listeners = np.var(own, ddof=1) / 6
    total = of_listeners + of_specimens
    freedom = total**2 / (of_listeners**2 / 5 + of_specimens**2 / 2)
    reach = stats.t.ppf(0.9, freedom) * math.sqrt(total)
    assert found.mean == pytest.approx(mean(every))
    assert found.variance_listeners == pytest.approx(of_listeners)
    assert found.variance_specimens == pytest.approx(of_specimens)
    assert found.freedom == pytest.approx(freedom)
    assert found.low == pytest.approx(min(mean(every) - reach, shares.mean_lower(own, 0.9)))
    assert found.high == pytest.approx(max(mean(every) + reach, shares.mean_upper(own, 0.9)))


def test_of_specimens_alone_it_is_welchs_interval_of_two_samples():
    """Each specimen adds its own amount, everybody hears alike: V is s²/k of either side."""
    place = np.array([0.1, 0.05, -0.08, 0.02, 0.12, -0.03, 0.0, 0.07])
    a, b = np.repeat(np.arange(4), 4), 4 + np.tile(np.arange(4), 4)
    y = 0.7 + place[a] + place[b]
    who = np.repeat(np.arange(3), 16)
    found = share_of_kind.limits(
        np.tile(y, 3), who, np.tile(a, 3), np.tile(b, 3), np.repeat([0, 1], 4)
    )
    assert found.variance_listeners == pytest.approx(0.0, abs=1e-20)
    welch = stats.ttest_ind(place[4:], -place[:4], equal_var=False)
    standard_error = (place[4:].mean() + place[:4].mean()) / welch.statistic
    assert found.variance_specimens == pytest.approx(standard_error**2)
    assert found.freedom == pytest.approx(3)


@pytest.mark.parametrize("spread", [0.0, 1.0])
def test_it_covers_the_kind_where_the_listeners_limits_do_not(spread):
    rng, runs = np.random.default_rng(42), 300
    missed = np.zeros((runs, 2))
    for run in range(runs):
        place = rng.normal(0, spread, 10) if spread else np.zeros(10)
        found = share_of_kind.limits(*round_robin(rng, 50, 5, np.clip(place, -2, 2)))
        truth = 0.6  # the mean over kinds: places are spread evenly about 0
        missed[run] = found.high < truth, found.high_played < truth
        assert found.low <= found.low_played < found.high_played <= found.high
    kind, played = missed.mean(axis=0)
    assert kind <= 0.06 + 3 * math.sqrt(0.06 * 0.94 / runs)
    assert (played > 0.15) == bool(spread)


def test_more_listeners_do_not_narrow_it_and_more_specimens_do():
    rng = np.random.default_rng(43)

    def width(listeners, side):
        found = [
            share_of_kind.limits(*round_robin(rng, listeners, side, rng.normal(0, 0.7, 2 * side)))
            for _ in range(40)
        ]
        return np.median([f.high - f.low for f in found])

    few, crowd, many = width(40, 4), width(160, 4), width(40, 8)
    assert crowd > 0.75 * few
    assert many < 0.75 * few


def test_where_nothing_is_known_of_the_kind():
    one = np.zeros(4, np.int64)
    found = share_of_kind.limits(
        np.array([1.0, 0, 1, 1]),
        np.arange(4),
        one,
        one + np.array([1, 2, 1, 2]),
        np.array([0, 1, 1]),
    )
    assert (found.low, found.high) == (0.0, 1.0)
    assert 0 < found.low_played < found.high_played <= 1
    nothing = share_of_kind.limits(np.zeros(0), one[:0], one[:0], one[:0], np.array([0, 1]))
    assert (nothing.low, nothing.high, nothing.low_played) == (0.0, 1.0, 0.0)
    assert math.isnan(nothing.mean)
    assert nothing.of_hearing(0.5) == (0.0, 1.0)
