"""Ending a study: the vote table, the verdict in one step with the end, and the early look."""

import json
import re
import threading
import uuid
from datetime import timedelta

import pytest
from small_study import build
from sqlmodel import select
from vote_records import listener_rows, vote_rows
from voting_cast import (
    fewer_wanted,
    guessing,
    rightly,
    settings_in,
    vote,
    with_rule,
    wrongly,
)

from panel.analysis import verdict as analysis
from panel.errors import BadInput, Conflict, Gone, NotAllowed
from panel.stages.conclude import early_look, ending, vote_table
from panel.stages.listen import visit, votes_in
from panel.store.opening import open_store
from panel.store.tables import Listener, Study, Trial, Verdict, Vote
from panel.study.plan_reading import read_plan
from panel.study.votes_csv import read_listeners, read_votes, write_listeners, write_votes


@pytest.fixture
def store(tmp_path):
    return open_store(settings_in(tmp_path))


def closed_at(store, study):
    with store.session() as s:
        return s.get_one(Study, study.id).closed_at


def verdicts(store) -> int:
    with store.session() as s:
        return len(s.exec(select(Verdict)).all())


def test_the_vote_table_is_what_was_answered(store):
    study = build(store, listeners=2)
    for link in study.links:
        vote(store, link, guessing)
    votes, rows = vote_table.vote_table(store, study.id)
    with store.session() as s:
        kept = s.exec(
            select(Vote, Trial, Listener)
            .join(Trial, Trial.id == Vote.trial_id)
            .join(Listener, Listener.id == Vote.listener_id)
            .order_by(Vote.sequence)
        ).all()
    assert len(votes) == len(kept) == 26
    for place, (row, (cast, trial, who)) in enumerate(
        zip(vote_rows(votes), kept, strict=True), start=1
    ):
        assert row.sequence == place
        assert row.listener == who.code
        assert row.trial == trial.number
        assert [row.one, row.two, row.three][: len(trial.slots)] == trial.slots
        assert row.answer == ("one", "two", "three")[cast.answer]
        assert row.chosen == trial.slots[cast.answer]
        if trial.right is not None:
            assert row.correct == (cast.answer == trial.right)
        else:
            assert row.correct is None
        assert (row.plays, row.seconds, row.day) == (3, 17, 0)
    rows = listener_rows(rows)
    assert {row.listener: row.votes for row in rows} == {row.listener: 13 for row in rows}
    assert all(row.finished and row.headphone_check == "passed" for row in rows)
    assert all(row.playback == "headphones" and row.sample_rate == 48_000 for row in rows)


def test_the_vote_table_survives_its_csv_and_satisfies_the_analysis(store):
    study = build(store, listeners=2)
    vote(store, study.links[0], guessing)
    vote(store, study.links[1], guessing, most=4)
    votes, rows = vote_table.vote_table(store, study.id)
    assert read_votes(write_votes(votes)) == votes
    assert read_listeners(write_listeners(rows)) == rows
    assert analysis.conclude(read_plan(study.plan), votes, rows).votes == 17


def test_a_planted_check_by_attribute_has_a_right_answer(store):
    study = build(store, procedures=("attribute",), listeners=1, votes=2)
    vote(store, study.links[0], rightly)
    votes, _ = vote_table.vote_table(store, study.id)
    marked = {row.contrast: row.correct for row in vote_rows(votes)}
    assert marked == {"q1": None, "check": True}


def test_the_table_holds_no_person_and_no_time(store):
    study = build(store, listeners=2)
    for link in study.links:
        vote(store, link, guessing)
    with store.session() as s:
        people = s.exec(select(Listener)).all()
        times = s.exec(select(Vote.received_at)).all()
    votes, rows = vote_table.vote_table(store, study.id)
    text = write_votes(votes) + write_listeners(rows)
    assert all(person.code in text for person in people)
    for person in people:
        assert person.address not in text
        assert person.link_hash not in text
    for time in times:
        assert time.strftime("%H:%M") not in text
        assert time.strftime("%Y-%m-%d") not in text
    assert not re.search(r"\d{4}-\d\d-\d\d", text)


def test_days_count_from_the_first_votes_day(store):
    study = build(store, procedures=("abx",), listeners=1, votes=3)
    vote(store, study.links[0])
    with store.session() as s:
        rows = s.exec(select(Vote).order_by(Vote.sequence)).all()
        first = rows[0].received_at.replace(hour=23, minute=59)
        for row, later in zip(rows, (0, 2 / 1440, 1, 3), strict=True):
            row.received_at = first + timedelta(days=later)
            s.add(row)
        s.commit()
    votes, _ = vote_table.vote_table(store, study.id)
    assert votes.day.tolist() == [0, 1, 1, 3]


def test_a_listener_who_opened_and_left_is_not_in_the_table(store):
    study = build(store, listeners=3)
    visit.enter(store, study.links[0])
    visit.consent(store, study.links[1])
    vote(store, study.links[2], most=1)
    _, rows = vote_table.vote_table(store, study.id)
    assert sorted(rows.votes.tolist()) == [0, 1]


def test_closing_stores_the_verdict_and_refuses_later_votes(store):
    study = build(store, procedures=("abx",), listeners=2, votes=2)
    study = fewer_wanted(store, study, 1)
    vote(store, study.links[0], rightly)
    visit.consent(store, study.links[1])
    document = ending.close(store, study.id)
    assert document.votes == 3
    assert closed_at(store, study) is not None
    assert ending.verdict(store, study.id) == document
    json.dumps(document.document(), allow_nan=False)
    with pytest.raises(Gone):
        votes_in.vote(store, study.links[1], 1, str(uuid.uuid4()), 0)
    assert len(vote_table.vote_table(store, study.id)[0]) == 3


def test_closing_twice_gives_the_same_verdict_once(store):
    study = build(store, procedures=("abx",), listeners=1, votes=2)
    vote(store, study.links[0])
    first = ending.close(store, study.id)
    when = closed_at(store, study)
    assert ending.close(store, study.id) == first
    assert closed_at(store, study) == when
    assert verdicts(store) == 1


def test_two_who_close_at_once_get_one_verdict(store):
    study = build(store, procedures=("abx",), listeners=1, votes=2)
    vote(store, study.links[0])
    start, found = threading.Barrier(3), []

    def close() -> None:
        start.wait()
        found.append(ending.close(store, study.id))

    threads = [threading.Thread(target=close) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 3
    assert found[0] == found[1] == found[2]
    assert verdicts(store) == 1


@pytest.mark.parametrize("error", [BadInput("broken"), ZeroDivisionError("broken")])
def test_if_the_analysis_fails_nothing_is_closed(store, monkeypatch, error):
    study = build(store, procedures=("abx",), listeners=1, votes=2)
    vote(store, study.links[0], most=1)

    def fail(*_):
        raise error

    with monkeypatch.context() as broken:
        broken.setattr(analysis, "conclude", fail)
        with pytest.raises(type(error), match="broken"):
            ending.close(store, study.id)
    assert closed_at(store, study) is None
    assert verdicts(store) == 0
    assert vote(store, study.links[0]) == 2, "voting goes on"
    assert ending.close(store, study.id).votes == 3


@pytest.mark.parametrize("nth", [1, 2])
def test_if_a_write_fails_nothing_is_half_closed(store, monkeypatch, nth):
    from sqlalchemy import event

    study = build(store, procedures=("abx",), listeners=1, votes=2)
    vote(store, study.links[0])
    writes = []

    def fail(_connection, _cursor, statement, *_):
        if statement.startswith(("INSERT INTO verdict", "UPDATE study")):
            writes.append(statement)
            if len(writes) == nth:
                raise OSError("disk full")

    event.listen(store.engine, "before_cursor_execute", fail)
    try:
        with pytest.raises(OSError, match="disk full"):
            ending.close(store, study.id)
    finally:
        event.remove(store.engine, "before_cursor_execute", fail)
    assert len(writes) == nth
    assert closed_at(store, study) is None
    assert verdicts(store) == 0
    assert ending.close(store, study.id).votes == 3


def test_a_vote_that_comes_in_meanwhile_is_in_the_verdict(store, monkeypatch):
    study = build(store, procedures=("abx",), listeners=8, votes=2)
    vote(store, study.links[0])
    real, waiting = analysis.conclude, list(study.links[1:])

    def slow(plan, votes, listeners):
        # Voting goes on while the analysis runs, each time it runs outside the transaction.
        if len(waiting) > 4:
            vote(store, waiting.pop(), most=1)
        return real(plan, votes, listeners)

    monkeypatch.setattr(analysis, "conclude", slow)
    document = ending.close(store, study.id)
    votes, rows = vote_table.vote_table(store, study.id)
    assert document.votes == len(votes) == 3 + 3
    assert real(read_plan(study.plan), votes, rows) == document


def test_there_is_nothing_to_conclude_without_votes(store):
    study = build(store, listeners=1)
    with pytest.raises(Conflict, match="no vote"):
        ending.close(store, study.id)
    assert closed_at(store, study) is None


def test_before_the_lock_nothing_can_be_ended(store):
    study = build(store, locked=False)
    for call in (ending.close, ending.standing, vote_table.vote_table, early_look.interim):
        with pytest.raises(Conflict, match="not locked"):
            call(store, study.id)


def test_the_verdict_is_sealed_until_the_end(store):
    study = build(store, procedures=("abx",), listeners=1, votes=2)
    vote(store, study.links[0])
    for call in (ending.verdict, ending.measured, early_look.interim):
        with pytest.raises(NotAllowed, match="sealed"):
            call(store, study.id)
    ending.close(store, study.id)
    assert ending.verdict(store, study.id).votes == 3
    assert ending.measured(store, study.id) is not None
    with pytest.raises(NotAllowed):
        early_look.interim(store, study.id)


@pytest.mark.parametrize("answering", [rightly, wrongly])
def test_the_standing_does_not_depend_on_the_answers(store, answering):
    study = fewer_wanted(store, build(store, procedures=("abx",), listeners=2, votes=2), 2)
    vote(store, study.links[0], answering)
    standing = ending.standing(store, study.id)
    assert (standing.votes, standing.planned_votes, standing.missing) == (3, 6, 3)
    assert not standing.ready
    assert standing.sealed
    vote(store, study.links[1], answering)
    assert ending.standing(store, study.id).ready


def test_an_anytime_plan_may_be_looked_at_and_gives_the_verdicts_own_numbers(store):
    from panel.analysis.counts import anytime

    study = build(store, procedures=("abx", "preference"), listeners=3, votes=6)
    study = with_rule(store, study, stop={"kind": "anytime", "listeners": 3})
    with pytest.raises(Conflict, match="no vote"):
        early_look.interim(store, study.id)
    for link in study.links:
        vote(store, link, rightly)
    looks = {look.procedure: look for look in early_look.interim(store, study.id)}
    votes, _ = vote_table.vote_table(store, study.id)
    sides = {"t01": 0, "t02": 0, "t03": 1, "t04": 1}
    across = [
        v for v in vote_rows(votes) if v.contrast == "q1" and len({sides[t] for t in v.slots}) == 2
    ]
    assert looks["abx"].trials == looks["abx"].count == len(across)
    # The oracle is the mixture martingale in panel.analysis.counts.anytime, tested by its own.
    expected = anytime.e_value(len(across), len(across), 1 / 2)
    assert looks["abx"].e_value == pytest.approx(expected, rel=1e-5)
    assert looks["abx"].p_anytime == pytest.approx(1 / expected, rel=1e-5)
    assert looks["preference"].toward == "epoxy"
    assert looks["preference"].count == looks["preference"].trials, "t03, t04 sort after the rest"
    assert closed_at(store, study) is None, "a look ends nothing"
    assert vote(store, study.links[0]) == 0


def test_a_missing_clip_keeps_no_study_open_and_is_said(store, monkeypatch):
    from panel.errors import NotFound
    from panel.stages.clips import prepare
    from panel.stages.conclude import publish

    study = build(store, procedures=("abx",), listeners=1, votes=2)
    vote(store, study.links[0])

    def missing(*_):
        raise NotFound("A clip of this study is missing.", hint="Restore it from a backup.")

    monkeypatch.setattr(prepare, "measured", missing)
    ending.close(store, study.id)
    assert "missing" in ending.measured(store, study.id).unavailable
    report = publish.report_context(store, study.id)["report"]
    assert any("not measured" in text for text in report.sections[0].measured)
