"""The plan document: what is built, what is refused, and its canonical bytes."""

from __future__ import annotations

import copy
import json
import math
import re
from dataclasses import replace

import pytest

from panel.design import plan as plans
from panel.design.plan import build
from panel.errors import BadInput
from panel.study.conditions import Condition
from panel.study.plan import Contrast, Plan

from .conftest import plan_take, study


def test_each_question_with_retakes_gets_its_control(plan):
    derived = [c for c in plan.contrasts if c.of is not None]
    assert [(c.id, c.of, c.role, c.procedure) for c in derived] == [
        ("q1-retakes", "q1", "retake_control", "abx"),
        ("q2-retakes", "q2", "retake_control", "attribute"),
    ]


def test_the_guard_fills_in_what_differs(plan):
    question = plan.contrasts[0]
    assert (question.factor, question.differs, question.unlogged) == (
        "adhesive", ("adhesive",), (),
    )  # fmt: skip


def test_the_plan_survives_its_own_bytes(plan):
    data = plan.canonical
    again = plans.checked(data)
    assert again.canonical == data
    assert again.sha256 == plan.sha256
    assert re.fullmatch(r"[0-9a-f]{64}", plan.sha256)


def test_another_order_of_keys_is_the_same_plan(plan):
    turned = dict(reversed(plan.document().items()))
    assert plans.checked(turned).sha256 == plan.sha256


def test_any_change_is_another_plan(plan):
    changed = plan.document()
    changed["stop"]["listeners"] = 41
    assert plans.checked(changed).sha256 != plan.sha256


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
def test_a_damaged_plan_is_refused_with_its_reason(document, name):
    damage, sentence = DAMAGE[name]
    damage(document)
    with pytest.raises(BadInput) as caught:
        plans.checked(document)
    assert sentence in str(caught.value)


def sound_or_refused(document):
    try:
        return isinstance(plans.checked(document), Plan)
    except BadInput as error:
        return bool(error.message)


def test_every_entry_can_be_missing_without_a_trace(document):
    """Drop each key of the document in turn: a sentence or a sound plan, never another error."""

    def paths(entry, path=()):
        if isinstance(entry, dict):
            for key, value in entry.items():
                yield (*path, key)
                yield from paths(value, (*path, key))
        elif isinstance(entry, list):
            for index, value in enumerate(entry):
                yield from paths(value, (*path, index))

    all_paths = list(paths(document))
    assert len(all_paths) > 100
    for path in all_paths:
        damaged = copy.deepcopy(document)
        entry = damaged
        for key in path[:-1]:
            entry = entry[key]
        for wrong in (None, "x", -1, [], {}):
            entry[path[-1]] = wrong
            assert sound_or_refused(damaged)
        del entry[path[-1]]
        assert sound_or_refused(damaged)


def two_changes(reason=None):
    takes = [plan_take(1), plan_take(2, "epoxy", 30.0), plan_take(3, "epoxy")]
    asked = Contrast(
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
    assert plan.contrasts[0].differs == ("adhesive", "hours")
    assert plan.contrasts[0].override_reason == "both come in one kit"


def test_not_a_number_has_no_canonical_form(plan):
    with pytest.raises(BadInput):
        _ = replace(plan, alpha=math.nan).canonical


@pytest.mark.parametrize("text", ["", "[1]", "{", "null", '{"format": 1}', "[" * 100_000])
def test_what_is_no_plan_is_refused(text):
    with pytest.raises(BadInput):
        plans.checked(text.encode())


def test_the_document_is_plain_json(document):
    assert json.loads(json.dumps(document, allow_nan=False)) == document
