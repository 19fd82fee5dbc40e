"""Votes of one contrast as arrays: what every count, p value and model starts from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from panel.analysis.attribution.permutation import PairTable
from panel.study.plan import Contrast, Plan
from panel.study.votes import RIGHT, VoteTable

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Coded:
    """Votes of one contrast as arrays (votes,), in the order they count.

    `first` < `second`: take indices, numbered condition by condition; `y`: right, or, directed,
    the vote was for `second` (across conditions: for the later, or higher, condition). `one`: the
    take in the first position. `tied`: neither was preferred (then `y` says nothing); None where
    that cannot be said. `differ`: two takes were played; None where they always are.
    `at_hand` (votes, 2): the takes that were at hand beside the pair; None where there are none.
    `excerpts`: the names behind `excerpt`, where they are known.
    """

    take_ids: tuple[str, ...]
    labels: Ints
    first: Ints
    second: Ints
    one: Ints
    excerpt: Ints
    listener: Ints
    listeners: tuple[str, ...]
    y: NDArray[np.bool_]
    tied: NDArray[np.bool_] | None = None
    differ: NDArray[np.bool_] | None = None
    at_hand: Ints | None = None
    excerpts: tuple[str, ...] = ()

    @cached_property
    def decided(self) -> NDArray[np.bool_]:
        """Votes that chose."""
        return np.ones(self.y.size, bool) if self.tied is None else ~self.tied

    @cached_property
    def value(self) -> Floats:
        """`y` as a number; a vote for neither counts half."""
        return np.where(self.decided, self.y.astype(float), 0.5)

    @cached_property
    def across(self) -> NDArray[np.bool_]:
        out: NDArray[np.bool_] = self.labels[self.first] != self.labels[self.second]
        return out

    @cached_property
    def table(self) -> PairTable:
        """Of pairs that were played: one take twice says nothing about two."""
        use = np.ones(self.y.size, bool) if self.differ is None else self.differ
        return PairTable.count(
            self.first[use],
            self.second[use],
            self.excerpt[use],
            self.value[use],
            len(self.take_ids),
        )

    def select(self, rows: Ints, contrast: Contrast) -> Coded:
        """Some of the votes, as votes on `contrast`: this one, or one that has only takes of this
        one, among them all that these votes are on."""
        take_ids, labels = _takes(contrast)
        place = {take: i for i, take in enumerate(take_ids)}
        number = np.array([place.get(take, -1) for take in self.take_ids], np.int64)
        listener, people = _anew(self.listener[rows])
        excerpt, played = _anew(self.excerpt[rows])
        return Coded(
            take_ids=take_ids,
            labels=labels,
            first=number[self.first[rows]],
            second=number[self.second[rows]],
            one=number[self.one[rows]],
            excerpt=excerpt,
            listener=listener,
            listeners=tuple(self.listeners[i] for i in people),
            y=self.y[rows],
            tied=None if self.tied is None else self.tied[rows],
            differ=None if self.differ is None else self.differ[rows],
            at_hand=None if self.at_hand is None else number[self.at_hand[rows]],
            excerpts=tuple(self.excerpts[i] for i in played) if self.excerpts else (),
        )


def code(contrast: Contrast, votes: VoteTable, rows: Ints | None = None) -> Coded:
    """The votes of a contrast in its own numbers; conditions of a dose are put in rising order.

    `rows`: which votes of the table, in the order in which they count; None: those on the contrast.
    """
    rows = np.flatnonzero(votes.on(contrast.id)) if rows is None else rows
    take_ids, labels = _takes(contrast)
    kind = contrast.asked_by
    slots, answer = votes.slots_among(take_ids, rows), votes.given[rows]
    first, second = kind.pair(slots).T
    chosen, correct = kind.chosen(slots, answer), votes.correct[rows]
    listener, people = _anew(votes.listener[rows])
    excerpt, played = _anew(votes.excerpt[rows])
    return Coded(
        take_ids=take_ids,
        labels=labels,
        first=first,
        second=second,
        one=slots[:, 0],
        excerpt=excerpt,
        listener=listener,
        listeners=tuple(votes.listeners[i] for i in people),
        y=chosen == second if contrast.directed else correct == RIGHT,
        tied=votes.tied[rows] if contrast.ties else None,
        differ=kind.differ(slots),
        at_hand=kind.at_hand(slots),
        excerpts=tuple(votes.excerpts[i] for i in played),
    )


def _takes(contrast: Contrast) -> tuple[tuple[str, ...], Ints]:
    """Take ids condition by condition, and each one's condition."""
    conditions = list(contrast.conditions)
    if contrast.is_dose:
        conditions.sort(key=lambda c: c.dose or 0.0)
    labels = np.repeat(np.arange(len(conditions)), [len(c.takes) for c in conditions])
    return tuple(t for c in conditions for t in c.takes), labels.astype(np.int64)


def _anew(codes: Ints) -> tuple[Ints, list[int]]:
    """Codes numbered anew among those that are there, in their order, and which these were."""
    there = np.bincount(codes) > 0
    new: Ints = (np.cumsum(there) - 1)[codes]
    return new, np.flatnonzero(there).tolist()


@dataclass(frozen=True)
class CodedVotes:
    """A study's votes, in order of arrival, with those of each contrast as arrays.

    `rows`: contrast id to its votes in the table; `coded`: the same as arrays; `place` (votes,):
    where each vote stands among those of its contrast.
    """

    votes: VoteTable
    rows: Mapping[str, Ints]
    coded: Mapping[str, Coded]
    place: Ints

    @classmethod
    def of(cls, plan: Plan, votes: VoteTable) -> CodedVotes:
        rows = {c.id: np.flatnonzero(votes.on(c.id)) for c in plan.served}
        place = np.zeros(len(votes), np.int64)
        for own in rows.values():
            place[own] = np.arange(own.size)
        coded = {c.id: code(c, votes, rows[c.id]) for c in plan.served}
        return cls(votes, rows, coded, place)

    def some(self, contrast: Contrast, rows: Ints) -> Coded:
        """Of the votes on a contrast those in `rows` of the table, in that order; the contrast may
        lack takes here, if none of these votes is on them."""
        whole, place = self.coded[contrast.id], self.place[rows]
        if np.array_equal(place, np.arange(whole.y.size)) and _takes(contrast)[0] == whole.take_ids:
            return whole
        return whole.select(place, contrast)
