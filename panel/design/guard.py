"""The guard against two changes at once: what may be asked of the takes at hand.

One factor differs between the sides: a question. None: a retake control. More: refused, unless
the organiser gives a written reason, which the verdict then repeats.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise, product
from typing import Literal

from panel.design.factors import Factor, TakeLog, Value, differing, is_logged, value_text
from panel.design.floor import floor_sentence
from panel.errors import BadInput

MOST_CLEAN_PAIRS = 4


@dataclass(frozen=True)
class Condition:
    """One side of a contrast: its takes, and its dose where the factor is numeric."""

    label: str
    takes: tuple[str, ...]
    dose: float | None = None


@dataclass(frozen=True)
class CleanPair:
    """Two takes that differ in one logged factor only."""

    take_a: str
    take_b: str
    factor: str
    sentence: str


@dataclass(frozen=True)
class GuardResult:
    """What the guard says about a contrast.

    `role` is what the takes are good for; `allowed` whether it may be asked as it stands.
    `differs`, `unlogged`: factor ids between the sides. `within`: factor ids that vary inside a
    condition. `sentence` is the finding; `warnings` are further sentences, none of which forbids.
    `order_warning` is "" or the sentence on recording order (it is also among the warnings).
    """

    role: Literal["question", "retake_control"]
    allowed: bool
    overridden: bool
    factor: str | None
    differs: tuple[str, ...]
    unlogged: tuple[str, ...]
    within: tuple[str, ...]
    sentence: str
    nearest: tuple[CleanPair, ...]
    order_warning: str
    warnings: tuple[str, ...]


def guard(
    conditions: Sequence[Condition],
    takes: Sequence[TakeLog],
    factors: Sequence[Factor],
    override_reason: str | None = None,
) -> GuardResult:
    """Judge a contrast from the chain logs.

    A factor differs if any pair of takes across the sides differs in it. With a written
    `override_reason` a contrast of more factors is allowed and `overridden`. Raises BadInput for
    fewer than two conditions, an empty one, an unknown take, or a take on two sides.
    """
    sides = _sides(conditions, takes)
    by_id = {factor.id: factor for factor in factors}
    differs, unlogged = _across(sides, factors)
    within = tuple(
        factor.id
        for factor in factors
        if any(factor.id in differing(a, b, [factor]).differs for a, b in _inside(sides))
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
        sentence = _refusal(sides, names, [by_id[name] for name in differs], nearest)
    if overridden:
        sentence += " Asked all the same; the verdict cannot be attributed to one change."
    if unlogged:
        listed = _listed([by_id[name].name for name in unlogged])
        warnings.append(
            f"Not logged on every take, hence unknown: {listed}. While that is so, a verdict can "
            "only be about these recordings, not about what was changed. Complete the log."
        )
    for name in within:
        warnings.append(_within_sentence(conditions, sides, by_id[name]))
    order_warning = order_sentence(conditions, sides, by_id[factor] if factor else None)
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
            f"({_from_to(factor, a.values.get(factor.id), b.values.get(factor.id))}).",
        )
        for _, a, b, factor in found[:MOST_CLEAN_PAIRS]
    )


def order_sentence(
    conditions: Sequence[Condition],
    sides: Sequence[Sequence[TakeLog]],
    factor: Factor | None = None,
) -> str:
    """The warning that recording order and condition are aligned; "" if they are not.

    Aligned: each condition was recorded in one go, and one of them has more than one take.
    """
    if max(len(side) for side in sides) < 2:
        return ""
    ordered = sorted((take.order, index) for index, side in enumerate(sides) for take in side)
    runs = 1 + sum(a[1] != b[1] for a, b in pairwise(ordered))
    if runs > len(sides):
        return ""
    labels = [conditions[index].label for index in dict.fromkeys(index for _, index in ordered)]
    sequence = ", then ".join(f"all of “{label}”" for label in labels)
    advice = "Record the next takes in mixed order"
    if factor is not None and factor.kind == "numeric":
        advice += (
            f"; where {factor.name} can only grow, record an unchanged unit beside it each time"
        )
    return (
        f"Order of recording and condition are aligned ({sequence}): warming up, drift or fatigue "
        f"would look like the change. {advice}."
    )


def _sides(conditions: Sequence[Condition], takes: Sequence[TakeLog]) -> list[list[TakeLog]]:
    known: Mapping[str, TakeLog] = {take.take_id: take for take in takes}
    if len(conditions) < 2:
        raise BadInput("A contrast needs two conditions.", hint="Name a second one.")
    labels = [condition.label.strip() for condition in conditions]
    if len(set(labels)) < len(labels) or not all(labels):
        raise BadInput("Each condition needs a name of its own.", hint="Rename one of them.")
    used: dict[str, str] = {}
    sides = []
    for condition in conditions:
        if not condition.takes:
            raise BadInput(
                f"Condition “{condition.label}” has no takes.", hint="Give it one at least."
            )
        for take in condition.takes:
            if take not in known:
                raise BadInput(f"There is no take {take}.", hint="Choose among the study's takes.")
            if take in used:
                raise BadInput(
                    f"Take {known[take].name} stands under “{used[take]}” and again under "
                    f"“{condition.label}”.",
                    hint="Leave it on one side.",
                )
            used[take] = condition.label
        sides.append([known[take] for take in condition.takes])
    return sides


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


def _inside(sides: Sequence[Sequence[TakeLog]]) -> list[tuple[TakeLog, TakeLog]]:
    return [pair for side in sides for pair in combinations(side, 2)]


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


def _refusal(
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
                parts.append(f"{factor.name} ({_from_to(factor, a, b)})")
                break
    text = f"{names} differ in {_count(len(factors))} factors: {_listed(parts)}. Ask about one"
    if nearest:
        return f"{text}. {nearest[0].sentence}"
    return f"{text}: no two takes at hand differ in just one of them, so record such takes first."


def _within_sentence(
    conditions: Sequence[Condition], sides: Sequence[Sequence[TakeLog]], factor: Factor
) -> str:
    for condition, side in zip(conditions, sides, strict=True):
        for a, b in combinations(side, 2):
            if differing(a, b, [factor]).differs:
                values = _from_to(factor, a.values.get(factor.id), b.values.get(factor.id))
                return (
                    f"Takes of “{condition.label}” differ among themselves in {factor.name} "
                    f"({a.name} and {b.name}: {values})."
                )
    raise AssertionError("called for a factor that varies within a condition")


def _from_to(factor: Factor, a: Value, b: Value) -> str:
    left = value_text(factor, a)
    if factor.unit and is_logged(a) and left.endswith(f" {factor.unit}"):
        left = left[: -len(factor.unit) - 1]
    return f"{left} → {value_text(factor, b)}"


def _listed(parts: Sequence[str]) -> str:
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def _count(n: int) -> str:
    return {2: "two", 3: "three", 4: "four", 5: "five"}.get(n, str(n))
