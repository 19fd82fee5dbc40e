"""How long somebody has listened without a break, against votes whose times are written down."""

import uuid
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from small_study import build
from sqlmodel import col, select

from panel.settings import load
from panel.stages.listen import pace, visit, votes_in
from panel.store.opening import open_store
from panel.store.tables import Listener, Vote

NOW = datetime(2026, 5, 4, 20, 0, tzinfo=UTC)
# Minutes before NOW at which each vote came, seconds each took, votes with a break noted; seconds
# listened, counted by hand.
COURSES = {
    "no votes": ([], 60, [], 0),
    "without a break": ([9, 6, 3, 1], 60, [], 10 * 60),
    "a break noted": ([9, 6, 3, 1], 60, [2], 4 * 60),
    "away for a while": ([30, 20, 3, 1], 60, [], 4 * 60),
    "back after an hour": ([63, 61, 60], 60, [], 0),
    "votes that waited and came together": ([2, 2, 2], 60, [], 3 * 60),
    "one long set": ([1], 720, [], 13 * 60),
}


@pytest.mark.parametrize("course", COURSES.values(), ids=COURSES.keys())
def test_the_time_since_the_last_break(
    tmp_path: Path, course: tuple[list[int], int, list[int], int]
) -> None:
    minutes, seconds, breaks, expected = course
    store = open_store(load(data=tmp_path))
    link = build(store, procedures=("preference",), votes=5, listeners=1).links[0]
    visit.consent(store, link)
    for number in range(1, len(minutes) + 1):
        votes_in.vote(store, link, number, str(uuid.uuid4()), "one", plays=2, seconds=seconds)
    with store.session() as s:
        for place, vote in enumerate(s.exec(select(Vote).order_by(col(Vote.sequence)))):
            vote.received_at = NOW - timedelta(minutes=minutes[place])
            vote.notes = {"breaks": 1} if place in breaks else {}
            s.add(vote)
        s.commit()
        listener = s.exec(select(Listener)).one()
        assert pace.listened(s, listener, NOW) == expected
