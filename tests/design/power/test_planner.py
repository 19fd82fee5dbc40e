"""What the plan's page says before the lock."""

from __future__ import annotations

import dataclasses

import pytest

from panel.design.plan import build
from panel.design.power.planner import outlook
from panel.design.power.votes import power, share_right

from ..conftest import study


def test_outlook_counts_only_votes_across_conditions():
    found = outlook(build(**study()))
    question = found.contrasts[0]
    assert question.votes == 40 * 16 * 25 // 45
    assert question.alpha == pytest.approx(0.025)  # two questions
    assert dict(question.power)[1.0] == pytest.approx(
        power("abx", question.votes, share_right("abx", dprime=1.0), 0.025)
    )
    assert question.least_p == pytest.approx(1 / 126)
    assert question.attributable
    assert found.trials == 26
    # 16 + 4 ABX of 30 s and 6 attribute trials of 20 s and five minutes of frame.
    assert found.minutes == pytest.approx((20 * 30 + 6 * 20 + 300) / 60)


def test_a_plan_without_check_is_told_what_it_cannot_say():
    wanted = study(planted_least_right=None)
    wanted["contrasts"] = wanted["contrasts"][:2]
    assert any("planted check" in advice for advice in outlook(build(**wanted)).advice)


def test_too_few_listeners_for_not_heard_are_named():
    few = outlook(build(**study(listeners=6))).contrasts[0]
    assert few.limit_listeners > 6
    assert any(
        "not heard" in sentence and "6 are planned" in sentence for sentence in few.sentences
    )
    enough = outlook(build(**study(listeners=few.limit_listeners))).contrasts[0]
    assert not any("it takes" in sentence for sentence in enough.sentences)


def test_a_long_session_is_called_long():
    wanted = study()
    wanted["contrasts"][0] = dataclasses.replace(wanted["contrasts"][0], votes_per_listener=80)
    assert any("ears tire" in advice for advice in outlook(build(**wanted)).advice)


def test_outlook_is_the_same_each_time():
    plan = build(**study())
    assert outlook(plan) == outlook(plan)


def test_attribution_is_foreseen_and_depends_on_the_takes_spread():
    found = outlook(build(**study()))
    (small, high), (large, low) = found.contrasts[0].attribution
    assert small < large
    assert high > low
    assert any("not the takes" in text for text in found.contrasts[0].sentences)
    assert found.contrasts[1].attribution == ()  # two takes a dose, and three doses


def test_two_takes_a_side_promise_no_attribution():
    wanted = study()
    question = wanted["contrasts"][0]
    sides = tuple(dataclasses.replace(c, takes=c.takes[:2]) for c in question.conditions)
    wanted["contrasts"][0] = dataclasses.replace(question, conditions=sides)
    found = outlook(build(**wanted)).contrasts[0]
    assert not found.attributable
    assert found.attribution == ()
    assert any("1/3," in text for text in found.sentences)


def test_what_bars_a_claim_about_the_change_is_said_before_the_lock():
    # SCIENCE §4, "these recordings differ": say this before they invite anybody.
    wanted = study()
    wanted["takes"][0] = dataclasses.replace(
        wanted["takes"][0], log={**wanted["takes"][0].log, "bench": None}
    )
    unlogged = outlook(build(**wanted)).contrasts[0]
    assert not unlogged.attributable
    assert any("only be about these recordings" in text for text in unlogged.sentences)

    wanted = study()
    wanted["takes"][0] = dataclasses.replace(
        wanted["takes"][0], log={**wanted["takes"][0].log, "bench": 30.0}
    )
    wanted["contrasts"][0] = dataclasses.replace(
        wanted["contrasts"][0], override_reason="the heater had failed"
    )
    overridden = outlook(build(**wanted)).contrasts[0]
    assert not overridden.attributable
    assert any("attributed to one change" in text for text in overridden.sentences)


def test_a_plan_that_may_be_looked_at_is_priced_by_its_own_test():
    fixed = outlook(build(**study())).contrasts[0]
    looked_at = outlook(build(**study(stop="anytime"))).contrasts[0]
    right = share_right("abx", dprime=1.0)
    assert dict(looked_at.power)[1.0] == pytest.approx(
        power("abx", looked_at.votes, right, 0.025, anytime_valid=True)
    )
    assert dict(looked_at.power)[1.0] < dict(fixed.power)[1.0]  # looking costs
    assert fixed.anytime is None
    assert looked_at.needed.first == looked_at.anytime.by_80 > fixed.needed.first
    assert any(
        f"{looked_at.anytime.mean:.0f} votes on average" in text
        and f"by vote {looked_at.anytime.by_90:,}" in text
        for text in looked_at.sentences
    )
