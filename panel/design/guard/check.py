"""The guard against two changes at once: what may be asked of the takes at hand.

One factor differs between the sides: a question. None: a retake control. More: refused, unless
the organiser gives a written reason, which the verdict then repeats.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from panel.design.floor import floor_sentence
from panel.design.guard.clean_pairs import CleanPair, clean_pairs
from panel.design.guard.given import guard_given
from panel.design.guard.result import GuardResult, Role
from panel.design.guard.sides import (
    Seen,
    Side,
    across,
    first_logged_alike,
    ids,
    seen,
    sides_with_logs,
)
from panel.design.guard.words import (
    misplaced_sentence,
    named,
    refusal,
    unlogged_sentence,
    within_sentence,
)
from panel.study.conditions import Condition
from panel.study.factors import Factor, TakeLog


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
    Raises BadInput for fewer than two conditions, an empty one, an unknown take, a take on two
    sides, or an unknown factor.
    """
    sides = sides_with_logs(conditions, takes)
    if given:
        return guard_given(sides, factors, given)
    found = seen(sides, factors)
    finding = _finding(sides, takes, factors, found)
    overridden = not finding.clean and bool((override_reason or "").strip())
    return GuardResult(
        role=finding.role,
        allowed=finding.clean or overridden,
        overridden=overridden,
        factor=finding.factor.id if finding.factor else None,
        differs=ids(found.differs),
        unlogged=ids(found.unlogged),
        within=ids(found.within),
        sentence=finding.sentence + (_ALL_THE_SAME if overridden else ""),
        nearest=finding.nearest,
        warnings=_warnings(sides, found, _few(sides, finding.role)),
    )


_ALL_THE_SAME = " Asked all the same; the verdict cannot be attributed to one change."


@dataclass(frozen=True)
class _Finding:
    """What the takes are good for; `clean`: they bear it without a written reason."""

    role: Role
    clean: bool
    sentence: str
    factor: Factor | None = None
    nearest: tuple[CleanPair, ...] = ()


def _finding(
    sides: Sequence[Side], takes: Sequence[TakeLog], factors: Sequence[Factor], found: Seen
) -> _Finding:
    if not found.differs:
        return _nothing_differs(sides)
    if len(found.differs) == 1:
        return _one_thing_differs(sides, found.differs[0])
    return _more_differs(sides, takes, factors, found.differs)


def _nothing_differs(sides: Sequence[Side]) -> _Finding:
    sentence = f"Nothing that is logged differs between {named(sides)}: this is a retake control."
    return _Finding("retake_control", True, sentence)


def _one_thing_differs(sides: Sequence[Side], factor: Factor) -> _Finding:
    misplaced = first_logged_alike(across(sides), [factor])
    if misplaced is not None:
        return _Finding("question", False, misplaced_sentence(sides, misplaced, factor), factor)
    return _Finding("question", True, f"{named(sides)} differ in {factor.name} only.", factor)


def _more_differs(
    sides: Sequence[Side],
    takes: Sequence[TakeLog],
    factors: Sequence[Factor],
    differs: Sequence[Factor],
) -> _Finding:
    inside = {take.take_id for side in sides for take in side.takes}
    nearest = clean_pairs(inside, takes, differs, factors)
    return _Finding("question", False, refusal(sides, differs, nearest), nearest=nearest)


def _few(sides: Sequence[Side], role: Role) -> str:
    """What a question cannot reach with so few takes, or ""."""
    return floor_sentence([len(side.takes) for side in sides]) if role == "question" else ""


def _warnings(sides: Sequence[Side], found: Seen, few: str) -> tuple[str, ...]:
    said = [
        unlogged_sentence(found.unlogged),
        *(within_sentence(sides, factor) for factor in found.within),
        few,
    ]
    return tuple(sentence for sentence in said if sentence)
