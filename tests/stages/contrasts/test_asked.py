"""Contrasts under the guard against two changes at once, exactly as the design says."""

import pytest
import recordings
from recordings import Made

from panel.errors import BadInput, Conflict, NotFound
from panel.stages.contrasts import asked
from panel.stages.plan import lock
from panel.stages.takes import intake
from panel.study.conditions import Condition


@pytest.fixture
def two_changes(logged: Made) -> Made:
    """Epoxy was always recorded with the economy element as well, but for one take."""
    element = intake.add_factor(logged.store, logged.id, "element", "named")
    for take, value in (("t01", "E2"), ("t02", "E3"), ("t03", "E2"), ("t04", "E2")):
        intake.log_take(logged.store, logged.id, take, {element: value})
    return logged


def only(made: Made) -> asked.ContrastView:
    (view,) = asked.contrasts(made.store, made.id)
    return view


def test_one_changed_factor_is_a_question(logged: Made):
    assert recordings.ask(logged) == "q1"
    view = only(logged)
    assert (view.role, view.factor, view.allowed, view.has_retakes) == (
        "question", "adhesive", True, True,
    )  # fmt: skip
    assert [(side.label, side.takes) for side in view.sides] == [
        ("hide glue", ("t01", "t04")),
        ("epoxy", ("t02", "t03")),
    ]
    assert "adhesive only" in view.finding


def test_two_changed_factors_are_refused_by_name_with_a_clean_pair(two_changes: Made):
    with pytest.raises(BadInput) as refused:
        recordings.ask(two_changes)
    message = refused.value.message
    assert "two factors" in message
    assert "adhesive (hide glue → epoxy)" in message
    assert "element (E2 → E3)" in message
    assert "Takes 01 and 03 differ in adhesive only" in message
    assert asked.contrasts(two_changes.store, two_changes.id) == ()
    nearest = asked.judge(two_changes.store, two_changes.id, two_changes.sides()).nearest
    assert (nearest[0].take_a, nearest[0].take_b) == ("t01", "t03")


def test_written_reason_lets_it_stand_and_is_kept(two_changes: Made):
    recordings.ask(two_changes, override_reason="  The maker sells\nthem only together. ")
    view = only(two_changes)
    assert view.override_reason == "The maker sells them only together."
    assert view.allowed
    assert "cannot be attributed to one change" in view.finding


def test_blank_reason_is_none(two_changes: Made):
    with pytest.raises(BadInput):
        recordings.ask(two_changes, override_reason="   ")


def test_reason_is_not_kept_where_none_was_needed(logged: Made):
    recordings.ask(logged, override_reason="just in case")
    assert only(logged).override_reason is None


def test_nothing_that_differs_is_no_question_but_a_retake_control(logged: Made):
    same = [Condition("a", ("t01",)), Condition("b", ("t04",))]
    with pytest.raises(BadInput, match="retake control"):
        recordings.ask(logged, conditions=same)
    key = asked.add_retake_control(
        logged.store, logged.id, name="Retakes", procedure="triangle", conditions=same,
        votes_per_listener=4,
    )  # fmt: skip
    assert (key, only(logged).role) == ("r1", "retake_control")


def test_retake_control_of_different_conditions_is_refused(logged: Made):
    with pytest.raises(BadInput, match="not alike"):
        asked.add_retake_control(
            logged.store, logged.id, name="Retakes", procedure="abx", conditions=logged.sides(),
            votes_per_listener=4,
        )  # fmt: skip


def test_unlogged_factor_counts_as_unknown_and_is_named(logged: Made):
    intake.add_factor(logged.store, logged.id, "bench temperature", "numeric", "°C")
    recordings.ask(logged)
    assert any("bench temperature" in text for text in only(logged).warnings)


def test_conditions_recorded_in_one_go_bar_a_claim_about_the_change(logged: Made):
    for take, place in (("t01", 1), ("t04", 2), ("t02", 3), ("t03", 4)):
        intake.log_take(logged.store, logged.id, take, {}, recorded_order=place)
    recordings.ask(logged)
    reach = only(logged).reach
    assert reach is not None
    assert reach.scope == "recordings"
    assert [remark.code for remark in reach.remarks] == ["in_one_go", "few"]
    assert reach.barred


def test_no_retake_is_allowed_and_told_beforehand(logged: Made):
    pair = [Condition("hide glue", ("t01",)), Condition("epoxy", ("t02",))]
    recordings.ask(logged, conditions=pair)
    view = only(logged)
    assert not view.has_retakes
    assert any("One take" in text or "one take" in text for text in view.warnings)


def test_few_takes_bring_the_floor_into_words(logged: Made):
    recordings.ask(logged)  # two takes a side: the least p is 1/3
    assert any("1/3" in text for text in only(logged).warnings)


def test_log_changed_afterwards_shows_at_the_contrast(logged: Made):
    recordings.ask(logged)
    intake.log_take(logged.store, logged.id, "t02", {logged.adhesive: "hide glue"})
    assert not only(logged).allowed


@pytest.mark.parametrize(
    "wrong",
    [
        {"name": " "},
        {"name": "x" * 121},
        {"procedure": "guessing"},
        {"procedure": "attribute"},
        {"procedure": "attribute", "attribute": "x" * 61},
        {"votes_per_listener": 0},
        {"votes_per_listener": 401},
        {"scale": "linear"},
        {"conditions": [Condition("only one", ("t01",))]},
        {"conditions": [Condition("a", ("t01",)), Condition("b", ("t99",))]},
        {"conditions": [Condition("a", ("t01", "t02")), Condition("b", ("t02",))]},
        {"conditions": [Condition("a", ("t01",)), Condition("a", ("t02",))]},
        {"conditions": [Condition("a", ()), Condition("b", ("t02",))]},
        {"override_reason": "x" * 1001},
    ],
    ids=str,
)
def test_question_that_makes_no_sense_is_refused_and_not_kept(logged: Made, wrong: dict):
    with pytest.raises(BadInput):
        recordings.ask(logged, **wrong)
    assert asked.contrasts(logged.store, logged.id) == ()


def test_question_about_another_factor_than_the_one_that_differs_is_refused(logged: Made):
    other = intake.add_factor(logged.store, logged.id, "element", "named")
    for take in ("t01", "t02", "t03", "t04"):
        intake.log_take(logged.store, logged.id, take, {other: "E2"})
    with pytest.raises(BadInput, match="about element"):
        recordings.ask(logged, factor=other)


def test_contrast_has_a_name_of_its_own(logged: Made):
    recordings.ask(logged)
    with pytest.raises(Conflict, match="already"):
        recordings.ask(logged, procedure="preference")


def unlike(made: Made, content: bytes, name: str) -> list[Condition]:
    view = intake.add_take(made.store, made.id, name, [content])
    intake.log_take(made.store, made.id, view.key, {made.adhesive: "epoxy"})
    return [Condition("hide glue", ("t01", "t04")), Condition("epoxy", ("t02", view.key))]


UNLIKE = {
    "two sample rates": (recordings.file(recordings.music(9, rate=22_050), rate=22_050), "22,050"),
    "one and two channels": (recordings.file(recordings.music(9)[:, None].repeat(2, 1)), "channel"),
    "lossy with lossless": (
        recordings.file(recordings.music(9), kind="OGG", words="VORBIS"), "lossy",
    ),
    "the same file twice": (recordings.take(1, delay=7, gain=0.95), "same file"),
}  # fmt: skip


@pytest.mark.parametrize(("content", "words"), UNLIKE.values(), ids=UNLIKE)
def test_takes_that_anything_else_would_tell_apart_are_refused(logged: Made, content, words):
    with pytest.raises(BadInput, match=words) as refused:
        recordings.ask(logged, conditions=unlike(logged, content, "new"))
    assert refused.value.hint


def test_numeric_factor_becomes_a_trend_with_doses_from_the_log(logged: Made):
    hours = intake.add_factor(logged.store, logged.id, "hours", "numeric", "h", 0.5)
    for take, value in (("t01", 100), ("t02", 10), ("t03", 30), ("t04", 0)):
        intake.log_take(logged.store, logged.id, take, {hours: value, logged.adhesive: "hide glue"})
    recordings.ask(
        logged,
        factor=hours,
        conditions=asked.by_value(logged.store, logged.id, hours),
        scale="log1p",
    )
    view = only(logged)
    assert [side.label for side in view.sides] == ["0 h", "10 h", "30 h", "100 h"]
    assert view.scale == "log1p"


def test_more_than_two_named_conditions_are_refused(logged: Made):
    intake.log_take(logged.store, logged.id, "t04", {logged.adhesive: "cement"})
    with pytest.raises(BadInput, match="two conditions"):
        recordings.ask(logged)


def test_proposals_come_from_the_log_and_go_once_asked(logged: Made):
    (proposal,) = asked.proposals(logged.store, logged.id)
    assert proposal.factor == logged.adhesive
    assert set(proposal.takes.split(",")) == {"t01", "t02", "t03", "t04"}
    recordings.ask(logged)
    assert asked.proposals(logged.store, logged.id) == ()


def test_proposals_avoid_two_changes(two_changes: Made):
    for proposal in asked.propose(two_changes.store, two_changes.id):
        assert proposal.guard.allowed
        assert len(proposal.guard.differs) <= 1


CHECK = {
    "take_key": "t01",
    "kind": "shelf",
    "amount_db": 6.0,
    "procedure": "abx",
    "votes_per_listener": 4,
}


def test_planted_check_names_its_copy(logged: Made):
    first = asked.add_planted_check(logged.store, logged.id, **CHECK)
    second = asked.add_planted_check(logged.store, logged.id, **(CHECK | {"amount_db": 3}))
    assert (first, second) == ("check", "check2")
    views = asked.contrasts(logged.store, logged.id)
    assert [view.sides[1].takes for view in views] == [("t01+check",), ("t01+check2",)]


@pytest.mark.parametrize(
    "wrong",
    [
        {"kind": "wow"},
        {"amount_db": 0.0},
        {"amount_db": 25.0},
        {"amount_db": float("nan")},
        {"procedure": "preference"},
        {"procedure": "attribute", "attribute": ""},
        {"procedure": "attribute", "attribute": "top end", "amount_db": -6.0},
        {"votes_per_listener": 0},
    ],
    ids=str,
)
def test_check_that_makes_no_sense_is_refused(logged: Made, wrong: dict):
    with pytest.raises(BadInput):
        asked.add_planted_check(logged.store, logged.id, **(CHECK | wrong))
    assert asked.contrasts(logged.store, logged.id) == ()


def test_check_on_an_unknown_take_is_not_found(logged: Made):
    with pytest.raises(NotFound):
        asked.add_planted_check(logged.store, logged.id, **(CHECK | {"take_key": "t99"}))


def test_removed_check_goes_with_its_clips(ready: Made):
    before = recordings.stored(ready)
    asked.remove(ready.store, ready.id, "check")
    gone = before - recordings.stored(ready)
    assert len(gone) == 1
    assert "t01+check" in gone.pop()
    with pytest.raises(NotFound):
        asked.remove(ready.store, ready.id, "check")


def test_locked_contrasts_stay(ready: Made):
    lock.lock(ready.store, ready.id)
    for change in (
        lambda: recordings.ask(ready, name="Another"),
        lambda: asked.add_planted_check(ready.store, ready.id, **CHECK),
        lambda: asked.add_retake_control(
            ready.store, ready.id, name="R", procedure="abx",
            conditions=[Condition("a", ("t01",)), Condition("b", ("t04",))], votes_per_listener=1,
        ),
        lambda: asked.remove(ready.store, ready.id, "q1"),
    ):  # fmt: skip
        with pytest.raises(Conflict, match="locked"):
            change()


def test_who_cannot_ask_by_a_procedure_is_told_every_one_that_can(logged: Made):
    with pytest.raises(BadInput) as no_control:
        asked.add_retake_control(
            logged.store, logged.id, name="Retakes", procedure="attribute",
            conditions=logged.sides(), votes_per_listener=4,
        )  # fmt: skip
    with pytest.raises(BadInput) as no_check:
        asked.add_planted_check(
            logged.store, logged.id, take_key="t01", kind="shelf", amount_db=6,
            procedure="preference", votes_per_listener=4,
        )  # fmt: skip
    assert no_control.value.hint == "Choose ABX, triangle, duo-trio, same–different or tetrad."
    assert no_check.value.hint == (
        "Choose ABX, triangle, duo-trio, same–different, 2-AFC on a named attribute or tetrad."
    )
