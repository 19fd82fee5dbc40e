"""The guard where takes are crossed over given factors: only takes alike in these are compared."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, product

from panel.design.floor import given_sentence
from panel.design.guard.order import given_order_sentence
from panel.design.guard.result import GuardResult
from panel.design.guard.strata import LEAST_OF_A_CELL, cells, strata_of
from panel.design.guard.words import count, listed, unlogged_sentence
from panel.errors import BadInput
from panel.study.conditions import Condition, pairs_inside
from panel.study.factors import Factor, TakeLog, differing


def guard_given(
    conditions: Sequence[Condition],
    sides: Sequence[Sequence[TakeLog]],
    factors: Sequence[Factor],
    given: Sequence[str],
) -> GuardResult:
    """Judge a contrast given factors; `sides`: the logs of each condition's takes.

    Raises BadInput for an unknown factor.
    """
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
    for a, b in pairs_inside(sides):
        if member[a.take_id] is member[b.take_id]:
            within.update(differing(a, b, factors).differs)
    differing_ids = tuple(f.id for f in factors if f.id in differs)
    unlogged_ids = tuple(f.id for f in factors if f.id in unlogged)
    counts = cells([condition.takes for condition in conditions], [s.takes for s in found])
    text = listed([factor.name for factor in held])
    if len(conditions) != 2:
        bad = f"Given {text}, two conditions are compared, not {len(conditions)}. Choose two."
    elif len(found) < 2:
        bad = f"All these takes are alike in {text}: ask without it."
    elif len(differing_ids) > 1:
        more = listed([by_id[name].name for name in differing_ids])
        bad = (
            f"{names} differ in {count(len(differing_ids))} factors even among takes alike in "
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
        warnings.append(unlogged_sentence([by_id[name] for name in unlogged_ids]))
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
