"""The votes of one contrast by the takes that they compare: what the pictures count."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from panel.report.figures.outcome import ordered
from panel.study.plan import Contrast
from panel.study.votes import RIGHT, UNMARKED, Flags, Ints, VoteTable


@dataclass(frozen=True)
class Compared:
    """Votes that chose, one entry each.

    `pair` (votes, 2), `chosen`: places in `votes.takes`. `low`, `high`: the conditions of the pair,
    by their place among `ordered`. `hit`: right, or, where none is, for the higher condition.
    """

    votes: VoteTable
    pair: Ints
    chosen: Ints
    low: Ints
    high: Ints
    hit: Flags

    @property
    def across(self) -> Flags:
        """(votes,): the two takes are of two conditions."""
        out: Flags = self.low != self.high
        return out


def compared(contrast: Contrast, votes: VoteTable) -> Compared:
    own = votes.select(votes.on(contrast.id) & ~votes.tied)
    kind = contrast.asked_by
    side_of = {take: i for i, c in enumerate(ordered(contrast)) for take in c.takes}
    # EMPTY, which is −1, finds the last.
    side = np.array([*(side_of.get(take, -1) for take in own.takes), -1], np.int64)
    pair, chosen = kind.pair(own.slots), kind.chosen(own.slots, own.given)
    sides = side[pair]
    high = sides.max(axis=1, initial=-1)
    return Compared(
        votes=own,
        pair=pair,
        chosen=chosen,
        low=sides.min(axis=1, initial=len(side_of)),
        high=high,
        hit=np.where(own.correct == UNMARKED, side[chosen] == high, own.correct == RIGHT),
    )
