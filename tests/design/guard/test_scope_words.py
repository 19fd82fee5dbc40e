"""What a claim can speak of, and what keeps it from more, each with what to do about it.

Floors by counting: 4 + 4 specimens have 35 labelings, 3 + 3 have 10, 1 + 1 one (closed form).
"""

import pytest

from panel.analysis.wording.phrases import BARRIERS
from panel.design.guard.as_drawn import following
from panel.design.guard.scope_words import (
    Recorded,
    alike_in_letters,
    log_remarks,
    reach,
)
from panel.study.conditions import Condition
from panel.study.factors import Factor, TakeLog
from panel.study.sampling import NOT_SAMPLED, NOT_THE_KIND, DrawnOrder, sampled

HOURS = Factor("hours", "hours", "numeric", "h")


def log(*specimens, session="one", sessions=None):
    """A take of each specimen, in this order; condition by the first letter."""
    sessions = sessions or [session] * len(specimens)
    return [
        TakeLog(f"t{n:02d}", n, {}, f"{n:02d}", specimen, where)
        for n, (specimen, where) in enumerate(zip(specimens, sessions, strict=True), start=1)
    ]


def by_letter(takes):
    """Conditions by the first letter of the specimen."""
    sides = {}
    for take in takes:
        sides.setdefault(take.specimen[:1].upper(), []).append(take.take_id)
    return [Condition(letter, tuple(ids)) for letter, ids in sides.items()]


KIND = log("A-1", "B-1", "B-2", "A-2", "B-3", "A-3", "A-4", "B-4")
FITTINGS = log("A-1", "B-1", "B-1", "A-1", "B-1", "A-1", "A-1", "B-1")
HALVES = [Condition("A", ("t01", "t02")), Condition("B", ("t03", "t04"))]


def codes(takes, conditions=None, **how):
    found = reach(conditions or by_letter(takes), Recorded(takes, carrier="the one zither"), **how)
    return found.scope, [remark.code for remark in found.remarks]


CASES = {
    "given something else": (
        codes(KIND, strata={take.take_id: take.order % 2 for take in KIND}),
        ("specimens", ["given"]),
    ),
    "the kind": (codes(KIND), ("kind", [])),
    "one a side, fitted anew": (codes(FITTINGS), ("specimens", ["few"])),
    "three a side": (codes(log(*"ABBABA")), ("specimens", ["few"])),
    "unequal": (
        codes(log("A-1", "B-1", "B-2", "A-2", "B-3", "A-3", "A-4", "B-4", "B-5")),
        ("specimens", ["unequal"]),
    ),
    "not of a specimen": (
        codes(log("A-1", "", "B-2", "A-2"), HALVES), ("recordings", ["no_specimen"]),
    ),
    "no session": (
        codes(log("A-1", "B-1", "A-2", "B-2", session=""), HALVES),
        ("recordings", ["sessions_unlogged", "few"]),
    ),
    "neither": (
        codes(log("", "", "", "", session=" "), HALVES),
        ("recordings", ["no_specimen", "sessions_unlogged"]),
    ),
    "two days": (
        codes(log("A-1", "A-2", "B-1", "B-2", sessions=["1", "1", "2", "2"]), HALVES),
        ("recordings", ["different_sessions", "few"]),
    ),
    "in one go": (codes(log("A-1", "A-2", "B-1", "B-2")), ("recordings", ["in_one_go", "few"])),
    "before and after": (
        codes(log("A-1", "A-2", "A-2", "A-1"), [HALVES[0], HALVES[1]],),
        ("recordings", ["in_one_go", "shared"]),
    ),
    "one specimen spelled in two ways": (
        codes(log("A-1", "B-1", "B 1", "A-1", "B-1", "A-1")),
        ("specimens", ["unequal", "two_spellings"]),
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_scope_and_remarks(case):
    found, wanted = CASES[case]
    assert found == wanted


def test_every_code_of_the_plan_has_its_sentence_and_its_advice():
    """What the plan's sampling calls a barrier is remarked under that code, in the verdict's own
    words, and with what to do."""
    seen = {code for (_, found), _ in CASES.values() for code in found}
    assert seen >= {*NOT_SAMPLED, *NOT_THE_KIND}
    for takes in (
        log("A-1", "", "B-2", "A-2"),
        log("A-1", "B-1", "A-2", "B-2", session=""),
        log("A-1", "A-2", "B-1", "B-2", sessions=["1", "1", "2", "2"]),
        log("A-1", "A-2", "B-1", "B-2"),
    ):
        barrier = sampled(HALVES, takes, 0.05, is_dose=False).barrier
        first = reach(HALVES, Recorded(takes)).remarks[0]
        assert first.code == barrier
        assert first.finding == BARRIERS[barrier]
        assert first.advice.endswith(".")
        assert first.bars


@pytest.mark.parametrize(
    ("takes", "carrier", "sentence"),
    [
        (KIND, "the one zither", "A claim can speak of the kind: specimens are 4 of “A” and 4 of "
         "“B”. It ends at what carries them: the one zither."),
        (FITTINGS, "", "A claim can speak of these specimens, not of their kind: “A-1” against "
         "“B-1”."),
        (log("A-1", "A-2", "B-1", "B-2"), "x", "A claim can speak of these recordings only, not "
         "of what was changed."),
    ],
)  # fmt: skip
def test_the_reach_in_a_sentence(takes, carrier, sentence):
    assert reach(by_letter(takes), Recorded(takes, carrier=carrier)).sentence == sentence


def test_without_a_carrier_it_is_asked_for_where_a_claim_reaches_that_far():
    assert [r.code for r in reach(by_letter(KIND), Recorded(KIND)).remarks] == ["no_carrier"]
    apart = log("A-1", "A-2", "B-1", "B-2")
    found = [r.code for r in reach(by_letter(apart), Recorded(apart)).remarks]
    assert "no_carrier" not in found


def test_what_can_only_grow_wants_a_companion():
    takes = log("A-1", "A-2", "B-1", "B-2", sessions=["1", "1", "2", "2"])
    (first, *_) = reach(HALVES, Recorded(takes), factor=HOURS).remarks
    assert "Where hours can only grow, record a companion" in first.advice
    (first, *_) = reach(HALVES, Recorded(takes)).remarks
    assert "companion" not in first.advice


def test_names_of_the_same_letters_and_digits_are_told_apart_in_groups():
    found = alike_in_letters(["E-1", "e 1", "E  1", "E-2", "e-1", "Ä1", "ä-1", "—", "-", "E.2"])
    assert found == [("E-1", "e 1"), ("E-2", "E.2"), ("Ä1", "ä-1")]


def test_one_sound_under_two_specimens_is_remarked():
    takes = log("A-1", "B-1", "B-1", "A-2")
    sounds = {"t01": "same", "t02": "b", "t03": "b", "t04": "same"}
    (found,) = log_remarks(Recorded(takes, sounds=sounds))
    assert found.code == "one_sound"
    assert "Takes 01 and 04 are the same sound file" in found.finding
    assert "“A-1” and “A-2”" in found.finding


DRAWN = DrawnOrder("One", ("A-1", "B-1", "B-2", "A-2"))
TWICE = DrawnOrder("One", ("A-1", "B-1", "B-1", "A-1"))


@pytest.mark.parametrize(
    ("draw", "recorded", "found"),
    [
        (DRAWN, [], "none"),
        (DRAWN, ["a-1", "B-1", " B-2", "A-2"], "followed"),
        (DRAWN, ["A-1", "A-1", "B-1", "B-2", "B-2", "A-2"], "followed"),  # takes in a row
        (DRAWN, ["A-1", "B-2"], "some"),
        (DRAWN, ["B-1", "A-1"], "other"),
        (DRAWN, ["A-1", "B-1", "A-1", "B-2", "A-2"], "other"),
        (DRAWN, ["A-1", "B-1", "B-2", "A-2", "C"], "other"),
        (DRAWN, ["A-1", "", "B-2", "A-2"], "other"),
        (TWICE, ["A-1", "B-1", "B-1", "A-1"], "followed"),
        (TWICE, ["A-1", "B-1", "B-1"], "some"),
        (TWICE, ["A-1", "A-1", "B-1", "B-1"], "other"),
    ],
)
def test_how_a_session_follows_its_draw(draw, recorded, found):
    takes = log(*recorded, session="one")
    assert following(draw, [*takes, TakeLog("t99", 99, {}, "", "Z", "another")]) == found
    told = [remark.code for remark in log_remarks(Recorded(takes, [draw]))]
    assert ("other_order" in told) is (found == "other")


def test_a_draw_is_remarked_only_where_its_session_is_asked_about():
    takes = [
        *KIND,
        TakeLog("t98", 98, {}, "", "B-1", "two"),
        TakeLog("t99", 99, {}, "", "A-1", "two"),
    ]
    draws = [DrawnOrder("two", ("A-1", "B-1"))]
    assert "other_order" in [r.code for r in log_remarks(Recorded(takes, draws))]
    found = reach(by_letter(KIND), Recorded(takes, draws, "the one zither"))
    assert found.remarks == ()
