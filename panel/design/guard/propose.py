"""What can be asked of the takes at hand: the contrasts that the log would bear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, permutations

from panel.design.guard.check import guard
from panel.design.guard.result import GuardResult
from panel.study.conditions import Condition
from panel.study.factors import (
    Factor,
    TakeLog,
    Value,
    grouped,
    in_order_of_recording,
    is_logged,
    same_value,
    value_groups,
    value_text,
)

Group = tuple[Value, Sequence[TakeLog]]
"""A value of a factor with the takes that have it."""


@dataclass(frozen=True)
class Proposal:
    """A contrast the log would bear. `factor` is None for a retake control."""

    name: str
    factor: str | None
    conditions: tuple[Condition, ...]
    guard: GuardResult


def propose(takes: Sequence[TakeLog], factors: Sequence[Factor]) -> list[Proposal]:
    """Clean contrasts in the log, the best provided with takes first.

    For each factor: takes that agree in all the other factors, grouped by its value. A numeric
    factor with three values or more gives one question over all of them (a trend), a named one
    each pair of values. Takes that are alike in everything, where no question holds them, are
    proposed as retake control. Where takes are crossed over another factor, the question given
    that factor is proposed too: it uses the takes of all its values.
    """
    questions = [*_questions(takes, factors), *_crossed(takes, factors)]
    questions.sort(key=lambda p: -min(len(condition.takes) for condition in p.conditions))
    held = {take for p in questions for condition in p.conditions for take in condition.takes}
    return questions + _retake_controls(takes, factors, held)


def _questions(takes: Sequence[TakeLog], factors: Sequence[Factor]) -> list[Proposal]:
    """Of each factor, among takes that agree in all the others."""
    found = []
    for factor in factors:
        for alike in _alike(_logged(takes, factor), _without(factors, factor)):
            for chosen in _compared(factor, alike):
                conditions = _conditions(factor, chosen)
                *before, last = (condition.label for condition in conditions)
                name = f"{factor.name}: {', '.join(before)} or {last}"
                result = guard(conditions, takes, factors)
                found.append(Proposal(name, factor.id, conditions, result))
    return found


def _compared(factor: Factor, takes: Sequence[TakeLog]) -> list[Sequence[Group]]:
    """Which values are held against each other: of numbers all at once, of names every two."""
    groups = value_groups(factor, takes)
    if factor.kind == "numeric":
        return [groups] if len(groups) > 1 else []
    return list(combinations(groups, 2))


def _crossed(takes: Sequence[TakeLog], factors: Sequence[Factor]) -> list[Proposal]:
    """Two values of a factor, compared among takes alike in one other, wherever the guard allows
    it with all the takes that have a value of both."""
    found = []
    for factor, other in permutations(factors, 2):
        for alike in _alike(_logged(takes, factor, other), _without(factors, factor, other)):
            for chosen in combinations(value_groups(factor, alike), 2):
                conditions = _conditions(factor, chosen)
                result = guard(conditions, takes, factors, given=[other.id])
                if result.allowed:
                    first, second = (condition.label for condition in conditions)
                    name = f"{factor.name}: {first} or {second}, given {other.name}"
                    found.append(Proposal(name, factor.id, conditions, result))
    return found


def _retake_controls(
    takes: Sequence[TakeLog], factors: Sequence[Factor], held: set[str]
) -> list[Proposal]:
    """Takes alike in everything, of which no question holds one."""
    found = []
    for alike in _alike(takes, factors):
        ids = [take.take_id for take in alike]
        if len(ids) > 1 and held.isdisjoint(ids):
            conditions = (
                Condition("first retakes", tuple(ids[::2])),
                Condition("second retakes", tuple(ids[1::2])),
            )
            result = guard(conditions, takes, factors)
            found.append(Proposal(f"Retakes of {alike[0].name}", None, conditions, result))
    return found


def _logged(takes: Sequence[TakeLog], *factors: Factor) -> list[TakeLog]:
    return [t for t in takes if all(is_logged(t.values.get(factor.id)) for factor in factors)]


def _without(factors: Sequence[Factor], *left_out: Factor) -> list[Factor]:
    out = {factor.id for factor in left_out}
    return [factor for factor in factors if factor.id not in out]


def _conditions(factor: Factor, groups: Sequence[Group]) -> tuple[Condition, ...]:
    """A condition for each value of the factor with its takes; a number is its dose."""
    return tuple(
        Condition(
            value_text(factor, value),
            tuple(take.take_id for take in members),
            value if isinstance(value, float | int) else None,
        )
        for value, members in groups
    )


def _alike(takes: Sequence[TakeLog], factors: Sequence[Factor]) -> list[list[TakeLog]]:
    """Takes grouped so that within a group every factor is the same, or unlogged throughout."""
    return grouped(
        in_order_of_recording(takes),
        lambda a, b: all(_agree(a, b, factor) for factor in factors),
    )


def _agree(a: TakeLog, b: TakeLog, factor: Factor) -> bool:
    left, right = a.values.get(factor.id), b.values.get(factor.id)
    if is_logged(left) != is_logged(right):
        return False
    return not is_logged(left) or same_value(factor, left, right)
