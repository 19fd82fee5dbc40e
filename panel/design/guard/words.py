"""What the guard says of takes and the factors they differ in."""

from __future__ import annotations

from collections.abc import Sequence

from panel.design.guard.clean_pairs import CleanPair
from panel.design.guard.sides import Pair, Side, across, first_that_differs, inside
from panel.prose import listed, quoted, spelled
from panel.study.factors import Factor, from_to, value_text


def named(sides: Sequence[Side]) -> str:
    return quoted(side.label for side in sides)


def unlogged_sentence(unlogged: Sequence[Factor]) -> str:
    """What cannot be said while these are not logged; "" where all is."""
    if not unlogged:
        return ""
    return (
        f"Not logged on every take, hence unknown: {listed([f.name for f in unlogged])}. While "
        "that is so, a verdict can only be about these recordings, not about what was changed. "
        "Complete the log."
    )


def refusal(sides: Sequence[Side], factors: Sequence[Factor], nearest: Sequence[CleanPair]) -> str:
    """That these factors differ, each with the values of the first pair that differs in it, and
    what could be asked instead."""
    parts = [f"{factor.name} ({_change(across(sides), factor)})" for factor in factors]
    text = (
        f"{named(sides)} differ in {spelled(len(factors))} factors: {listed(parts)}. Ask about one"
    )
    if nearest:
        return f"{text}. {nearest[0].sentence}"
    return f"{text}: no two takes at hand differ in just one of them, so record such takes first."


def misplaced_sentence(sides: Sequence[Side], pair: Pair, factor: Factor) -> str:
    """That the conditions are not kept apart, since two takes across are logged alike."""
    return (
        f"{named(sides)} are not kept apart by {factor.name}: take {pair.first.name} "
        f"(“{pair.first_label}”) and take {pair.second.name} (“{pair.second_label}”) are both "
        f"logged as {value_text(factor, pair.first.values.get(factor.id))}. "
        "Move one of them, or correct its log."
    )


def within_sentence(sides: Sequence[Side], factor: Factor) -> str:
    """That takes of one condition differ in the factor, with the first two that do."""
    pair = first_that_differs(inside(sides), factor)
    return (
        f"Takes of “{pair.first_label}” differ among themselves in {factor.name} "
        f"({pair.first.name} and {pair.second.name}: {_change([pair], factor)})."
    )


def _change(pairs: Sequence[Pair], factor: Factor) -> str:
    pair = first_that_differs(pairs, factor)
    return from_to(factor, pair.first.values.get(factor.id), pair.second.values.get(factor.id))
