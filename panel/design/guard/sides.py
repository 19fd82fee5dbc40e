"""The takes that a contrast holds against each other, and what their logs say of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations, product

from panel.study.conditions import Condition, sides_of
from panel.study.factors import Factor, TakeLog, differing


@dataclass(frozen=True)
class Side:
    """One condition of a contrast with the logs of its takes."""

    label: str
    takes: tuple[TakeLog, ...]


@dataclass(frozen=True)
class Pair:
    """Two takes, each with the label of the condition it stands under."""

    first: TakeLog
    second: TakeLog
    first_label: str
    second_label: str


@dataclass(frozen=True)
class Seen:
    """What the logs say: the factors that differ in a pair across conditions, those that are not
    logged for both takes of one, and those that differ in a pair within a condition."""

    differs: tuple[Factor, ...]
    unlogged: tuple[Factor, ...]
    within: tuple[Factor, ...]


Together = Callable[[TakeLog, TakeLog], bool]
"""Whether two takes are held against each other at all."""


def sides_with_logs(conditions: Sequence[Condition], takes: Sequence[TakeLog]) -> tuple[Side, ...]:
    """The conditions with the logs of their takes. Raises BadInput as the guard says."""
    logs = sides_of(conditions, takes)
    return tuple(
        Side(condition.label, tuple(own)) for condition, own in zip(conditions, logs, strict=True)
    )


def any_two(first: TakeLog, second: TakeLog) -> bool:
    """Where no factor is given, every take is held against every other."""
    return True


def across(sides: Sequence[Side], together: Together = any_two) -> list[Pair]:
    """Pairs of takes of two conditions."""
    return [
        Pair(first, second, left.label, right.label)
        for left, right in combinations(sides, 2)
        for first, second in product(left.takes, right.takes)
        if together(first, second)
    ]


def inside(sides: Sequence[Side], together: Together = any_two) -> list[Pair]:
    """Pairs of takes of one condition."""
    return [
        Pair(first, second, side.label, side.label)
        for side in sides
        for first, second in combinations(side.takes, 2)
        if together(first, second)
    ]


def seen(sides: Sequence[Side], factors: Sequence[Factor], together: Together = any_two) -> Seen:
    """What the logs say of all pairs that are held against each other, in the factors' order."""
    differs: set[str] = set()
    unlogged: set[str] = set()
    for pair in across(sides, together):
        difference = differing(pair.first, pair.second, factors)
        differs.update(difference.differs)
        unlogged.update(difference.unlogged)
    within: set[str] = set()
    for pair in inside(sides, together):
        within.update(differing(pair.first, pair.second, factors).differs)
    return Seen(_among(factors, differs), _among(factors, unlogged), _among(factors, within))


def first_that_differs(pairs: Sequence[Pair], factor: Factor) -> Pair:
    """The first pair that differs in the factor; to be asked where one does."""
    return next(pair for pair in pairs if differing(pair.first, pair.second, [factor]).differs)


def first_logged_alike(pairs: Sequence[Pair], factors: Sequence[Factor]) -> Pair | None:
    """The first pair for which all these factors are logged, and the same."""
    for pair in pairs:
        difference = differing(pair.first, pair.second, factors)
        if not difference.differs and not difference.unlogged:
            return pair
    return None


def ids(factors: Sequence[Factor]) -> tuple[str, ...]:
    return tuple(factor.id for factor in factors)


def _among(factors: Sequence[Factor], chosen: set[str]) -> tuple[Factor, ...]:
    return tuple(factor for factor in factors if factor.id in chosen)
