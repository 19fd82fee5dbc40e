"""Counts and limits by excerpt: the standards' limits, two ways of correcting, and simulation."""

import math

import numpy as np
import pytest
from scipy.stats import binomtest
from statsmodels.stats.multitest import multipletests

from panel.analysis.counts import by_excerpt as excerpts
from panel.analysis.counts import exact, shares


def votes_of(rng, listeners, each, shares_hearing):
    """`each` votes of every listener on each excerpt; who hears it is always right."""
    count = len(shares_hearing)
    hears = rng.random((listeners, count)) < np.array(shares_hearing)
    p = np.repeat(np.where(hears, 1.0, 0.5)[:, :, None], each, axis=2)
    right = rng.random(p.shape) < p
    listener, excerpt, _ = np.indices(p.shape)
    return right.ravel(), listener.ravel(), excerpt.ravel()


def test_counts_limits_and_corrections_are_those_of_references():
    right, listener, excerpt = votes_of(np.random.default_rng(81), 40, 1, [0.0, 0.3, 0.8])
    found = excerpts.by_excerpt(right, listener, excerpt, 3, 0.5)
    p = []
    for e, one in enumerate(found):
        k = int(right[excerpt == e].sum())
        p.append(binomtest(k, 40, 0.5, alternative="greater").pvalue)
        assert (one.right, one.n, one.listeners) == (k, 40, 40)
        assert one.p == pytest.approx(p[e])
        assert one.estimate == pytest.approx(max(0, 2 * k / 40 - 1))
        # One vote a listener: Clopper and Pearson's.
        assert one.upper == pytest.approx(exact.share_upper(k, 40, 0.5), abs=1e-6)
        high = exact.upper(k, 40, 1 - 0.05 / 3)
        assert one.upper_together == pytest.approx(exact.share(high, 0.5), abs=1e-6)
        low = exact.lower(k, 40, 1 - 0.05 / 3)
        assert one.lower_together == pytest.approx(exact.share(low, 0.5), abs=1e-6)
        assert one.lower_together <= one.lower <= one.upper <= one.upper_together
    assert [f.p_holm for f in found] == pytest.approx(multipletests(p, method="holm")[1].tolist())


def test_several_votes_of_one_listener_do_not_count_as_people():
    right, listener, excerpt = votes_of(np.random.default_rng(82), 12, 10, [0.2])
    (one,) = excerpts.by_excerpt(right, listener, excerpt, 1, 0.5)
    own = [right[listener == w].mean() for w in range(12)]
    assert one.upper == pytest.approx(shares.share_upper(own, 0.5))
    assert one.upper > exact.share_upper(one.right, one.n, 0.5)


def test_audible_on_one_of_eight_is_not_called_unheard_on_each_nor_on_another():
    """A quarter hears it on excerpt 3 only: at a limit of 25 %, "not heard on each" is false."""
    rng, runs = np.random.default_rng(83), 150
    hearing = [0.0] * 8
    hearing[2] = 0.25
    unheard, others = 0, 0
    for _ in range(runs):
        votes = votes_of(rng, 40, 4, hearing)
        found = excerpts.by_excerpt(*votes, 8, 0.5)
        unheard += excerpts.not_heard_on_each(found, 0.25)
        others += bool({*excerpts.heard_on(found, 0.05)} - {2})
        on_average = shares.share_upper(shares.of_listeners(votes[0], votes[1]), 0.5)
        assert on_average < 0.25  # the average hides it
    slack = 3 * math.sqrt(0.05 * 0.95 / runs)
    assert unheard / runs <= 0.05 + slack
    assert others / runs <= 0.05 + slack


def test_the_one_that_is_heard_is_named():
    right, listener, excerpt = votes_of(np.random.default_rng(84), 30, 4, [0.0, 0.9, 0.0])
    found = excerpts.by_excerpt(right, listener, excerpt, 3, 0.5)
    assert excerpts.heard_on(found, 0.05) == (1,)
    only_recordings = excerpts.by_excerpt(
        right, listener, excerpt, 3, 0.5, p_change=[1.0, 0.4, 0.01]
    )
    assert excerpts.heard_on(only_recordings, 0.05) == ()
    assert only_recordings[1].p == 0.4


def test_an_excerpt_nobody_heard_is_bounded_by_nothing():
    found = excerpts.by_excerpt(np.array([True, False]), np.arange(2), np.zeros(2, int), 2, 0.5)
    nobody = found[1]
    assert (nobody.n, nobody.listeners, nobody.estimate) == (0, 0, None)
    assert (nobody.lower, nobody.upper, nobody.p) == (0.0, 1.0, 1.0)
    assert not excerpts.not_heard_on_each(found, 0.99)
    assert not excerpts.not_heard_on_each([], 0.25)
