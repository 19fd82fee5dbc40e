"""A size is told as the typical listener's only where there is such a listener."""

import numpy as np
import pytest
from laid_out import laid_out
from scipy.stats import lognorm, norm
from vote_records import as_tables

from panel.analysis import sizes
from panel.analysis import verdict as verdicts
from panel.analysis.sizes import MEAN_SHARE, TYPICAL, UNLIKE, centre_of
from panel.prose import ENGLISH
from panel.report.page.numbers import number_lines
from panel.study.plan_reading import read_plan


def question(made, votes=24, procedure="abx"):
    return made.plan(made.contrast("q1", procedure, votes=votes), made.check(), listeners=40)


def told(document, votes, rows):
    plan = read_plan(document)
    found = verdicts.conclude(plan, *as_tables(votes, rows))
    entry = laid_out(plan, found)["contrasts"][0]
    said = entry["numbers"]["model_message"]
    return entry["numbers"], dict(
        number_lines(ENGLISH, plan, plan.contrasts[0], found.contrasts[0], said)
    )


@pytest.mark.parametrize("centre", [1.0, 2.5, -2.5])
def test_one_listener_in_ten_beyond_nothing_is_where_the_typical_one_ends(centre):
    edge = abs(centre) / norm.ppf(0.9)
    assert norm.cdf(0, abs(centre), edge) == pytest.approx(0.1)
    assert centre_of(centre, edge * 0.99) == TYPICAL
    assert centre_of(centre, edge * 1.01) == UNLIKE


def test_alike_listeners_near_nothing_are_no_crowd_of_unlike_ones():
    assert centre_of(0.05, 0.3) == TYPICAL


@pytest.mark.parametrize("seed", range(4))
def test_where_half_the_listeners_hear_nothing_no_typical_size_is_told(made, seed):
    document = question(made)
    numbers, lines = told(
        document,
        *made.simulate(
            document, np.random.default_rng(seed), effect=3.0, hears=0.5, listener_spread=0.0
        ),
    )
    assert numbers["dprime_of"] in (UNLIKE, MEAN_SHARE)
    assert "Size d′ of the typical listener" not in lines
    if numbers["dprime_of"] == UNLIKE:
        assert lines["Size d′"].startswith("none for a typical listener")
    assert "at most" in lines["Share who hear it (as if they always did)"]


def test_where_all_hear_alike_the_size_is_the_typical_listeners(made):
    document = question(made)
    drawn = made.simulate(document, np.random.default_rng(3), effect=2.5, listener_spread=0.05)
    numbers, lines = told(document, *drawn)
    assert numbers["dprime_of"] == TYPICAL
    assert "Size d′ of the typical listener" in lines
    low, high = numbers["dprime_interval"]
    assert low < 2.5 < high


def test_of_one_directed_pair_the_size_is_that_of_the_mean_share(made):
    """d′ = √2 Φ⁻¹(share), the closed form of paired comparison (Macmillan & Creelman)."""
    asked = made.contrast("q1", "attribute", (1, 1), votes=16)
    document = made.plan(asked, made.check(), listeners=40)
    numbers, lines = told(document, *made.simulate(document, np.random.default_rng(5), effect=1.0))
    assert numbers["dprime_of"] == MEAN_SHARE
    assert numbers["dprime"] == pytest.approx(
        np.sqrt(2) * norm.ppf(numbers["share_right"]), rel=1e-4
    )
    assert numbers["dprime_interval"] == pytest.approx(
        np.sqrt(2) * norm.ppf(numbers["interval"]), rel=1e-4
    )
    assert "Size d′ that this share right amounts to" in lines


@pytest.mark.parametrize("procedure", ["abx", "attribute"])
@pytest.mark.parametrize("right", [True, False])
def test_votes_that_all_go_one_way_have_no_size(made, procedure, right):
    document = question(made, procedure=procedure)
    ballot = made.Ballot(document, np.random.default_rng(0))
    made.deal(ballot, document["contrasts"][0], made.Share(60 * right, 60), made.Share(30, 60))
    numbers, lines = told(document, ballot.votes, ballot.rows())
    if right or procedure == "attribute":
        assert numbers["dprime"] is numbers["dprime_interval"] is numbers["dprime_of"] is None
        assert "went one way" in numbers["model_message"]
        assert not any(term.startswith("Size") for term in lines)
    else:  # all wrong by ABX is no guessing: answers swapped, and nothing follows from them
        assert numbers["dprime"] is numbers["share_upper"] is None
        assert "fewer answers are right" in numbers["model_message"]


@pytest.mark.parametrize(("mean", "sd"), [(2.0, 0.0), (2.0, 1.0), (0.8, 0.6)])
def test_the_interval_reaches_to_the_median_of_log_normal_sensitivities(mean, sd):
    # Oracle: scipy.stats.lognorm of that mean and standard deviation.
    shape = np.sqrt(np.log1p((sd / mean) ** 2))
    median = mean
    if sd:
        law = lognorm(shape, scale=mean * np.exp(-(shape**2) / 2))
        assert (law.mean(), law.std()) == pytest.approx((mean, sd))
        median = law.median()
    low, high = sizes.with_skew(mean, (mean, mean), sd)
    assert (low, high) == pytest.approx((median, mean))
    assert sizes.with_skew(-mean, (-mean, -mean), sd) == pytest.approx((-mean, -median))
    assert sizes.with_skew(mean, (-0.1, 3.0), sd) == (-0.1, 3.0)
    assert sizes.with_skew(0.0, (-0.5, 0.5), sd) == (-0.5, 0.5)
