"""The guard against two changes at once: what may be asked of the takes at hand.

One factor differs between the sides: a question. None: a retake control. More: refused, unless
the organiser gives a written reason, which the verdict then repeats.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Literal

from panel.design.factors import Factor, TakeLog, Value, differing, is_logged, value_text
from panel.design.floor import floor_sentence, given_sentence
from panel.design.recording import given_order_sentence, order_sentence
from panel.design.strata import LEAST_OF_A_CELL, Stratum, cells, strata_of
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
    `given`, `strata`: the factors the takes are crossed over, and the takes alike in them; then
    everything else is said of pairs within a stratum.
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
    given: tuple[str, ...] = ()
    strata: tuple[Stratum, ...] = ()


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
    sides = _sides(conditions, takes)
    if given:
        return _given(conditions, sides, factors, given)
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
        warnings.append(_unlogged_sentence([by_id[name] for name in unlogged]))
    for name in within:
        warnings.append(_within_sentence(conditions, sides, by_id[name]))
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


def _given(
    conditions: Sequence[Condition],
    sides: Sequence[Sequence[TakeLog]],
    factors: Sequence[Factor],
    given: Sequence[str],
) -> GuardResult:
    """The guard where takes are crossed over the given factors."""
    by_id = {factor.id: factor for factor in factors}
    unknown = [name for name in given if name not in by_id]
    if unknown:
        raise BadInput(f"There is no factor “{unknown[0]}” in the log.")
    held = [factor for factor in factors if factor.id in given]
    order = tuple(factor.id for factor in held)
    names = " and ".join(f"“{condition.label}”" for condition in conditions)
    found = strata_of([take for side in sides for take in side], held)
    if isinstance(found, str):
        return _cannot_stand(found, (), order, ())
    member = {take: stratum for stratum in found for take in stratum.takes}
    differs: set[str] = set()
    unlogged: set[str] = set()
    within: set[str] = set()
    bad = ""
    for (i, left), (j, right) in combinations(enumerate(sides), 2):
        for a, b in product(left, right):
            if member[a.take_id] is not member[b.take_id]:
                continue
            difference = differing(a, b, factors)
            differs.update(difference.differs)
            unlogged.update(difference.unlogged)
            if not (difference.differs or difference.unlogged) and not bad:
                bad = (
                    f"Takes {a.name} (“{conditions[i].label}”) and {b.name} "
                    f"(“{conditions[j].label}”) are logged alike. Move one, or correct its log."
                )
    for a, b in _inside(sides):
        if member[a.take_id] is member[b.take_id]:
            within.update(differing(a, b, factors).differs)
    differing_ids = tuple(f.id for f in factors if f.id in differs)
    unlogged_ids = tuple(f.id for f in factors if f.id in unlogged)
    counts = cells([condition.takes for condition in conditions], [s.takes for s in found])
    text = _listed([factor.name for factor in held])
    if len(conditions) != 2:
        bad = f"Given {text}, two conditions are compared, not {len(conditions)}. Choose two."
    elif len(found) < 2:
        bad = f"All these takes are alike in {text}: ask without it."
    elif len(differing_ids) > 1:
        more = _listed([by_id[name].name for name in differing_ids])
        bad = (
            f"{names} differ in {_count(len(differing_ids))} factors even among takes alike in "
            f"{text}: {more}. Leave out the takes that differ in more."
        )
    elif not bad:
        for stratum, row in zip(found, counts, strict=True):
            few = next((k for k, n in enumerate(row) if n < LEAST_OF_A_CELL), None)
            if few is not None:
                have = "no take" if row[few] == 0 else "one take"
                bad = (
                    f"There is {have} of “{conditions[few].label}” with {stratum.label}. Given "
                    f"{text} each needs two at least: record more, or leave out the takes with "
                    f"{stratum.label}."
                )
                break
            if not differing_ids:
                bad = f"{names} do not differ in anything logged among takes alike in {text}."
                break
    if bad:
        return _cannot_stand(bad, differing_ids, order, unlogged_ids)
    warnings = []
    factor = by_id[differing_ids[0]]
    if unlogged_ids:
        warnings.append(_unlogged_sentence([by_id[name] for name in unlogged_ids]))
    warnings += [
        f"Takes of one condition, alike in {text}, differ among themselves in {f.name}."
        for f in factors
        if f.id in within
    ]
    orders = {
        stratum.label: [[t.order for t in side if t.take_id in stratum.takes] for side in sides]
        for stratum in found
    }
    grows = factor.name if factor.kind == "numeric" else ""
    order_warning = given_order_sentence([c.label for c in conditions], orders, grows)
    warnings += [s for s in (order_warning, given_sentence(counts, directed=False)) if s]
    return GuardResult(
        "question",
        True,
        False,
        factor.id,
        differing_ids,
        unlogged_ids,
        tuple(f.id for f in factors if f.id in within),
        f"{names} differ in {factor.name} only, given {text}: takes are compared with takes alike "
        f"in {text} ({'; '.join(s.label for s in found)}).",
        (),
        order_warning,
        tuple(warnings),
        order,
        found,
    )


def _cannot_stand(
    sentence: str, differs: tuple[str, ...], given: tuple[str, ...], unlogged: tuple[str, ...]
) -> GuardResult:
    return GuardResult(
        "question", False, False, None, differs, unlogged, (), sentence, (), "", (), given
    )


def _unlogged_sentence(unlogged: Sequence[Factor]) -> str:
    return (
        f"Not logged on every take, hence unknown: {_listed([f.name for f in unlogged])}. While "
        "that is so, a verdict can only be about these recordings, not about what was changed. "
        "Complete the log."
    )


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
