"""Counts and limits by excerpt in the verdict, held against the table and the exact binomial."""

import numpy as np
import pytest
from laid_out import conclude
from scipy.stats import beta
from vote_records import as_tables


def audible_on_one(made, excerpts=4, listeners=20, **more):
    """One vote of each listener on each excerpt; all right on the first, on the others a coin."""
    asked = made.contrast("q1", "abx", (4, 4), votes=excerpts)
    document = made.plan(asked, made.check(), listeners=listeners, excerpts=excerpts, **more)
    ballot = made.Ballot(document, np.random.default_rng(4))
    across, _ = made.pairs_of(asked)
    planted = made.check()
    for who in range(listeners):
        for place in range(excerpts):
            right = place == 0 or (who + place) % 2 == 0
            pair = across[(who + place) % len(across)]
            ballot.cast(f"L{who:02d}", asked, pair, f"e{place}", right)
        for _ in range(4):
            ballot.cast(f"L{who:02d}", planted, made.pairs_of(planted)[0][0], "e0", True)
    return conclude(document, *as_tables(ballot.votes, ballot.rows()))["contrasts"][0]


def test_each_excerpt_has_its_counts_and_limits_that_hold_together(made):
    told = audible_on_one(made)["numbers"]["by_excerpt"]
    assert [(e["excerpt"], e["count"], e["votes"], e["listeners"]) for e in told] == [
        ("e0", 20, 20, 20), ("e1", 10, 20, 20), ("e2", 10, 20, 20), ("e3", 10, 20, 20),
    ]  # fmt: skip
    # With one vote a listener the limit is Clopper and Pearson's (1934, Biometrika 26, 404–413),
    # here at 1 − 0.05/4; and 2 × (share right − 1/2) is the share who hear.
    level = 1 - 0.05 / 4
    assert told[1]["share_upper"] == pytest.approx(2 * beta.ppf(level, 11, 10) - 1, abs=1e-5)
    assert told[0]["share_lower"] == pytest.approx(2 * beta.ppf(1 - level, 20, 1) - 1, abs=1e-5)


def test_a_plan_that_may_be_looked_at_tells_counts_alone(made):
    told = audible_on_one(made, kind="anytime")["numbers"]["by_excerpt"]
    assert [e["count"] for e in told] == [20, 10, 10, 10]
    assert not any("share_upper" in e for e in told)


def test_one_excerpt_is_no_table(made):
    assert "by_excerpt" not in audible_on_one(made, excerpts=1)["numbers"]


def test_not_heard_says_that_it_is_an_average(made):
    asked = made.contrast("q1", "abx", (4, 4), votes=16)
    document = made.plan(asked, made.control_of(asked), made.check(), listeners=40)
    votes, rows = made.simulate(document, np.random.default_rng(2), effect=0.0)
    found = conclude(document, *as_tables(votes, rows))["contrasts"][0]
    assert found["verdict"] == "not_heard"
    assert "on average over these 2 excerpts, not for each of them" in found["sentence"]
