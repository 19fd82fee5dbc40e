"""Can these takes answer it? Each line of the list in each of its states.

Thresholds: level 6 dB, excerpts 2 to 20 s (common practice, no source); the smallest p by counting
labelings: 1/35 for 4 + 4 takes, 1/3 for 2 + 2, 1/126 for 5 + 5 (closed form).
"""

from dataclasses import replace

import pytest

from panel.design.guard.scope_words import Reach, Remark
from panel.design.readiness import check_list, in_all
from panel.design.readiness_facts import (
    ExcerptFacts,
    Facts,
    LoggedFacts,
    QuestionFacts,
    SideFacts,
    TakeFacts,
)


def takes(orders, **facts):
    given = {"clipped": False, "noise": False, **facts}
    return tuple(TakeFacts(f"{order:02d}", order, **given) for order in orders)


KIND = Reach("kind", "A claim can speak of the kind.")


def question(first, last, name="Adhesive", reach=KIND):
    return QuestionFacts(name, (SideFacts("hide glue", first), SideFacts("epoxy", last)), reach)


def reaching(*codes, scope="specimens"):
    remarks = tuple(Remark(code, f"Found {code}.", f"Mend {code}.") for code in codes)
    return replace(MIXED, reach=Reach(scope, "A claim can speak of these.", remarks))


MIXED = question(takes((1, 4, 6, 7)), takes((2, 3, 5, 8)))
LOG = (LoggedFacts("room"), LoggedFacts("performer"))
GOOD = Facts((MIXED,), LOG, (ExcerptFacts("Bridge", 5.0),))


def line(code, facts):
    (found,) = [check for check in check_list(facts) if check.code == code]
    return found


def of(*questions, **how):
    return replace(GOOD, questions=questions, **how)


def both(**facts):
    return question(takes((1, 4, 6, 7), **facts), takes((2, 3, 5, 8), **facts))


STATES = {
    # Several takes of each condition
    ("takes", "ready"): GOOD,
    ("takes", "look at this"): of(question(takes((1, 4)), takes((2, 3)))),
    ("takes", "cannot"): of(question(takes((1, 3, 5, 7)), takes((2,)))),
    # How far a claim reaches
    ("scope", "ready"): GOOD,
    ("scope", "look at this"): of(reaching("few", "two_spellings")),
    ("scope", "cannot"): of(reaching("in_one_go", "few", scope="recordings")),
    # Room and performer
    ("log", "ready"): GOOD,
    ("log", "look at this"): replace(GOOD, factors=(LoggedFacts("room", ("03",)), LOG[1])),
    # Excerpts
    ("excerpts", "ready"): GOOD,
    ("excerpts", "look at this"): replace(GOOD, excerpts=(ExcerptFacts("Short", 1.9),)),
    ("excerpts", "cannot"): replace(GOOD, excerpts=()),
    # Lossy sources
    ("lossy", "ready"): GOOD,
    ("lossy", "look at this"): of(both(lossy=True)),
    ("lossy", "cannot"): of(question(takes((1, 4, 6, 7)), takes((2, 3, 5, 8), lossy=True))),
    # Clipped originals
    ("clipped", "ready"): GOOD,
    ("clipped", "look at this"): of(both(clipped=True)),
    ("clipped", "cannot"): of(question(takes((1, 4, 6, 7)), takes((2, 3, 5, 8), clipped=True))),
    # Level gap
    ("level", "ready"): of(question(takes((1, 4, 6, 7)), takes((2, 3, 5, 8), lufs=-28.9))),
    ("level", "look at this"): of(question(takes((1, 4, 6, 7)), takes((2, 3, 5, 8), lufs=-29.1))),
    ("level", "cannot"): of(question(takes((1, 4, 6, 7)), takes((2, 3, 5, 8), lufs=None))),
    # Residual dominated by noise
    ("noise", "ready"): GOOD,
    ("noise", "look at this"): of(question(takes((1, 4, 6, 7)), takes((2, 3, 5, 8), noise=True))),
    ("noise", "cannot"): of(both(noise=True)),
}


@pytest.mark.parametrize(("code", "state"), STATES, ids=" ".join)
def test_each_line_in_each_state(code, state):
    facts = STATES[code, state]
    found = line(code, facts)
    assert found.state == state
    assert found.finding
    # Only this line is touched, and the whole is as good as its worst line.
    assert {c.code for c in check_list(facts) if c.state != "ready"} <= {code}
    assert in_all(check_list(facts)) == state
    assert (found.advice == "") == (state == "ready")


def test_every_line_has_a_case_that_is_not_ready():
    codes = [check.code for check in check_list(GOOD)]
    assert len(codes) == len(set(codes)) == 8
    assert {code for code, state in STATES if state != "ready"} == set(codes)


def test_the_finding_names_what_is_meant():
    assert "“epoxy” (in “Adhesive”)" in line("takes", STATES["takes", "cannot"]).finding
    assert "1/3" in line("takes", STATES["takes", "look at this"]).finding
    found = line("scope", STATES["scope", "look at this"])
    assert found.finding == "“Adhesive”: A claim can speak of these."
    assert found.advice == "Found few. Mend few. Found two_spellings. Mend two_spellings."
    assert "“room” of Take 03" in line("log", STATES["log", "look at this"]).finding
    assert "Short lasts 1.9 s" in line("excerpts", STATES["excerpts", "look at this"]).finding
    assert "Takes 02, 03, 05 and 08 are" in line("lossy", STATES["lossy", "cannot"]).finding
    assert "6.1 dB" in line("level", STATES["level", "look at this"]).finding


@pytest.mark.parametrize("seconds", [2.0, 5.0, 20.0])
def test_two_to_twenty_seconds_are_right(seconds):
    facts = replace(GOOD, excerpts=(ExcerptFacts("x", seconds),))
    assert line("excerpts", facts).state == "ready"


def test_twenty_one_seconds_are_too_long():
    facts = replace(GOOD, excerpts=(ExcerptFacts("x", 5.0), ExcerptFacts("Long", 21.0)))
    assert line("excerpts", facts).state == "look at this"


@pytest.mark.parametrize(
    ("room", "performer"),
    [("place", "played by"), ("Microphone position", "Performer"), ("hall", "musician"),
     ("listening room", "playback")],
)  # fmt: skip
def test_room_and_performer_may_have_other_names(room, performer):
    facts = replace(GOOD, factors=(LoggedFacts(room), LoggedFacts(performer)))
    assert line("log", facts).state == "ready"


@pytest.mark.parametrize("names", [(), ("adhesive",), ("room",), ("display", "mushroom")])
def test_a_log_without_them_is_to_be_looked_at(names):
    facts = replace(GOOD, factors=tuple(LoggedFacts(name) for name in names))
    found = line("log", facts)
    assert found.state == "look at this"
    assert "performer" in found.finding


def test_before_the_clips_are_prepared_two_lines_are_not_known():
    unknown = replace(GOOD, questions=(both(clipped=None, noise=None),), prepared=False)
    for code in ("clipped", "noise"):
        found = line(code, unknown)
        assert found.state == "look at this"
        assert "before the clips are prepared" in found.finding


def test_several_questions_share_the_error():
    """1/35 passes 0.05 alone; Holm's first of three asks for 1/60."""
    assert line("takes", of(MIXED)).state == "ready"
    three = of(MIXED, replace(MIXED, name="Element"), replace(MIXED, name="Hours"))
    assert line("takes", three).state == "look at this"
    five = question(takes((1, 4, 6, 7, 10)), takes((2, 3, 5, 8, 9)))
    assert line("takes", of(five, five, five)).state == "ready"


def test_without_any_question_nothing_can_be_answered():
    assert line("takes", of()).state == "cannot"
    assert in_all(check_list(of())) == "cannot"


@pytest.mark.parametrize(("barred", "said"), [(False, True), (True, False)])
def test_the_order_among_takes_that_are_compared_is_told_unless_nothing_is_claimed(barred, said):
    """Given another factor the guard looks at each stratum; what bars the whole says it already."""
    asked = reaching("in_one_go") if barred else MIXED
    found = line("scope", of(replace(asked, order_warning="All of one came first.")))
    assert ("All of one came first." in found.advice) is said
    assert found.state == ("cannot" if barred else "look at this")
    assert found.advice


def test_retakes_that_leave_nothing_but_noise_are_as_they_should_be():
    """What is left is against the first take: of its own condition it may well be noise alone."""
    first = (TakeFacts("01", 1, noise=None), *takes((4, 6, 7), noise=True))
    facts = of(question(first, takes((2, 3, 5, 8))))
    assert line("noise", facts).state == "ready"
    worse = of(question(first, takes((2, 3, 5, 8), noise=True)))
    assert line("noise", worse).state == "cannot"
