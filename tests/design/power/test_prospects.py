"""How a plan ends under a few truths: the table of the plan's page."""

from __future__ import annotations

import dataclasses

import pytest

from panel.design.plan import build
from panel.design.power import prospects
from panel.errors import BadInput

from ..conftest import study


@pytest.fixture(autouse=True)
def _nothing_remembered():
    prospects._found.clear()


def small() -> dict:
    wanted = study(listeners=12)
    wanted["contrasts"] = [wanted["contrasts"][0], wanted["contrasts"][2]]
    return wanted


def test_endings_are_shares_and_follow_the_truth():
    plan = build(**small())
    assert prospects.known(plan) is None
    found = prospects.prospects(plan, runs=60)
    (endings,) = found.questions.values()
    for end in endings:
        parts = (end.change, end.bounded, end.recordings, end.none)
        assert min(parts) >= 0
        assert sum(parts) == pytest.approx(1)
    plain, small_one, few, _, nothing = endings
    assert plain.change > small_one.change
    assert plain.change > few.change
    assert nothing.change <= 0.05 + 3 * (0.05 * 0.95 / 60) ** 0.5
    assert nothing.bounded > few.bounded


def test_they_are_the_same_each_time_and_remembered_whatever_the_title():
    plan = build(**small())
    found = prospects.prospects(plan, runs=10)
    prospects._found.clear()
    assert prospects.prospects(plan, runs=10) == found
    renamed = dataclasses.replace(plan, title="Another", question="Another?")
    assert prospects.known(renamed) == found
    assert prospects.known(dataclasses.replace(plan, limit=0.3)) is None


def test_a_question_that_cannot_be_about_the_change_never_ends_so():
    wanted = small()
    question = wanted["contrasts"][0]
    sides = tuple(dataclasses.replace(c, takes=c.takes[:1]) for c in question.conditions)
    wanted["contrasts"][0] = dataclasses.replace(question, conditions=sides)
    (endings,) = prospects.prospects(build(**wanted), runs=20).questions.values()
    assert all(end.change == 0 for end in endings)
    assert endings[0].recordings > 0.9


def test_too_large_a_study_is_refused_with_a_sentence():
    with pytest.raises(BadInput, match="too long to simulate"):
        prospects.prospects(build(**study(listeners=5000)))
