"""A set of three named conditions goes through the verdict: order, claims, what is held back."""

import numpy as np
import pytest
from laid_out import conclude
from vote_records import as_tables


def study(made, seed, effect, kind="fixed", extra=(), **more):
    asked = made.contrast("q1", "preference", (4, 4, 4), votes=22)
    document = made.plan(asked, made.control_of(asked), *extra, listeners=24, kind=kind, **more)
    votes, rows = made.simulate(document, np.random.default_rng(seed), effect=effect)
    return conclude(document, *as_tables(votes, rows))["contrasts"][0]


def test_a_clear_order_is_told_by_name(made):
    found = study(made, 3, effect=1.5)
    told = found["numbers"]["ranking"]
    assert found["verdict"] == "preferred"
    assert told["order"] == ["third", "treated", "plain"]
    assert [p["apart"] for p in told["pairs"]] == [True, True, True]
    assert "“third” ahead of “treated”" in found["sentence"]
    assert told["least_p"] == pytest.approx(1 / 35, rel=1e-5)


def test_without_a_claim_no_order_is_told(made):
    for seed in range(4):
        found = study(made, seed, effect=0.0)
        if found["verdict"] != "preferred":
            assert not any(p["apart"] for p in found["numbers"]["ranking"]["pairs"])
            assert "No order among them is shown" in found["sentence"]


def test_a_second_question_takes_half_of_alpha(made):
    """Four takes each reach 1/35, which is over 0.025: then no pair can be told apart."""
    other = made.contrast("q2", "preference", (5, 5), votes=10)
    found = study(made, 3, effect=1.5, extra=(other, made.control_of(other)))
    told = found["numbers"]["ranking"]
    assert told["alpha"] == pytest.approx(0.025)
    assert not any(p["apart"] for p in told["pairs"])


def test_an_anytime_plan_tells_no_order(made):
    assert "ranking" not in study(made, 3, effect=1.5, kind="anytime")["numbers"]


def camps(made, seed, want):
    """Three conditions; listener k wants condition k % 3 by `want` logits, and takes are alike."""
    asked = made.contrast("q1", "preference", (4, 4, 4), votes=22)
    document = made.plan(asked, made.control_of(asked), listeners=24)
    rng = np.random.default_rng(seed)
    ballot = made.Ballot(document, rng)
    across, within = made.pairs_of(asked)
    side = {t: i for i, c in enumerate(asked["conditions"]) for t in c["takes"]}
    for who in range(24):
        for k in rng.permutation(len(across) + len(within))[:22]:
            pair = [*across, *within][k]
            gain = want * ((side[pair[1]] == who % 3) * 1.0 - (side[pair[0]] == who % 3))
            ballot.cast(f"L{who:02d}", asked, pair, "e0", rng.random() < 1 / (1 + np.exp(-gain)))
    return conclude(document, *as_tables(ballot.votes, ballot.rows()))["contrasts"][0]


def test_a_panel_in_three_camps_is_called_divided(made):
    found = camps(made, 5, want=3.0)
    assert found["verdict"] == "divided"
    assert found["numbers"]["divided"]["p_holm"] <= 0.05
    assert "blind comparisons across 3 conditions, listeners differ" in found["sentence"]
    assert "some want the one" not in found["sentence"]
    likings = found["numbers"]["ranking"]["listeners"]
    # P(own favourite) by the truth: 3 logits between the one wanted and the others, none between
    # those two, so that E over the three pairs is (2 expit(3) + 1/2) / 3 = 0.80.
    assert likings["own_favourite"] == pytest.approx(0.80, abs=0.08)
    low, high = likings["own_favourite_interval"]
    assert 0.6 < low < likings["own_favourite"] < high < 0.95
    assert any("his or her own favourite" in reason for reason in found["reasons"])


def test_listeners_likings_are_told_of_preference_only(made):
    asked = made.contrast("q1", "attribute", (4, 4, 4), votes=22)
    document = made.plan(asked, listeners=24)
    votes, rows = made.simulate(document, np.random.default_rng(3), effect=0.5)
    told = conclude(document, *as_tables(votes, rows))["contrasts"][0]
    assert told["numbers"]["ranking"]["listeners"] is None
    assert not any("favourite" in reason for reason in told["reasons"])


def test_coins_over_three_conditions_are_not_called_divided(made):
    # Each run has at most alpha, and both tests must speak: four of four by luck have 6 in 10^6.
    assert any(camps(made, seed, want=0.0)["verdict"] == "not_enough" for seed in range(4))
