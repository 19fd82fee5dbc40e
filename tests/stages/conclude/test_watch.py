"""Watching: counts without outcomes, by a fixed number of queries."""

from datetime import UTC, datetime, timedelta

import pytest
from small_study import build
from sqlalchemy import event
from sqlmodel import select
from voting_cast import rightly, settings_in, vote, wrongly

from panel.errors import Conflict, NotFound
from panel.stages.conclude import watch
from panel.stages.listeners import joining
from panel.store.opening import open_store
from panel.store.tables import Vote


@pytest.fixture
def store(tmp_path):
    return open_store(settings_in(tmp_path))


def queries(store, call) -> int:
    count = 0

    def one_more(*_):
        nonlocal count
        count += 1

    event.listen(store.engine, "before_cursor_execute", one_more)
    try:
        call()
    finally:
        event.remove(store.engine, "before_cursor_execute", one_more)
    return count


def test_each_step_of_a_listener_is_counted(store):
    from panel.stages.listen import visit

    study = build(store, procedures=("abx",), listeners=5, votes=2)
    visit.enter(store, study.links[0])
    vote(store, study.links[1], most=1)
    vote(store, study.links[2])
    joining.join(store, study.open_link)
    seen = watch.progress(store, study.id)
    assert (seen.invited, seen.joined, seen.opened, seen.checked, seen.finished) == (5, 1, 3, 2, 1)
    assert seen.votes == 1 + 3
    assert seen.planned_votes == study.plan["stop"]["listeners"] * 3
    assert not seen.closed


def test_votes_are_counted_by_the_hour_they_came_in(store):
    study = build(store, procedures=("abx",), listeners=1, votes=4)
    vote(store, study.links[0])
    at = datetime(2026, 3, 4, 23, 59, 59, 999_000, tzinfo=UTC)
    with store.session() as s:
        for place, row in enumerate(s.exec(select(Vote).order_by(Vote.sequence))):
            row.received_at = at if place < 2 else at + timedelta(hours=place - 1)
            s.add(row)
        s.commit()
    assert watch.progress(store, study.id).hours == (
        (datetime(2026, 3, 4, 23, tzinfo=UTC), 2),
        (datetime(2026, 3, 5, 0, tzinfo=UTC), 1),
        (datetime(2026, 3, 5, 1, tzinfo=UTC), 1),
        (datetime(2026, 3, 5, 2, tzinfo=UTC), 1),
    )


def test_the_planted_rate_waits_for_five_listeners_and_moves_by_fives(store):
    """Blinding contract 4: planted-check pass rate overall only."""
    study = build(store, procedures=("abx",), listeners=7, votes=1)
    for link in study.links[:4]:
        vote(store, link, rightly)
    assert watch.progress(store, study.id).planted is None
    vote(store, study.links[4], wrongly)
    five = watch.progress(store, study.id).planted
    assert (five.right, five.trials, five.listeners) == (4, 5, 5)
    vote(store, study.links[5], wrongly)
    assert watch.progress(store, study.id).planted == five, "one more listener tells nothing"


@pytest.mark.parametrize("procedure", ["triangle", "attribute"])
def test_the_planted_rate_counts_what_is_right_by_the_plan(store, procedure):
    study = build(store, procedures=(procedure,), listeners=5, votes=1)
    for link in study.links:
        vote(store, link, rightly)  # the planted copy sorts last, and has more of it
    seen = watch.progress(store, study.id).planted
    assert (seen.right, seen.trials) == (5, 5)


def test_what_can_be_watched_is_the_same_whatever_people_answered(store):
    """Two studies, one all right and one all wrong, look the same while sealed."""
    seen = []
    for answering in (rightly, wrongly):
        study = build(store, procedures=("abx", "triangle"), listeners=3, votes=2)
        for link in study.links:
            vote(store, link, answering)
        found = watch.progress(store, study.id)
        seen.append((found, watch.pulse(store, study.id)))
    first, second = seen
    assert first[1] == second[1]
    assert vars(first[0]) | {"hours": ()} == vars(second[0]) | {"hours": ()}


def test_the_pulse_changes_with_each_vote_and_each_listener(store):
    study = build(store, procedures=("abx",), listeners=2, votes=1)
    pulses = {watch.pulse(store, study.id)}
    for most in (1, None):
        vote(store, study.links[0], most=most)
        pulses.add(watch.pulse(store, study.id))
    assert len(pulses) == 3


def test_twenty_listeners_cost_as_many_queries_as_five(store):
    counts = []
    for listeners in (5, 20):
        study = build(store, procedures=("abx",), listeners=listeners, votes=1)
        for link in study.links:
            vote(store, link)
        counts.append(
            (
                queries(store, lambda study=study: watch.progress(store, study.id)),
                queries(store, lambda study=study: watch.pulse(store, study.id)),
            )
        )
    assert counts[0] == counts[1]
    assert counts[0][1] == 1


def test_there_is_nothing_to_watch_before_the_lock(store):
    study = build(store, locked=False)
    with pytest.raises(Conflict):
        watch.progress(store, study.id)
    with pytest.raises(NotFound):
        watch.progress(store, study.id + 1)
