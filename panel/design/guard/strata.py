"""Takes crossed over a second factor: strata within which only the factor asked about differs.

A stratum holds the takes that are alike in every given factor. Pairs are formed, and labels
permuted, inside strata only, so whatever the given factors do, they do to both takes of a pair.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from panel.study.conditions import Stratum
from panel.study.factors import Factor, TakeLog, is_logged, same_value, value_text

LEAST_OF_A_CELL = 2  # takes of a condition in a stratum: with one there is no retake to compare


def strata_of(takes: Sequence[TakeLog], given: Sequence[Factor]) -> tuple[Stratum, ...] | str:
    """The strata, in the order of recording, or a sentence on what keeps a take out of all."""
    groups: list[list[TakeLog]] = []
    for take in sorted(takes, key=lambda t: (t.order, t.take_id)):
        for factor in given:
            if not is_logged(take.values.get(factor.id)):
                return f"Take {take.name} has no {factor.name} in its log. Complete the log."
        for group in groups:
            if all(same_value(f, group[0].values.get(f.id), take.values.get(f.id)) for f in given):
                group.append(take)
                break
        else:
            groups.append([take])
    return tuple(
        Stratum(
            ", ".join(f"{f.name} {value_text(f, group[0].values.get(f.id))}" for f in given),
            tuple(sorted(take.take_id for take in group)),
        )
        for group in groups
    )


def cells(
    conditions: Sequence[Sequence[str]], strata: Sequence[Sequence[str]]
) -> tuple[tuple[int, ...], ...]:
    """Takes of each condition (columns) in each stratum (rows)."""
    return tuple(tuple(len(set(side) & set(stratum)) for side in conditions) for stratum in strata)


def cells_of(contrast: Mapping[str, Any]) -> tuple[tuple[int, ...], ...]:
    """The cells of a plan's contrast; empty where it is not asked given another factor."""
    return cells(
        [condition["takes"] for condition in contrast["conditions"]],
        [stratum["takes"] for stratum in contrast.get("strata") or ()],
    )
