"""The vote table held against the plan, and against itself: all votes of a kind at once.

What a vote may look like its procedure says. Of a table that contradicts itself or the plan the
first vote that does is named, with the first thing that is wrong with it.
"""

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from panel.errors import BadInput
from panel.procedures.base import EMPTY, Procedure
from panel.study.plan import Contrast, Plan
from panel.study.votes import (
    HEADPHONE_CHECKS,
    RIGHT,
    UNMARKED,
    WITHDREW,
    WRONG,
    Flags,
    Ints,
    ListenerTable,
    VoteTable,
    place_of,
)
from panel.study.votes_csv import AS_EXPORTED, bad

SAID = {RIGHT: "right", WRONG: "wrong", UNMARKED: "neither right nor wrong"}

Fault = tuple[Flags | Ints, Callable[[int], str]]
"""Which votes (a mask or rows), and the end of the sentence on one of them, by its row."""


def check_against_plan(
    plan: Plan, votes: VoteTable, listeners: ListenerTable
) -> tuple[VoteTable, ListenerTable]:
    """The rows in order, `correct` recomputed; raises BadInput if anything contradicts the plan."""
    for code in sorted(c for c, times in Counter(listeners.listener).items() if times > 1):
        raise bad(f"Listener {code} stands in the listener table twice.")
    expected = marks(plan, votes)
    _refuse_first(_faults(plan, votes, listeners, expected))
    _check_listeners(votes, listeners)
    order = np.argsort(votes.sequence, kind="stable")
    return replace(votes, correct=expected).select(order), listeners.in_order()


def marks(plan: Plan, votes: VoteTable) -> Ints:
    """(votes,): RIGHT or WRONG by slots and answer, UNMARKED where no answer is right.

    Of votes on a contrast that the plan does not have, UNMARKED.
    """
    out = np.full(len(votes), UNMARKED, np.int64)
    for contrast in plan.served:
        rows = np.flatnonzero(votes.on(contrast.id))
        known = contrast.role == "planted_check"
        right = _right(contrast, votes, rows, known=known)
        if right is not None:
            out[rows] = np.where(right, RIGHT, WRONG)
    return out


def check_slots(kind: Procedure, votes: VoteTable, hint: str) -> None:
    """Raises BadInput with `hint` if slots or answer of a vote are not those of its procedure."""
    faults = (
        (wrong, partial(_about, votes, end))
        for wrong, end in _misfits(kind, votes, np.arange(len(votes)))
    )
    _refuse_first(faults, hint)


def _misfits(kind: Procedure, votes: VoteTable, rows: Ints) -> Iterator[Fault]:
    for wrong, end in kind.misfits(votes.slots[rows], votes.given[rows]):
        yield (
            rows[wrong],
            partial(_with_answer, votes, end),
        )


def _right(contrast: Contrast, votes: VoteTable, rows: Ints, *, known: bool) -> Flags | None:
    side = np.array(list(contrast.side_of.values()), np.int64)
    slots = votes.slots_among(tuple(contrast.side_of), rows)
    return contrast.asked_by.right(slots, votes.given[rows], side, known=known)


def _with_answer(votes: VoteTable, end: str, row: int) -> str:
    return f"{end.format(answer=repr(votes.answers[votes.answer[row]]))}."


def _about(votes: VoteTable, end: Callable[[int], str], row: int) -> str:
    return f"{where(votes, row)} {end(row)}"


def where(votes: VoteTable, row: int) -> str:
    """A vote as the sentences name it."""
    return (
        f"Vote {votes.sequence[row]} (listener {votes.listeners[votes.listener[row]]}, "
        f"trial {votes.trial[row]})"
    )


def _refuse_first(faults: Iterator[Fault], hint: str = AS_EXPORTED) -> None:
    """Raises BadInput on the first vote that any of these is about, by the first that is."""
    found = []
    for which, end in faults:
        rows = np.flatnonzero(which) if which.dtype == bool else which
        if rows.size:
            found.append((int(rows.min()), set(rows.tolist()), end))
    if found:
        first = min(row for row, _, _ in found)
        end = next(end for _, rows, end in found if first in rows)
        raise BadInput(end(first), hint=hint)


def _faults(
    plan: Plan, votes: VoteTable, listeners: ListenerTable, expected: Ints
) -> Iterator[Fault]:
    """All that can be wrong with a vote, in the order in which it is told of one."""

    def about(row: int, end: str) -> str:
        return f"{where(votes, row)} {end}"

    yield (
        _again(votes.listener, votes.trial),
        lambda i: about(i, "is there twice: each trial of a listener may have one vote."),
    )
    yield (
        _again(votes.sequence),
        lambda i: f"The sequence number {votes.sequence[i]} is used by two votes.",
    )
    yield (
        ~votes.by(set(listeners.listener)),
        lambda i: about(i, "is by a listener who is not in the listener table."),
    )
    asked = {c.id: c for c in plan.contrasts}
    yield (
        np.array([id_ not in asked for id_ in votes.contrasts], bool)[votes.contrast],
        lambda i: about(
            i,
            f"belongs to contrast “{votes.contrasts[votes.contrast[i]]}”, which the plan does not "
            "have: these votes and this plan do not belong together.",
        ),
    )
    for contrast in plan.contrasts:
        rows = np.flatnonzero(votes.on(contrast.id))
        if rows.size:
            for which, end in _faults_of(plan, contrast, votes, rows, expected):
                yield which, partial(_about, votes, end)


def _faults_of(
    plan: Plan, contrast: Contrast, votes: VoteTable, rows: Ints, expected: Ints
) -> Iterator[Fault]:
    """What can be wrong with votes of one contrast."""
    if contrast.of is not None:
        yield (
            rows,
            lambda i: (
                f"is booked under “{contrast.id}”, which only reports the retake pairs of "
                f"“{contrast.of}”: such votes carry the question's id."
            ),
        )
        return
    yield (
        rows[votes.procedure[rows] != place_of(contrast.procedure, votes.procedures)],
        lambda i: (
            f"was put by {votes.procedures[votes.procedure[i]]!r}, the plan asks “{contrast.id}” "
            f"by {contrast.procedure!r}."
        ),
    )
    excerpts = set(plan.excerpt_ids)
    unknown = np.array([e not in excerpts for e in votes.excerpts], bool)
    yield (
        rows[unknown[votes.excerpt[rows]]],
        lambda i: (
            f"has the excerpt “{votes.excerpts[votes.excerpt[i]]}”, which the plan does not have."
        ),
    )
    yield from _wrong_takes(contrast, votes, rows)
    yield from _misfits(contrast.asked_by, votes, rows)
    kind, side = contrast.asked_by, np.array(list(contrast.side_of.values()), np.int64)
    at_hand = kind.at_hand(votes.slots_among(tuple(contrast.side_of), rows))
    if at_hand is not None:
        pair = kind.pair(votes.slots_among(tuple(contrast.side_of), rows))
        alike = [side[two[:, 0]] == side[two[:, 1]] for two in (pair, at_hand)]
        yield (
            rows[alike[0] | alike[1]],
            lambda i: "does not have one take of each condition, and a reminder of each.",
        )
    if not contrast.ties:
        yield (
            rows[votes.tied[rows]],
            lambda i: "prefers neither, which the plan does not allow.",
        )
    yield from _wrong_marks(contrast, votes, rows, expected)
    counts = np.stack([c[rows] for c in (votes.plays, votes.seconds, votes.day)])
    yield (
        rows[(counts.min(axis=0) < 0) | (votes.trial[rows] < 1) | (votes.sequence[rows] < 1)],
        lambda i: "has a negative count or time.",
    )


def _wrong_takes(contrast: Contrast, votes: VoteTable, rows: Ints) -> Iterator[Fault]:
    slots = votes.slots_among(tuple(contrast.side_of), rows)
    filled = votes.slots[rows] != EMPTY
    foreign = filled & (slots == EMPTY)

    def first_foreign(i: int) -> str:
        place = int(np.argmax(foreign[np.searchsorted(rows, i)]))
        return (
            f"has the take “{votes.takes[votes.slots[i, place]]}”, which contrast “{contrast.id}” "
            "of the plan does not have: these votes and this plan do not belong together."
        )

    yield rows[foreign.any(axis=1)], first_foreign
    if contrast.given:
        stratum = np.array([contrast.stratum_of[take] for take in contrast.side_of], np.int64)
        low = np.where(filled, stratum[slots], len(stratum)).min(axis=1)
        high = np.where(filled, stratum[slots], -1).max(axis=1)
        yield (
            rows[low != high],
            lambda i: (
                f"compares takes that differ in what contrast “{contrast.id}” is asked given: the "
                "plan puts no such pair."
            ),
        )


def _wrong_marks(
    contrast: Contrast, votes: VoteTable, rows: Ints, expected: Ints
) -> Iterator[Fault]:
    said, due = votes.correct[rows], expected[rows]
    # A control of its own may be marked as if its second condition had more, or not at all.
    free = None
    if contrast.role == "retake_control" and contrast.directed:
        free = _right(contrast, votes, rows, known=True)
    if free is not None:
        yield (
            rows[(said != UNMARKED) & (said != np.where(free, RIGHT, WRONG))],
            lambda i: "is marked against its own slots and answer.",
        )
        return
    yield (
        rows[said != due],
        lambda i: (
            f"is marked {SAID[int(votes.correct[i])]}, but by its slots and answer it is "
            f"{SAID[int(expected[i])]}."
        ),
    )


def _again(*columns: Ints) -> Ints:
    """Rows that repeat, in all of these columns, one before them."""
    order = np.lexsort(columns)  # stable: of equal ones the first row comes first
    same = np.ones(max(0, order.size - 1), bool)
    for column in columns:
        same &= column[order][1:] == column[order][:-1]
    out: Ints = order[1:][same]
    return out


def _check_listeners(votes: VoteTable, listeners: ListenerTable) -> None:
    cast = dict(
        zip(
            votes.listeners,
            np.bincount(votes.listener, minlength=len(votes.listeners)).tolist(),
            strict=True,
        )
    )
    for code, said, check, withdrew, removed in zip(
        listeners.listener,
        listeners.votes.tolist(),
        listeners.headphone_check,
        listeners.withdrew,
        listeners.votes_removed.tolist(),
        strict=True,
    ):
        found = cast.get(code, 0)
        if said != found:
            raise bad(
                f"Listener {code} is said to have cast {said} votes, the vote table has {found}."
            )
        if check not in HEADPHONE_CHECKS:
            raise bad(
                f"Listener {code} has the headphone check {check!r}; "
                f"known are {', '.join(HEADPHONE_CHECKS)}."
            )
        if withdrew not in WITHDREW:
            raise bad(
                f"Listener {code} has {withdrew!r} under withdrew; it is empty, kept or removed."
            )
        if withdrew == "removed" and said:
            raise bad(f"Listener {code} had the answers removed, and yet some are there.")
        if removed < 0 or (removed and withdrew != "removed"):
            raise bad(f"Listener {code} has an impossible number of removed votes.")
