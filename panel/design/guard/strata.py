"""Takes crossed over a second factor: strata within which only the factor asked about differs.

A stratum holds the takes that are alike in every given factor. Pairs are formed, and labels
permuted, inside strata only, so whatever the given factors do, they do to both takes of a pair.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

from panel.study.conditions import Stratum
from panel.study.factors import (
    Factor,
    TakeLog,
    grouped,
    in_order_of_recording,
    is_logged,
    same_value,
    value_text,
)

LEAST_OF_A_CELL = 2  # takes of a condition in a stratum: with one there is no retake to compare


def strata_of(takes: Sequence[TakeLog], given: Sequence[Factor]) -> tuple[Stratum, ...] | str:
    """The strata, in the order of recording, or a sentence on what keeps a take out of all."""
    ordered = in_order_of_recording(takes)
    for take, factor in product(ordered, given):
        if not is_logged(take.values.get(factor.id)):
            return f"Take {take.name} has no {factor.name} in its log. Complete the log."
    return tuple(
        Stratum(
            ", ".join(f"{f.name} {value_text(f, group[0].values.get(f.id))}" for f in given),
            tuple(sorted(take.take_id for take in group)),
        )
        for group in grouped(ordered, lambda a, b: _same_in_all(given, a, b))
    )


def _same_in_all(given: Sequence[Factor], a: TakeLog, b: TakeLog) -> bool:
    return all(same_value(f, a.values.get(f.id), b.values.get(f.id)) for f in given)


def cells(
    conditions: Sequence[Sequence[str]], strata: Sequence[Sequence[str]]
) -> tuple[tuple[int, ...], ...]:
    """Takes of each condition (columns) in each stratum (rows)."""
    return tuple(tuple(len(set(side) & set(stratum)) for side in conditions) for stratum in strata)
