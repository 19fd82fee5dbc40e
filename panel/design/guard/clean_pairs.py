"""Pairs of takes that differ in one factor: what can be asked instead of two changes at once."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import combinations

from panel.study.factors import Factor, TakeLog, differing, from_to, in_order_of_recording

MOST_CLEAN_PAIRS = 4


@dataclass(frozen=True)
class CleanPair:
    """Two takes that differ in one logged factor only."""

    take_a: str
    take_b: str
    factor: str
    sentence: str


def clean_pairs(
    inside: Collection[str],
    takes: Sequence[TakeLog],
    asked: Sequence[Factor],
    factors: Sequence[Factor],
) -> tuple[CleanPair, ...]:
    """Pairs of takes that differ in one of the asked factors and, as far as logged, nothing else.

    Nearest first: the asked factor that heads the list, both takes from the contrast (`inside`:
    their ids), then one, then none; fewest unlogged factors; then order of recording.
    """
    place = {factor.id: index for index, factor in enumerate(asked)}
    found = []
    for a, b in combinations(in_order_of_recording(takes), 2):
        difference = differing(a, b, factors)
        if len(difference.differs) == 1 and difference.differs[0] in place:
            asked_first = place[difference.differs[0]]
            outside = (a.take_id not in inside) + (b.take_id not in inside)
            rank = (outside, len(difference.unlogged), asked_first, a.order, b.order)
            found.append((rank, _clean_pair(a, b, asked[asked_first])))
    found.sort(key=lambda entry: entry[0])
    return tuple(pair for _, pair in found[:MOST_CLEAN_PAIRS])


def _clean_pair(a: TakeLog, b: TakeLog, factor: Factor) -> CleanPair:
    change = from_to(factor, a.values.get(factor.id), b.values.get(factor.id))
    sentence = f"Takes {a.name} and {b.name} differ in {factor.name} only ({change})."
    return CleanPair(a.take_id, b.take_id, factor.id, sentence)
