"""Limits with and without those a rule leaves out, and what rules of checks let through."""

import math

import numpy as np
import pytest
from scipy.stats import binom, norm

from panel.analysis.counts import check_rule, shares, with_and_without
from panel.errors import BadInput
from panel.procedures.curves import CURVES


def test_at_least_is_from_all_and_at_most_the_larger():
    rng = np.random.default_rng(91)
    scores, kept = rng.binomial(10, 0.6, 30) / 10, rng.random(30) < 0.6
    found = with_and_without.limits(scores, kept, 0.5)
    upper = [shares.share_upper(x, 0.5) for x in (scores, scores[kept])]
    assert found.at_least == pytest.approx(shares.share_lower(scores, 0.5))
    assert found.at_most == pytest.approx(max(upper))
    assert [found.upper_all, found.upper_kept] == pytest.approx(upper)
    assert found.lower_kept == pytest.approx(shares.share_lower(scores[kept], 0.5))
    assert found.under(max(upper) + 1e-9)
    assert not found.under((upper[0] + upper[1]) / 2)


def test_nobody_left_bounds_nothing():
    found = with_and_without.limits([0.5, 0.6], [False, False], 0.5)
    assert (found.lower_kept, found.at_most) == (0.0, 1.0)
    assert found.at_least == pytest.approx(shares.share_lower([0.5, 0.6], 0.5))
    assert with_and_without.limits([], [], 0.5).at_most == 1.0
    with pytest.raises(ValueError, match="listeners"):
        with_and_without.limits([0.5], [True, True], 0.5)


def test_hearers_pass_more_often_so_those_who_pass_tell_too_much():
    """A fifth always hears the question and the checks, the others guess at both: 3 of 4."""
    rng, runs = np.random.default_rng(92), 300
    missed = np.zeros((runs, 3))
    for run in range(runs):
        hears = rng.random(60) < 0.2
        p = np.where(hears, 1.0, 0.5)
        found = with_and_without.limits(rng.binomial(12, p) / 12, rng.binomial(4, p) >= 3, 0.5)
        missed[run] = found.at_least > 0.2, found.lower_kept > 0.2, found.at_most < 0.2
    at_least, from_kept, at_most = missed.mean(axis=0)
    slack = 3 * math.sqrt(0.05 * 0.95 / runs)
    assert at_least <= 0.05 + slack
    assert at_most <= 0.05 + slack
    assert from_kept > 0.2


def test_who_did_not_listen_does_not_lower_the_limit():
    """Half of the panel hears it but half of everybody clicks at random, in question and checks."""
    rng, runs = np.random.default_rng(93), 200
    missed = np.zeros((runs, 2))
    for run in range(runs):
        idle = rng.random(40) < 0.5
        p = np.where(~idle & (rng.random(40) < 0.5), 1.0, 0.5)
        checks = np.where(idle, 0.5, CURVES["abx"].probability(4.0))
        found = with_and_without.limits(rng.binomial(12, p) / 12, rng.binomial(8, checks) >= 7, 0.5)
        missed[run] = found.at_most < 0.5, found.upper_all < 0.5
    assert missed[:, 0].mean() <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / runs)
    assert missed[:, 1].mean() > 0.5


def independent(dprime):
    """ABX by independent observations (Macmillan & Creelman, *Detection Theory*; SCIENCE §2)."""
    two, one = norm.cdf(dprime / math.sqrt(2)), norm.cdf(dprime / 2)
    return two * one + (1 - two) * (1 - one)


@pytest.mark.parametrize(
    ("least", "of", "heard", "guessing", "hearing"),
    [
        (7, 8, independent(4.0), 0.035, 0.98),
        (5, 5, independent(5.0), 0.031, 0.97),
        (3, 4, independent(4.0), 0.31, 1.0),
        (7, 8, float(CURVES["abx"].probability(4.0)), 0.035, 0.94),
        (7, 8, float(CURVES["twoafc"].probability(4.0)), 0.035, 1.0),
    ],
)
def test_figures_of_rules(least, of, heard, guessing, hearing):
    """To the digits told in SCIENCE §9, which takes independent observations."""
    found = check_rule.check_rule(least, of, 0.5, heard)
    assert found.guessing == pytest.approx(guessing, abs=0.005 if guessing > 0.1 else 0.0005)
    assert found.guessing == pytest.approx(binom.sf(least - 1, of, 0.5))
    assert found.hearing == pytest.approx(binom.sf(least - 1, of, heard))
    assert found.hearing == pytest.approx(hearing, abs=0.005)
    assert found.parts_them == (guessing < 0.05 and hearing > 0.95)


def test_rules_that_part_are_the_only_ones():
    heard = independent(4.0)
    assert [r.least for r in check_rule.rules_that_part(8, 0.5, heard)] == [7]
    assert check_rule.rules_that_part(4, 0.5, heard) == ()
    assert len(check_rule.rules_that_part(12, 0.5, heard)) > 1
    for least, of in ((0, 4), (5, 4)):
        with pytest.raises(BadInput, match="no rule"):
            check_rule.check_rule(least, of, 0.5, heard)
