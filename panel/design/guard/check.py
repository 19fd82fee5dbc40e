"""The guard against two changes at once: what may be asked of the takes at hand.

One factor differs between the sides: a question. None: a retake control. More: refused, unless
the organiser gives a written reason, which the verdict then repeats.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, product
from typing import Literal

from panel.design.floor import floor_sentence
from panel.design.guard.clean_pairs import CleanPair, clean_pairs
from panel.design.guard.given import guard_given
from panel.design.guard.order import order_sentence
from panel.design.guard.result import GuardResult
from panel.design.guard.words import refusal, unlogged_sentence, within_sentence
from panel.study.conditions import Condition, pairs_inside, sides_of
from panel.study.factors import Factor, TakeLog, differing, value_text


def guard(
    conditions: Sequence[Condition],
    takes: Sequence[TakeLog],
    factors: Sequence[Factor],
    override_reason: str | None = None,
    given: Sequence[str] = (),
) -> GuardResult:
    """Judge a contrast from the chain logs.

    A factor differs if any pair of takes across the sides differs in it. With a written
    `override_reason` a contrast of more factors is allowed and `overridden`. With `given` (factor
    ids) only takes alike in these are compared, and no reason helps where they do not allow it.
    Raises BadInput for
    fewer than two conditions, an empty one, an unknown take, or a take on two sides, or an
    unknown factor.
    """
    sides = sides_of(conditions, takes)
    if given:
        return guard_given(conditions, sides, factors, given)
    by_id = {factor.id: factor for factor in factors}
    differs, unlogged = _across(sides, factors)
    within = tuple(
        factor.id
        for factor in factors
        if any(factor.id in differing(a, b, [factor]).differs for a, b in pairs_inside(sides))
    )
    reason = (override_reason or "").strip()
    names = " and ".join(f"“{condition.label}”" for condition in conditions)
    warnings: list[str] = []
    nearest: tuple[CleanPair, ...] = ()
    factor: str | None = None
    role: Literal["question", "retake_control"] = "question"
    overridden = False
    if not differs:
        role, allowed = "retake_control", True
        sentence = f"Nothing that is logged differs between {names}: this is a retake control."
    elif len(differs) == 1:
        factor = differs[0]
        misplaced = _misplaced(conditions, sides, by_id[factor])
        allowed, sentence = not misplaced, f"{names} differ in {by_id[factor].name} only."
        if misplaced:
            sentence = f"{names} are not kept apart by {by_id[factor].name}: {misplaced}"
            overridden = allowed = bool(reason)
    else:
        nearest = clean_pairs(sides, takes, [by_id[name] for name in differs], factors)
        overridden = allowed = bool(reason)
        sentence = refusal(sides, names, [by_id[name] for name in differs], nearest)
    if overridden:
        sentence += " Asked all the same; the verdict cannot be attributed to one change."
    if unlogged:
        warnings.append(unlogged_sentence([by_id[name] for name in unlogged]))
    for name in within:
        warnings.append(within_sentence(conditions, sides, by_id[name]))
    orders = [[take.order for take in side] for side in sides]
    grows = by_id[factor].name if factor and by_id[factor].kind == "numeric" else ""
    order_warning = order_sentence([c.label for c in conditions], orders, grows)
    if order_warning:
        warnings.append(order_warning)
    if role == "question":
        few = floor_sentence([len(side) for side in sides])
        if few:
            warnings.append(few)
    return GuardResult(
        role, allowed, overridden, factor, differs, unlogged, within, sentence, nearest,
        order_warning, tuple(warnings),
    )  # fmt: skip


def _across(
    sides: Sequence[Sequence[TakeLog]], factors: Sequence[Factor]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    differs: set[str] = set()
    unlogged: set[str] = set()
    for left, right in combinations(sides, 2):
        for a, b in product(left, right):
            difference = differing(a, b, factors)
            differs.update(difference.differs)
            unlogged.update(difference.unlogged)
    order = [factor.id for factor in factors]
    return (
        tuple(name for name in order if name in differs),
        tuple(name for name in order if name in unlogged),
    )


def _misplaced(
    conditions: Sequence[Condition], sides: Sequence[Sequence[TakeLog]], factor: Factor
) -> str:
    """A sentence on the first pair across that is logged as alike in the asked factor, or ""."""
    indexed = list(enumerate(sides))
    for (i, left), (j, right) in combinations(indexed, 2):
        for a, b in product(left, right):
            difference = differing(a, b, [factor])
            if not difference.differs and not difference.unlogged:
                return (
                    f"take {a.name} (“{conditions[i].label}”) and take {b.name} "
                    f"(“{conditions[j].label}”) are both logged as "
                    f"{value_text(factor, a.values.get(factor.id))}. "
                    "Move one of them, or correct its log."
                )
    return ""
