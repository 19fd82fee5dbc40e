"""Votes and listeners row by row, so that a test can be read, and the tables of them."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from panel.analysis.decision.coded import CodedVotes
from panel.study.plan import Plan
from panel.study.votes import NO_RATE, UNMARKED, ListenerTable, VoteTable

PLACES = ("one", "two", "three", "four")


@dataclass(frozen=True)
class Vote:
    """One answered trial. `one`, `two`, `three`: take ids by slot; `correct` None if directed."""

    sequence: int
    listener: str
    trial: int
    contrast: str
    procedure: str
    excerpt: str
    one: str
    two: str
    three: str | None
    answer: str
    correct: bool | None
    plays: int = 1
    seconds: int = 0
    day: int = 0
    four: str | None = None

    @property
    def slots(self) -> tuple[str, ...]:
        return tuple(t for t in (self.one, self.two, self.three, self.four) if t is not None)

    @property
    def tied(self) -> bool:
        """Neither take was preferred."""
        return self.answer == "neither"

    @property
    def chosen(self) -> str:
        """The take in the slot that was named; there is none where the answer names no slot."""
        return self.slots[PLACES.index(self.answer)]

    @property
    def pair(self) -> tuple[str, str]:
        """The two takes that were compared, sorted; reminders are none of them."""
        a, b = sorted({self.one, self.two} if self.four is not None else set(self.slots))
        return a, b


@dataclass(frozen=True)
class ListenerRow:
    """One listener, known by a random code, with what was declared and checked."""

    listener: str
    finished: bool
    headphone_check: str
    playback: str
    sample_rate: int | None
    votes: int
    withdrew: str = ""
    votes_removed: int = 0


def as_table(votes: Iterable[Vote] | VoteTable) -> VoteTable:
    """The table of these votes; a table as it is."""
    if isinstance(votes, VoteTable):
        return votes
    rows = list(votes)
    return VoteTable.of(
        sequence=[v.sequence for v in rows],
        listener=[v.listener for v in rows],
        trial=[v.trial for v in rows],
        contrast=[v.contrast for v in rows],
        procedure=[v.procedure for v in rows],
        excerpt=[v.excerpt for v in rows],
        slots=[[getattr(v, place) or "" for v in rows] for place in PLACES],
        answer=[v.answer for v in rows],
        correct=[UNMARKED if v.correct is None else int(v.correct) for v in rows],
        plays=[v.plays for v in rows],
        seconds=[v.seconds for v in rows],
        day=[v.day for v in rows],
    )


def as_listeners(listeners: Iterable[ListenerRow] | ListenerTable) -> ListenerTable:
    """The table of these listeners; a table as it is."""
    if isinstance(listeners, ListenerTable):
        return listeners
    rows = list(listeners)
    return ListenerTable.of(
        listener=[r.listener for r in rows],
        finished=[r.finished for r in rows],
        headphone_check=[r.headphone_check for r in rows],
        playback=[r.playback for r in rows],
        sample_rate=[NO_RATE if r.sample_rate is None else r.sample_rate for r in rows],
        votes=[r.votes for r in rows],
        withdrew=[r.withdrew for r in rows],
        votes_removed=[r.votes_removed for r in rows],
    )


def as_tables(
    votes: Iterable[Vote] | VoteTable, listeners: Iterable[ListenerRow] | ListenerTable
) -> tuple[VoteTable, ListenerTable]:
    return as_table(votes), as_listeners(listeners)


def as_judged(
    plan: Plan, votes: Iterable[Vote] | VoteTable, listeners: Iterable[ListenerRow] | ListenerTable
) -> tuple[CodedVotes, ListenerTable]:
    """What `judge` takes."""
    return CodedVotes.of(plan, as_table(votes)), as_listeners(listeners)


def vote_rows(votes: VoteTable) -> list[Vote]:
    """The votes of a table, written out."""
    correct = {UNMARKED: None, 0: False, 1: True}
    columns = dict(votes.columns())
    columns["correct"] = [correct[mark] for mark in columns["correct"]]
    for place in PLACES:
        columns[place] = [take or None for take in columns[place]]
    return [Vote(**row) for row in _rows(columns)]


def listener_rows(listeners: ListenerTable) -> list[ListenerRow]:
    """The listeners of a table, written out."""
    columns = dict(listeners.columns())
    columns["sample_rate"] = [None if r == NO_RATE else r for r in columns["sample_rate"]]
    return [ListenerRow(**row) for row in _rows(columns)]


def _rows(columns: dict[str, Any]) -> Iterator[dict[str, Any]]:
    for row in zip(*columns.values(), strict=True):
        yield dict(zip(columns, row, strict=True))
