"""The plan: what is shown is what is locked, and locked it never changes again."""

import hashlib
import json

import numpy as np
import pytest
import recordings
import rfc8785
from recordings import Made
from scipy.stats import binom, norm
from sqlmodel import select

from panel.errors import BadInput, Conflict, NotFound
from panel.stages import studies
from panel.stages.clips import prepare
from panel.stages.contrasts import asked
from panel.stages.plan import lock
from panel.stages.plan import words as plan_words
from panel.stages.takes import intake
from panel.store.tables import Clip, Plan, Study
from panel.study.conditions import Condition


def test_what_was_shown_is_locked(ready: Made):
    shown = lock.draft(ready.store, ready.id)
    assert shown.problems == ()
    assert lock.draft(ready.store, ready.id).sha256 == shown.sha256  # looking changes nothing
    locked = lock.lock(ready.store, ready.id, shown.sha256)
    assert locked == shown.sha256
    assert lock.locked(ready.store, ready.id) == shown.plan


def test_sha256_is_that_of_the_canonical_bytes(ready: Made):
    # RFC 8785 by the rfc8785 package, FIPS 180-4 by hashlib.
    sha256 = lock.lock(ready.store, ready.id)
    kept = lock.canonical(ready.store, ready.id)
    assert hashlib.sha256(kept).hexdigest() == sha256
    assert rfc8785.dumps(json.loads(kept)) == kept


def test_plan_holds_what_the_study_holds(ready: Made):
    document = lock.draft(ready.store, ready.id).plan.document()
    assert document["study"] == {
        "title": "Pickups",
        "question": "Does the stiffer adhesive sound different?",
    }
    takes = {take.key: take for take in intake.takes(ready.store, ready.id)}
    assert {t["id"]: t["sha256"] for t in document["takes"]} == {
        key: take.sha256 for key, take in takes.items()
    }
    assert [t["log"]["adhesive"] for t in document["takes"]] == [
        "hide glue", "epoxy", "epoxy", "hide glue",
    ]  # fmt: skip
    assert document["excerpts"] == [{"id": "e1", "start_s": 0.5, "end_s": 2.5}]
    assert [(c["id"], c["role"]) for c in document["contrasts"]] == [
        ("q1", "question"),
        ("q1-retakes", "retake_control"),
        ("check", "planted_check"),
    ]
    assert document["stop"] == {"kind": "fixed", "listeners": 20}


@pytest.mark.parametrize(
    "change",
    [
        lambda m: lock.set_rule(m.store, m.id, listeners=21),
        lambda m: lock.set_rule(m.store, m.id, listeners=20, alpha=0.01),
        lambda m: studies.rename(m.store, m.id, "Pickups", "And now?"),
        lambda m: intake.log_take(m.store, m.id, "t01", {}, label="first"),
        lambda m: intake.change_factor(m.store, m.id, "adhesive", name="glue"),
        lambda m: asked.remove(m.store, m.id, "check"),
    ],
)
def test_any_change_gives_another_plan_and_the_old_one_is_not_locked_by_mistake(
    ready: Made, change
):
    shown = lock.draft(ready.store, ready.id).sha256
    change(ready)
    assert lock.draft(ready.store, ready.id).sha256 != shown
    with pytest.raises(Conflict, match="changed since"):
        lock.lock(ready.store, ready.id, shown)
    with pytest.raises(NotFound):
        lock.locked(ready.store, ready.id)


def test_locked_plan_cannot_be_edited_or_locked_again(ready: Made):
    sha256 = lock.lock(ready.store, ready.id)
    before = lock.canonical(ready.store, ready.id)
    with pytest.raises(Conflict, match="locked"):
        lock.set_rule(ready.store, ready.id, alpha=0.1)
    with pytest.raises(Conflict, match="locked"):
        lock.lock(ready.store, ready.id)
    assert lock.canonical(ready.store, ready.id) == before
    with ready.store.session() as s:
        kept, study = s.exec(select(Plan)).one(), s.exec(select(Study)).one()
    assert kept.sha256 == sha256
    assert study.locked_at == kept.locked_at


def test_lock_prepares_what_is_stale(ready: Made):
    intake.add_excerpt(ready.store, ready.id, 0.3, 1.9)
    assert any("prepared" in text for text in lock.draft(ready.store, ready.id).problems)
    lock.lock(ready.store, ready.id)
    with ready.store.session() as s:
        assert len(s.exec(select(Clip)).all()) == 2 * 5


def test_locked_study_has_every_clip_that_its_trials_can_ask_for(ready: Made):
    from panel.design.schedule import listener_trials

    lock.lock(ready.store, ready.id)
    plan = lock.locked(ready.store, ready.id)
    for ordinal in range(20):
        for trial in listener_trials(plan, ordinal):
            for take in (trial.take_a, trial.take_b):
                samples, _ = prepare.clip_samples(ready.store, ready.id, take, trial.excerpt)
                assert len(samples)


def test_study_that_is_not_ready_is_told_every_reason(empty: Made):
    found = lock.draft(empty.store, empty.id)
    assert found.plan is None
    words = " ".join(found.problems)
    for part in ("two takes", "excerpt", "asked"):
        assert part in words
    with pytest.raises(BadInput, match="two takes"):
        lock.lock(empty.store, empty.id)


def test_same_place_in_recording_order_keeps_the_plan_open(ready: Made):
    intake.log_take(ready.store, ready.id, "t02", {}, recorded_order=1)
    with pytest.raises(BadInput, match="Takes 01 and 02 have the same place"):
        lock.lock(ready.store, ready.id)


def test_log_that_breaks_a_contrast_keeps_the_plan_open(ready: Made):
    intake.log_take(ready.store, ready.id, "t02", {ready.adhesive: "hide glue"})
    with pytest.raises(BadInput, match="Stiffer adhesive"):
        lock.lock(ready.store, ready.id)


@pytest.mark.parametrize(
    "wrong",
    [
        {"alpha": 0},
        {"alpha": 0.5},
        {"alpha": float("nan")},
        {"limit": 0},
        {"limit": 1},
        {"stop_kind": "when I like it"},
        {"listeners": 0},
        {"listeners": 10_001},
        {"planted_least_right": 0},
        {"headphones": "perhaps"},
    ],
    ids=str,
)
def test_rule_that_makes_no_sense_is_refused(ready: Made, wrong: dict):
    before = lock.draft(ready.store, ready.id).rules
    with pytest.raises(BadInput):
        lock.set_rule(ready.store, ready.id, **wrong)
    assert lock.draft(ready.store, ready.id).rules == before


def test_more_planted_checks_right_than_there_are_keeps_the_plan_open(ready: Made):
    lock.set_rule(ready.store, ready.id, planted_least_right=5)
    assert any("planted checks" in text for text in lock.draft(ready.store, ready.id).problems)


@pytest.mark.parametrize("nth", range(1, 5))
def test_lock_that_fails_on_the_way_leaves_a_draft(ready: Made, nth: int):
    """The n-th write fails: locked whole, or not at all."""
    from sqlalchemy import event

    count = 0

    @event.listens_for(ready.store.engine, "before_cursor_execute")
    def fail(connection, cursor, statement, *_):
        nonlocal count
        if statement.startswith(("INSERT", "UPDATE", "BEGIN")):
            count += 1
            if count == nth:
                raise OSError("disk full")

    try:
        lock.lock(ready.store, ready.id)
    except OSError:
        event.remove(ready.store.engine, "before_cursor_execute", fail)
        with ready.store.session() as s:
            kept, study = s.exec(select(Plan)).one(), s.exec(select(Study)).one()
        assert (kept.canonical, kept.sha256, study.locked_at) == (None, None, None)
        assert lock.lock(ready.store, ready.id)
    else:
        assert count < nth


def words_of(made: Made) -> str:
    sections = plan_words.in_words(lock.draft(made.store, made.id).plan)
    return " ".join(text for section in sections for text in section.sentences)


def test_plan_in_words_says_what_is_claimed_and_when(ready: Made):
    words = words_of(ready)
    for part in (
        "“hide glue” (2 takes) and “epoxy” (2 takes), by ABX, 12 votes from each listener",
        "Retakes",
        "+6 dB above 3 kHz",
        "20 listeners",
        "“heard” comes out in at most 5% of studies, α = 0.05",
        "at most 25% of listeners",
        "sealed",
        "0.5–2.5 s",
    ):
        assert part in words


def test_plan_in_words_says_what_a_rule_of_checks_lets_through(ready: Made):
    """3 of 4 by guessing: 5/16. Of d′ 4: binom of the differencing ABX curve."""
    lock.set_rule(ready.store, ready.id, planted_least_right=3)
    (check,) = lock.draft(ready.store, ready.id).plan.planted_checks
    assert (check.procedure, check.votes_per_listener) == ("abx", 4)
    a, b = norm.cdf(4 / np.sqrt(2)), norm.cdf(4 / np.sqrt(6))
    hearing = binom.sf(2, 4, 1 - a - b + 2 * a * b)
    text = words_of(ready)
    assert "Whoever guesses gets 3 of 4 right in 31\N{NO-BREAK SPACE}% of cases" in text
    assert f"(d′ 4) in {100 * hearing:.0f}\N{NO-BREAK SPACE}%" in text
    assert "“At least” is said of all who voted" in text


def test_plan_in_words_repeats_the_reason_of_an_override(ready: Made):
    element = intake.add_factor(ready.store, ready.id, "element", "named")
    for take, value in (("t01", "E2"), ("t02", "E3"), ("t03", "E3"), ("t04", "E2")):
        intake.log_take(ready.store, ready.id, take, {element: value})
    asked.remove(ready.store, ready.id, "q1")
    recordings.ask(ready, override_reason="Sold together.")
    words = words_of(ready)
    assert "Sold together." in words
    assert "cannot be attributed to one change" in words


def test_plan_in_words_promises_no_not_heard_from_preference_or_without_a_check(ready: Made):
    asked.remove(ready.store, ready.id, "q1")
    asked.remove(ready.store, ready.id, "check")
    recordings.ask(ready, procedure="preference")
    words = words_of(ready)
    assert "“Not heard” never" in words
    assert "“preferred” comes out in at most 5% of studies" in words
    assert "so, by itself, does “divided”" in words
    assert "“not heard” cannot be concluded" in words
    assert "at most 25%" not in words


def test_plan_in_words_says_what_one_take_a_side_cannot_show(ready: Made):
    asked.remove(ready.store, ready.id, "q1")
    recordings.ask(
        ready, conditions=[Condition("hide glue", ("t01",)), Condition("epoxy", ("t02",))]
    )
    assert "nothing about the change" in words_of(ready)


def test_curves_hold_the_power_that_the_outlook_states(ready: Made):
    outlook = lock.draft(ready.store, ready.id).outlook
    (curve,) = lock.power_curves(outlook)
    for dprime, points in curve.lines:
        at_plan = dict(points)[curve.outlook.votes]
        assert at_plan == pytest.approx(dict(curve.outlook.power)[dprime])
        assert all(0 <= power <= 1 for _, power in points)
