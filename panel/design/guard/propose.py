"""Contrasts: what can be asked of the takes at hand (the guard itself is in guard.py)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, permutations

from panel.design.guard.check import guard
from panel.design.guard.clean_pairs import CleanPair
from panel.design.guard.result import GuardResult
from panel.study.conditions import Condition
from panel.study.factors import (
    Factor,
    TakeLog,
    Value,
    is_logged,
    same_value,
    value_groups,
    value_text,
)

__all__ = ["CleanPair", "Condition", "GuardResult", "Proposal", "guard", "propose"]


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
    questions: list[Proposal] = []
    for factor in factors:
        others = [other for other in factors if other.id != factor.id]
        logged = [take for take in takes if is_logged(take.values.get(factor.id))]
        for alike in _alike(logged, others):
            groups = value_groups(factor, alike)
            sets = (
                [groups] if factor.kind == "numeric" else list(map(list, combinations(groups, 2)))
            )
            for chosen in sets:
                if len(chosen) < 2:
                    continue
                conditions = _conditions(factor, chosen)
                result = guard(conditions, takes, factors)
                labels = [condition.label for condition in conditions]
                name = f"{factor.name}: {', '.join(labels[:-1])} or {labels[-1]}"
                questions.append(Proposal(name, factor.id, conditions, result))
    questions += _crossed(takes, factors)
    questions.sort(key=lambda p: -min(len(condition.takes) for condition in p.conditions))
    held = {take for p in questions for condition in p.conditions for take in condition.takes}
    controls = []
    for alike in _alike(takes, factors):
        if len(alike) < 2 or any(take.take_id in held for take in alike):
            continue
        ids = [take.take_id for take in alike]
        conditions = (
            Condition("first retakes", tuple(ids[::2])),
            Condition("second retakes", tuple(ids[1::2])),
        )
        result = guard(conditions, takes, factors)
        controls.append(Proposal(f"Retakes of {alike[0].name}", None, conditions, result))
    return questions + controls


def _crossed(takes: Sequence[TakeLog], factors: Sequence[Factor]) -> list[Proposal]:
    """Two values of a factor, compared among takes alike in one other, wherever the guard allows
    it with all the takes that have a value of both."""
    found = []
    for factor, other in permutations(factors, 2):
        rest = [third for third in factors if third.id not in (factor.id, other.id)]
        logged = [t for t in takes if all(is_logged(t.values.get(f.id)) for f in (factor, other))]
        for alike in _alike(logged, rest):
            for chosen in combinations(value_groups(factor, alike), 2):
                conditions = _conditions(factor, chosen)
                result = guard(conditions, takes, factors, given=[other.id])
                if result.allowed:
                    first, second = (condition.label for condition in conditions)
                    name = f"{factor.name}: {first} or {second}, given {other.name}"
                    found.append(Proposal(name, factor.id, conditions, result))
    return found


def _conditions(
    factor: Factor, groups: Sequence[tuple[Value, Sequence[TakeLog]]]
) -> tuple[Condition, ...]:
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
    groups: list[list[TakeLog]] = []
    for take in sorted(takes, key=lambda t: (t.order, t.take_id)):
        for group in groups:
            if all(_agree(group[0], take, factor) for factor in factors):
                group.append(take)
                break
        else:
            groups.append([take])
    return groups


def _agree(a: TakeLog, b: TakeLog, factor: Factor) -> bool:
    left, right = a.values.get(factor.id), b.values.get(factor.id)
    if is_logged(left) != is_logged(right):
        return False
    return not is_logged(left) or same_value(factor, left, right)
