"""Votes of one contrast as arrays: what every count, p value and model starts from."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from panel.analysis.attribution.permutation import PairTable
from panel.study.plan import Contrast
from panel.study.votes import Vote

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Coded:
    """Votes of one contrast as arrays (votes,), in the order they count.

    `first` < `second`: take indices, numbered condition by condition; `y`: right, or, directed,
    the vote was for `second` (across conditions: for the later, or higher, condition). `one`: the
    take in the first position. `tied`: neither was preferred (then `y` says nothing); None where
    that cannot be said. `differ`: two takes were played; None where they always are.
    `reminders` (votes, 2): the takes that were at hand beside the pair; None where there are none.
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
    reminders: Ints | None = None

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
            self.first[use].tolist(),
            self.second[use].tolist(),
            self.excerpt[use].tolist(),
            self.value[use].tolist(),
            len(self.take_ids),
        )


def code(contrast: Contrast, votes: Sequence[Vote]) -> Coded:
    """Turn the votes of a contrast into arrays; conditions of a dose are put in rising order."""
    conditions = list(contrast.conditions)
    if contrast.is_dose:
        conditions.sort(key=lambda c: c.dose or 0.0)
    take_ids = tuple(t for c in conditions for t in c.takes)
    index = {t: i for i, t in enumerate(take_ids)}
    labels = np.repeat(np.arange(len(conditions)), [len(c.takes) for c in conditions])
    listeners = tuple(sorted({v.listener for v in votes}))
    who = {c: i for i, c in enumerate(listeners)}
    excerpts = {e: i for i, e in enumerate(sorted({v.excerpt for v in votes}))}
    pairs = [sorted(index[t] for t in v.pair) for v in votes]
    first = np.array([p[0] for p in pairs], np.int64)
    second = np.array([p[1] for p in pairs], np.int64)
    tied = None
    if contrast.ties:
        tied = np.array([v.tied for v in votes], bool)
    differ = None
    if contrast.procedure == "same_different":
        differ = np.array([v.one != v.two for v in votes], bool)
    if contrast.directed:
        y = np.array(
            [not v.tied and index[v.chosen] == p[1] for v, p in zip(votes, pairs, strict=True)],
            bool,
        )
    else:
        y = np.array([bool(v.correct) for v in votes], bool)
    return Coded(
        take_ids=take_ids,
        labels=labels.astype(np.int64),
        first=first,
        second=second,
        one=np.array([index[v.one] for v in votes], np.int64),
        excerpt=np.array([excerpts[v.excerpt] for v in votes], np.int64),
        listener=np.array([who[v.listener] for v in votes], np.int64),
        listeners=listeners,
        y=y,
        tied=tied,
        differ=differ,
        reminders=(
            np.array([[index[t] for t in v.slots[2:]] for v in votes], np.int64).reshape(-1, 2)
            if contrast.procedure == "reminder"
            else None
        ),
    )
