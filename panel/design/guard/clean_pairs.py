"""Pairs of takes that differ in one factor: what can be asked instead of two changes at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from panel.study.factors import Factor, TakeLog, differing, from_to

MOST_CLEAN_PAIRS = 4


@dataclass(frozen=True)
class CleanPair:
    """Two takes that differ in one logged factor only."""

    take_a: str
    take_b: str
    factor: str
    sentence: str


def clean_pairs(
    sides: Sequence[Sequence[TakeLog]],
    takes: Sequence[TakeLog],
    asked: Sequence[Factor],
    factors: Sequence[Factor],
) -> tuple[CleanPair, ...]:
    """Pairs of takes that differ in one of the asked factors and, as far as logged, nothing else.

    Nearest first: the asked factor that heads the list, both takes from the contrast, then one,
    then none; fewest unlogged factors; then order of recording.
    """
    inside = {take.take_id for side in sides for take in side}
    asked_ids = [factor.id for factor in asked]
    found = []
    for a, b in combinations(sorted(takes, key=lambda t: (t.order, t.take_id)), 2):
        difference = differing(a, b, factors)
        if len(difference.differs) == 1 and difference.differs[0] in asked_ids:
            factor = asked[asked_ids.index(difference.differs[0])]
            outside = (a.take_id not in inside) + (b.take_id not in inside)
            rank = (outside, len(difference.unlogged), asked_ids.index(factor.id), a.order, b.order)
            found.append((rank, a, b, factor))
    found.sort(key=lambda entry: entry[0])
    return tuple(
        CleanPair(
            a.take_id,
            b.take_id,
            factor.id,
            f"Takes {a.name} and {b.name} differ in {factor.name} only "
            f"({from_to(factor, a.values.get(factor.id), b.values.get(factor.id))}).",
        )
        for _, a, b, factor in found[:MOST_CLEAN_PAIRS]
    )
