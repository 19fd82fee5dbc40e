"""The plan document: what is built, what is refused, and its canonical bytes."""

from __future__ import annotations

import copy
import json
import re

import pytest

from panel.design import plan as plans
from panel.design.plan import PlanContrast, build
from panel.errors import BadInput
from panel.study.conditions import Condition

from .conftest import plan_take, study


def test_each_question_with_retakes_gets_its_control(plan):
    derived = [c for c in plan["contrasts"] if c.get("of")]
    assert [(c["id"], c["of"], c["role"], c["procedure"]) for c in derived] == [
        ("q1-retakes", "q1", "retake_control", "abx"),
        ("q2-retakes", "q2", "retake_control", "attribute"),
    ]


def test_the_guard_fills_in_what_differs(plan):
    question = plan["contrasts"][0]
    assert (question["factor"], question["differs"], question["unlogged"]) == (
        "adhesive", ["adhesive"], [],
    )  # fmt: skip


def test_the_plan_survives_its_own_bytes(plan):
    data = plans.canonical(plan)
    again = plans.from_json(data)
    assert plans.canonical(again) == data
    assert plans.sha256(again) == plans.sha256(plan)
    assert re.fullmatch(r"[0-9a-f]{64}", plans.sha256(plan))


def test_another_order_of_keys_is_the_same_plan(plan):
    turned = dict(reversed(plan.items()))
    assert plans.sha256(turned) == plans.sha256(plan)


def test_any_change_is_another_plan(plan):
    changed = copy.deepcopy(plan)
    changed["stop"]["listeners"] = 41
    assert plans.sha256(changed) != plans.sha256(plan)


def change(path, value):
    def apply(plan):
        entry = plan
        for key in path[:-1]:
            entry = entry[key]
        entry[path[-1]] = value

    return apply


DAMAGE = {
    "other format": (change(["format"], "plan/9"), "no plan of the format"),
    "no title": (change(["study", "title"], "  "), "no title"),
    "alpha of one": (change(["alpha"], 1.0), "α"),
    "alpha as text": (change(["alpha"], "0.05"), "α"),
    "limit of nought": (change(["limit"], 0.0), "limit"),
    "confidence of one": (change(["confidence"], 1.0), "confidence"),
    "stopping at will": (change(["stop", "kind"], "whenever"), "stopping rule"),
    "half a listener": (change(["stop", "listeners"], 0.5), "whole number"),
    "a short seed": (change(["schedule_seed"], "abc"), "32 hexadecimal"),
    "five of four checks": (change(["exclusion", "planted_least_right"], 5), "each 4"),
    "no excerpts": (change(["excerpts"], []), "no excerpts"),
    "an excerpt backwards": (change(["excerpts", 0, "end_s"], 1.0), "e1 must begin"),
    "two takes of one id": (change(["takes", 1, "id"], "t01"), "t01 stands twice"),
    "an id with a space": (change(["takes", 1, "id"], "t 01"), "no usable id"),
    "unknown procedure": (change(["contrasts", 0, "procedure"], "guess"), "no procedure"),
    "unknown take": (change(["contrasts", 0, "conditions", 0, "takes", 0], "t99"), "no take t99"),
    "a take on both sides": (
        change(["contrasts", 0, "conditions", 0, "takes", 0], "t02"),
        "and again under",
    ),
    "votes of nought": (change(["contrasts", 0, "votes_per_listener"], 0), "one at least"),
    "another log than differs says": (
        change(["contrasts", 0, "differs"], ["bench"]),
        "what the chain logs say",
    ),
    "another factor named": (
        change(["contrasts", 0, "factor"], "bench"),
        "its factor is not what the chain logs say",
    ),
    "second factor slipped in": (
        change(["takes", 0, "log", "bench"], 30.0),
        "differ in two factors",
    ),
    "attribute unnamed": (change(["contrasts", 2, "attribute"], ""), "must name the attribute"),
    "doses alike": (change(["contrasts", 2, "conditions", 1, "dose"], 0.0), "different numbers"),
    "a negative dose on a log": (
        change(["contrasts", 2, "conditions", 1, "dose"], -1.0),
        "zero or more",
    ),
    "trend without scale": (change(["contrasts", 2, "scale"], None), "more than two conditions"),
    "derived control dropped": (
        lambda plan: plan["contrasts"].pop(1),
        "needs one retake control",
    ),
    "planted nothing": (change(["contrasts", -1, "planted"], None), "what is planted"),
    "planted by preference": (
        change(["contrasts", -1, "procedure"], "preference"),
        "needs a right answer",
    ),
    "planted on another take": (
        change(["contrasts", -1, "conditions", 1, "takes"], ["t02+check"]),
        "no planted copy",
    ),
    "an entry missing": (lambda plan: plan.pop("stop"), "lacks the entry 'stop'"),
    "a list for an object": (change(["study"], []), "wrong shape"),
}


@pytest.mark.parametrize("name", DAMAGE)
def test_a_damaged_plan_is_refused_with_its_reason(plan, name):
    damage, sentence = DAMAGE[name]
    damage(plan)
    with pytest.raises(BadInput) as caught:
        plans.check(plan)
    assert sentence in str(caught.value)


def test_every_entry_can_be_missing_without_a_trace(plan):
    """Drop each key of the document in turn: a sentence or a sound plan, never another error."""

    def paths(entry, path=()):
        if isinstance(entry, dict):
            for key, value in entry.items():
                yield (*path, key)
                yield from paths(value, (*path, key))
        elif isinstance(entry, list):
            for index, value in enumerate(entry):
                yield from paths(value, (*path, index))

    all_paths = list(paths(plan))
    assert len(all_paths) > 100
    for path in all_paths:
        damaged = copy.deepcopy(plan)
        entry = damaged
        for key in path[:-1]:
            entry = entry[key]
        for wrong in (None, "x", -1, [], {}):
            entry[path[-1]] = wrong
            assert isinstance(plans.problems(damaged), tuple)
        del entry[path[-1]]
        assert isinstance(plans.problems(damaged), tuple)


def two_changes(reason=None):
    takes = [plan_take(1), plan_take(2, "epoxy", 30.0), plan_take(3, "epoxy")]
    asked = PlanContrast(
        "q1", "Both", "question", "abx",
        (Condition("old", ("t01",)), Condition("new", ("t02",))), 8, override_reason=reason,
    )  # fmt: skip
    return study(takes=takes, contrasts=[asked], planted_least_right=None)


def test_two_changes_are_refused_and_a_reason_overrides():
    with pytest.raises(BadInput, match="differ in two factors: adhesive"):
        build(**two_changes())
    with pytest.raises(BadInput, match="differ in two factors"):
        build(**two_changes("   "))
    plan = build(**two_changes("both come in one kit"))
    assert plan["contrasts"][0]["differs"] == ["adhesive", "hours"]
    assert plan["contrasts"][0]["override_reason"] == "both come in one kit"


def test_not_a_number_has_no_canonical_form(plan):
    plan["alpha"] = float("nan")
    with pytest.raises(BadInput):
        plans.canonical(plan)


@pytest.mark.parametrize("text", ["", "[1]", "{", "null", '{"format": 1}', "[" * 100_000])
def test_what_is_no_plan_is_refused(text):
    with pytest.raises(BadInput):
        plans.from_json(text)


def test_the_document_is_plain_json(plan):
    assert json.loads(json.dumps(plan, allow_nan=False)) == plan
