"""The vote table: what every verdict is computed from, and nothing else.

One row a vote, listeners under random codes, each column an array. What is text in the file is a
place in a sorted tuple of names here; names may stand there that no row has any more.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from panel.procedures.base import ANSWERS, EMPTY, UNKNOWN

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

Column = Sequence[str] | Sequence[int] | Sequence[str | int]

RIGHT, WRONG, UNMARKED = 1, 0, -1
"""What `correct` holds; unmarked is a vote of which none is right by itself."""
NEITHER = ANSWERS.index("neither")
NO_RATE = -1  # of a listener whose device did not tell its sample rate

VOTE_COLUMNS = (
    "sequence", "listener", "trial", "contrast", "procedure", "excerpt", "one", "two", "three",
    "answer", "correct", "plays", "seconds", "day", "four",
)  # fmt: skip
LISTENER_COLUMNS = (
    "listener", "finished", "headphone_check", "playback", "sample_rate", "votes", "withdrew",
    "votes_removed",
)  # fmt: skip
HEADPHONE_CHECKS = ("passed", "failed", "not taken")
WITHDREW = ("", "kept", "removed")


def places(values: Sequence[str]) -> tuple[Ints, tuple[str, ...]]:
    """Each value's place among the distinct ones, and these in order."""
    names = tuple(sorted(set(values)))
    place = {name: i for i, name in enumerate(names)}
    return np.fromiter(map(place.__getitem__, values), np.int64, len(values)), names


def _texts(codes: Ints, names: Sequence[str]) -> list[str]:
    return [names[i] for i in codes.tolist()]


@dataclass(frozen=True, eq=False)
class VoteTable:
    """Answered trials, one entry of each array a vote; codes are places in the names beside them.

    `slots` (votes, SLOTS): the take of each slot, EMPTY where there is none. `answer`: place in
    `answers`, which begins with ANSWERS and goes on with words that are none. `correct`: RIGHT,
    WRONG or UNMARKED. `seconds`: from the first sound to the answer; `day`: from the first vote's.
    """

    sequence: Ints
    listener: Ints
    trial: Ints
    contrast: Ints
    procedure: Ints
    excerpt: Ints
    slots: Ints
    answer: Ints
    correct: Ints
    plays: Ints
    seconds: Ints
    day: Ints
    listeners: tuple[str, ...]
    contrasts: tuple[str, ...]
    procedures: tuple[str, ...]
    excerpts: tuple[str, ...]
    takes: tuple[str, ...]
    answers: tuple[str, ...]

    @classmethod
    def of(
        cls,
        *,
        sequence: Sequence[int] | Ints,
        listener: Sequence[str],
        trial: Sequence[int] | Ints,
        contrast: Sequence[str],
        procedure: Sequence[str],
        excerpt: Sequence[str],
        slots: Sequence[Sequence[str]],
        answer: Sequence[str],
        correct: Sequence[int] | Ints,
        plays: Sequence[int] | Ints,
        seconds: Sequence[int] | Ints,
        day: Sequence[int] | Ints,
    ) -> VoteTable:
        """From columns as they are read. `slots`: one column for each, "" where there is none."""
        by_listener, listeners = places(listener)
        by_contrast, contrasts = places(contrast)
        by_procedure, procedures = places(procedure)
        by_excerpt, excerpts = places(excerpt)
        takes = tuple(sorted(set().union(*slots) - {""}))
        take = {"": EMPTY} | {id_: i for i, id_ in enumerate(takes)}
        answers = (*ANSWERS, *sorted(set(answer) - set(ANSWERS)))
        place = {word: i for i, word in enumerate(answers)}

        def numbers(column: Sequence[int] | Ints) -> Ints:
            return np.asarray(column, np.int64).reshape(-1)

        return cls(
            sequence=numbers(sequence),
            listener=by_listener,
            trial=numbers(trial),
            contrast=by_contrast,
            procedure=by_procedure,
            excerpt=by_excerpt,
            slots=np.stack([numbers([take[id_] for id_ in column]) for column in slots], axis=1),
            answer=numbers([place[word] for word in answer]),
            correct=numbers(correct),
            plays=numbers(plays),
            seconds=numbers(seconds),
            day=numbers(day),
            listeners=listeners,
            contrasts=contrasts,
            procedures=procedures,
            excerpts=excerpts,
            takes=takes,
            answers=answers,
        )

    def __len__(self) -> int:
        return int(self.sequence.size)

    def __eq__(self, other: object) -> bool:
        """The same rows in the same order, whatever names stand beside them."""
        return isinstance(other, VoteTable) and self.columns() == other.columns()

    __hash__ = None  # type: ignore[assignment]

    def columns(self) -> dict[str, Column]:
        """Every column of VOTE_COLUMNS as it is written; `correct` as RIGHT, WRONG or UNMARKED."""
        takes = (*self.takes, "")  # EMPTY is the last
        one, two, three, four = (_texts(column, takes) for column in self.slots.T)
        return {
            "sequence": self.sequence.tolist(),
            "listener": _texts(self.listener, self.listeners),
            "trial": self.trial.tolist(),
            "contrast": _texts(self.contrast, self.contrasts),
            "procedure": _texts(self.procedure, self.procedures),
            "excerpt": _texts(self.excerpt, self.excerpts),
            "one": one,
            "two": two,
            "three": three,
            "answer": _texts(self.answer, self.answers),
            "correct": self.correct.tolist(),
            "plays": self.plays.tolist(),
            "seconds": self.seconds.tolist(),
            "day": self.day.tolist(),
            "four": four,
        }

    def select(self, which: Flags | Ints) -> VoteTable:
        """The rows that a mask or indices choose; the names stay."""
        return replace(
            self,
            sequence=self.sequence[which],
            listener=self.listener[which],
            trial=self.trial[which],
            contrast=self.contrast[which],
            procedure=self.procedure[which],
            excerpt=self.excerpt[which],
            slots=self.slots[which],
            answer=self.answer[which],
            correct=self.correct[which],
            plays=self.plays[which],
            seconds=self.seconds[which],
            day=self.day[which],
        )

    def on(self, *contrasts: str) -> Flags:
        """(votes,): which votes are on one of these contrasts, by their ids."""
        return _among(contrasts, self.contrasts)[self.contrast]

    def of_contrast(self, contrast: str) -> VoteTable:
        return self.select(self.on(contrast))

    def by(self, listeners: Collection[str]) -> Flags:
        """(votes,): which votes are by one of these listeners."""
        return _among(listeners, self.listeners)[self.listener]

    @property
    def given(self) -> Ints:
        """(votes,): the answers as places in ANSWERS, UNKNOWN for a word that is none of them."""
        return np.where(self.answer < len(ANSWERS), self.answer, UNKNOWN)

    @property
    def tied(self) -> Flags:
        """(votes,): neither take was preferred."""
        out: Flags = self.answer == NEITHER
        return out

    @property
    def people(self) -> tuple[str, ...]:
        """The codes of those who have votes here, in order."""
        return _there(self.listener, self.listeners)

    @property
    def heard(self) -> tuple[str, ...]:
        """The excerpts that votes here are on, in order."""
        return _there(self.excerpt, self.excerpts)

    def slots_among(self, takes: Sequence[str], rows: Ints | Flags | None = None) -> Ints:
        """(votes, SLOTS): slots with takes numbered by their place in `takes`.

        EMPTY for a take that is not there, too. `rows`: of these votes alone.
        """
        number = {take: i for i, take in enumerate(takes)}
        # EMPTY, which is −1, finds the last.
        by_code = np.array([*(number.get(take, EMPTY) for take in self.takes), EMPTY], np.int64)
        out: Ints = by_code[self.slots if rows is None else self.slots[rows]]
        return out


def place_of(name: str, names: Sequence[str]) -> int:
    """Where a name stands; a number that no code has if it does not."""
    return names.index(name) if name in names else len(names)


def _among(some: Collection[str], names: Sequence[str]) -> Flags:
    return np.array([name in some for name in names], bool)


def _there(codes: Ints, names: Sequence[str]) -> tuple[str, ...]:
    return tuple(names[i] for i in np.unique(codes).tolist())


@dataclass(frozen=True, eq=False)
class ListenerTable:
    """Listeners, known by random codes, with what was declared and checked: one entry each.

    `sample_rate`: Hz, or NO_RATE. `withdrew`: "" (no), "kept" (the answers stay, without a name)
    or "removed" (no answer is left, and `votes_removed` says how many there were).
    """

    listener: tuple[str, ...]
    finished: Flags
    headphone_check: tuple[str, ...]
    playback: tuple[str, ...]
    sample_rate: Ints
    votes: Ints
    withdrew: tuple[str, ...]
    votes_removed: Ints

    @classmethod
    def of(
        cls,
        *,
        listener: Sequence[str],
        finished: Sequence[bool] | Flags,
        headphone_check: Sequence[str],
        playback: Sequence[str],
        sample_rate: Sequence[int] | Ints,
        votes: Sequence[int] | Ints,
        withdrew: Sequence[str],
        votes_removed: Sequence[int] | Ints,
    ) -> ListenerTable:
        """From columns as they are read."""
        return cls(
            listener=tuple(listener),
            finished=np.asarray(finished, bool),
            headphone_check=tuple(headphone_check),
            playback=tuple(playback),
            sample_rate=np.asarray(sample_rate, np.int64),
            votes=np.asarray(votes, np.int64),
            withdrew=tuple(withdrew),
            votes_removed=np.asarray(votes_removed, np.int64),
        )

    def __len__(self) -> int:
        return len(self.listener)

    def __eq__(self, other: object) -> bool:
        """The same rows in the same order."""
        return isinstance(other, ListenerTable) and self.columns() == other.columns()

    __hash__ = None  # type: ignore[assignment]

    def columns(self) -> dict[str, Column]:
        """Every column of LISTENER_COLUMNS; a sample rate that is not known as NO_RATE."""
        return {
            "listener": list(self.listener),
            "finished": self.finished.tolist(),
            "headphone_check": list(self.headphone_check),
            "playback": list(self.playback),
            "sample_rate": self.sample_rate.tolist(),
            "votes": self.votes.tolist(),
            "withdrew": list(self.withdrew),
            "votes_removed": self.votes_removed.tolist(),
        }

    def select(self, which: Flags | Ints) -> ListenerTable:
        """The rows that a mask or indices choose."""
        rows = np.arange(len(self))[which]

        def some(texts: Sequence[str]) -> tuple[str, ...]:
            return tuple(texts[i] for i in rows.tolist())

        return ListenerTable(
            listener=some(self.listener),
            finished=self.finished[rows],
            headphone_check=some(self.headphone_check),
            playback=some(self.playback),
            sample_rate=self.sample_rate[rows],
            votes=self.votes[rows],
            withdrew=some(self.withdrew),
            votes_removed=self.votes_removed[rows],
        )

    def in_order(self) -> ListenerTable:
        """By code."""
        return self.select(np.argsort(places(self.listener)[0], kind="stable"))


def listeners_of(votes: VoteTable, all_votes: int | None = None) -> ListenerTable:
    """A listener table of what the votes alone show: nothing declared, nothing checked.

    `all_votes`: how many votes a listener who finished has cast; None: not known.
    """
    cast = np.bincount(votes.listener, minlength=len(votes.listeners))
    there = np.flatnonzero(cast)
    people = there.size
    return ListenerTable.of(
        listener=[votes.listeners[i] for i in there.tolist()],
        finished=np.zeros(people, bool) if all_votes is None else cast[there] >= all_votes,
        headphone_check=["not taken"] * people,
        playback=["unknown"] * people,
        sample_rate=[NO_RATE] * people,
        votes=cast[there],
        withdrew=[""] * people,
        votes_removed=[0] * people,
    )
