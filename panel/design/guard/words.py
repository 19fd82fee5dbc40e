"""What the guard says of takes and the factors they differ in."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, product

from panel.design.guard.clean_pairs import CleanPair
from panel.study.conditions import Condition
from panel.study.factors import Factor, TakeLog, differing, from_to


def unlogged_sentence(unlogged: Sequence[Factor]) -> str:
    return (
        f"Not logged on every take, hence unknown: {listed([f.name for f in unlogged])}. While "
        "that is so, a verdict can only be about these recordings, not about what was changed. "
        "Complete the log."
    )


def refusal(
    sides: Sequence[Sequence[TakeLog]],
    names: str,
    factors: Sequence[Factor],
    nearest: Sequence[CleanPair],
) -> str:
    parts = []
    for factor in factors:
        for left, right in combinations(sides, 2):
            pair = next(
                ((a, b) for a, b in product(left, right) if differing(a, b, [factor]).differs),
                None,
            )
            if pair is not None:
                a, b = (take.values.get(factor.id) for take in pair)
                parts.append(f"{factor.name} ({from_to(factor, a, b)})")
                break
    text = f"{names} differ in {count(len(factors))} factors: {listed(parts)}. Ask about one"
    if nearest:
        return f"{text}. {nearest[0].sentence}"
    return f"{text}: no two takes at hand differ in just one of them, so record such takes first."


def within_sentence(
    conditions: Sequence[Condition], sides: Sequence[Sequence[TakeLog]], factor: Factor
) -> str:
    for condition, side in zip(conditions, sides, strict=True):
        for a, b in combinations(side, 2):
            if differing(a, b, [factor]).differs:
                values = from_to(factor, a.values.get(factor.id), b.values.get(factor.id))
                return (
                    f"Takes of “{condition.label}” differ among themselves in {factor.name} "
                    f"({a.name} and {b.name}: {values})."
                )
    raise AssertionError("called for a factor that varies within a condition")


def listed(parts: Sequence[str]) -> str:
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def count(n: int) -> str:
    return {2: "two", 3: "three", 4: "four", 5: "five"}.get(n, str(n))
