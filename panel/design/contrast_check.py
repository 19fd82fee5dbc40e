"""What a contrast of a plan must fulfil: each failing comes back as a sentence, none is raised.

A contrast without a role, or by no procedure, is asked nothing further. A question and a retake
control are put before the guard once more, and have to say what it says.
"""

from __future__ import annotations

from collections.abc import Iterator

from panel.design.guard.check import guard
from panel.design.guard.result import GuardResult
from panel.design.ranges import whole, within
from panel.procedures.catalogue import PROCEDURES
from panel.prose import either
from panel.study.plan import ROLES, Contrast, Plan
from panel.study.plan_reading import SCALES

PLANTED_KINDS = ("level", "shelf")
MOST_TRIALS = 400
MOST_ORDERED = 6
MOST_WORDS = 12
LONGEST_WORD = 40


def contrast_problems(plan: Plan, contrast: Contrast) -> Iterator[str]:
    """Everything that is wrong with one contrast of the plan.

    Raises BadInput for conditions that the guard cannot judge.
    """
    name = f"Contrast “{contrast.name}”"
    if not contrast.name.strip():
        yield f"Contrast {contrast.id} has no name."
    unknown = _unknown_kind(contrast, name)
    if unknown:
        yield unknown
    elif contrast.of is not None:
        yield from _derived(plan, contrast.of, contrast, name)
    else:
        yield from _asked(contrast, name)
        yield from _preference(contrast, name)
        yield from _reminder(contrast, name)
        yield from _level(contrast, name)
        if contrast.role == "planted_check":
            yield from _planted(plan, contrast, name)
        else:
            yield from _judged(plan, contrast, name)


def _unknown_kind(contrast: Contrast, name: str) -> str:
    if contrast.role not in ROLES:
        return f"{name} has no role: question, retake control or planted check."
    if contrast.procedure not in PROCEDURES:
        return f"{name} has no procedure: {', '.join(PROCEDURES)}."
    return ""


def _derived(plan: Plan, of: str, contrast: Contrast, name: str) -> Iterator[str]:
    """A control that reports the retake pairs of a question."""
    parents = [question for question in plan.questions if question.id == of]
    if not parents or contrast.role != "retake_control":
        yield f"{name} must be the retake control of a question of the plan."
    elif parents[0].procedure != contrast.procedure:
        yield f"{name} must have the procedure of its question."


# --- what every contrast that is put to listeners has to be -----------------------------------


def _asked(contrast: Contrast, name: str) -> Iterator[str]:
    if not whole(contrast.votes_per_listener, 1, MOST_TRIALS):
        yield f"{name}: each listener must be asked for a whole number of votes, one at least."
    named, needed = contrast.attribute is not None, "attribute" in contrast.options
    if needed and not named:
        yield f"{name} must name the attribute that is asked about, such as “top end”."
    if named and not needed:
        yield f"{name} names an attribute, which goes only with the procedure for it."


def _level(contrast: Contrast, name: str) -> Iterator[str]:
    if contrast.level not in ("matched", "as_recorded"):
        yield f"{name}: the level is either matched or as recorded."


def _preference(contrast: Contrast, name: str) -> Iterator[str]:
    """What only a preference can have."""
    said = {
        "ties": contrast.ties,
        "reasons": contrast.reasons,
        "attributes": bool(contrast.attributes),
    }
    if "attributes" in contrast.options:
        yield from _words(contrast.attributes, name)
    if any(said[option] for option in said if option not in contrast.options):
        yield f"{name}: “no preference”, reasons and words to tick go only with a preference."


def _words(words: tuple[str, ...], name: str) -> Iterator[str]:
    if len(words) > MOST_WORDS:
        yield f"{name} has {len(words)} words to tick; {MOST_WORDS} are the most to look through."
    if any(not word.strip() or len(word) > LONGEST_WORD for word in words):
        yield f"{name}: a word to tick has 1 to {LONGEST_WORD} characters."
    if len({word.casefold() for word in words}) < len(words):
        yield f"{name} has a word to tick twice."


def _reminder(contrast: Contrast, name: str) -> Iterator[str]:
    """What only takes that are dealt by condition ask for."""
    if contrast.asked_by.round_robin:
        return
    if contrast.role != "question":
        yield f"{name}: only a question is put with a reminder; use abx or triangle."
    elif len(contrast.conditions) != 2 or contrast.is_dose:
        yield f"{name}: a reminder has two conditions, and no trend."
    elif min(map(len, contrast.sides)) < 2:
        yield (
            f"{name}: the reminder is another take than the fresh one, so each condition needs two "
            "takes at least. Record another, or use abx."
        )


# --- planted checks ---------------------------------------------------------------------------


def _planted(plan: Plan, contrast: Contrast, name: str) -> Iterator[str]:
    if "heard" not in contrast.asked_by.earns:
        yield f"{name}: a planted check needs a right answer, which a preference has not."
    planted = contrast.planted
    if planted is None or planted.kind not in PLANTED_KINDS:
        yield f"{name} must say what is planted: {either(PLANTED_KINDS)}."
    elif not within(abs(planted.amount_db), 0.1, 24):
        yield f"{name}: what is planted must be between 0.1 and 24 dB."
    if len(contrast.conditions) != 2:
        yield f"{name} needs two conditions, unchanged and planted."
    else:
        yield from _copies(plan, contrast, name)


def _copies(plan: Plan, contrast: Contrast, name: str) -> Iterator[str]:
    """The takes of a planted check: some of the plan, and copies of these."""
    unchanged, copies = contrast.sides
    known = {take.id for take in plan.takes}
    for take in unchanged:
        if take not in known:
            yield f"{name}: there is no take {take}."
    for take in copies:
        base, plus, _ = take.partition("+")
        if not plus or base not in unchanged:
            yield f"{name}: {take} is no planted copy of one of its unchanged takes."
    if not unchanged or not copies:
        yield f"{name} needs a take on each side."


# --- questions and retake controls, which the guard judges ------------------------------------


def _judged(plan: Plan, contrast: Contrast, name: str) -> Iterator[str]:
    result = guard(
        contrast.conditions, plan.logs, plan.factors, contrast.override_reason, contrast.given
    )
    yield from _allowed(contrast, result, name)
    yield from _as_logged(contrast, result, name)
    yield from _strata(contrast, result, name)
    if contrast.role == "question":
        yield from _steps(plan, contrast, result, name)
        yield from _controlled(plan, contrast, name)
    elif contrast.directed:
        yield f"{name}: a retake control by itself needs a right answer; use abx or triangle."


def _allowed(contrast: Contrast, result: GuardResult, name: str) -> Iterator[str]:
    if not result.allowed:
        yield f"{name}: {result.sentence}"
    if contrast.role == "question" and result.role == "retake_control":
        yield f"{name}: {result.sentence} Make it one, or log what was changed."
    if contrast.role == "retake_control" and result.differs:
        yield f"{name}: a retake control has takes of one condition. {result.sentence}"


def _as_logged(contrast: Contrast, result: GuardResult, name: str) -> Iterator[str]:
    if (contrast.differs, contrast.unlogged) != (result.differs, result.unlogged):
        yield f"{name}: what differs is not what the chain logs say. Build the plan again."
    if contrast.factor != result.factor:
        yield f"{name}: its factor is not what the chain logs say. Build the plan again."


def _strata(contrast: Contrast, result: GuardResult, name: str) -> Iterator[str]:
    """What a question given other factors has to be; others have no strata."""
    if not contrast.given:
        if contrast.strata:
            yield f"{name} has strata, which go only with the factors that are given."
        return
    if contrast.role != "question" or not contrast.asked_by.round_robin:
        yield f"{name}: only a question over a round robin can be asked given another factor."
    if contrast.is_dose:
        yield f"{name}: a trend is not tested given another factor."
    if contrast.override_reason:
        yield f"{name}: a reason has no place beside the factors that are given."
    if result.allowed and contrast.strata != result.strata:
        yield f"{name}: its strata are not what the chain logs say. Build the plan again."


def _controlled(plan: Plan, contrast: Contrast, name: str) -> Iterator[str]:
    """A round robin over several takes of a condition has its retake pairs reported, once."""
    controls = sum(other.of == contrast.id for other in plan.contrasts)
    several = max(map(len, contrast.sides)) > 1
    if controls != (several and contrast.asked_by.round_robin):
        yield f"{name} needs one retake control where a condition has several takes."


def _steps(plan: Plan, contrast: Contrast, result: GuardResult, name: str) -> Iterator[str]:
    kind = next((factor.kind for factor in plan.factors if factor.id == result.factor), None)
    if contrast.scale is None:
        yield from _named_states(contrast, name, numeric=kind == "numeric")
    elif contrast.scale not in SCALES:
        yield f"{name}: the scale of a trend is linear or log1p."
    else:
        if kind != "numeric":
            yield f"{name}: a trend needs a numeric factor, and only that to differ."
        yield from _doses(contrast, name)


def _named_states(contrast: Contrast, name: str, *, numeric: bool) -> Iterator[str]:
    """Conditions that are no steps of a trend: two, or a few whose answers have an order."""
    if len(contrast.conditions) > 2 and (numeric or not contrast.directed):
        yield (
            f"{name} has more than two conditions; that needs a numeric factor and a scale, or "
            "named states and a preference or an attribute."
        )
    elif len(contrast.conditions) > MOST_ORDERED:
        yield f"{name} has more than {MOST_ORDERED} conditions to put in order."


def _doses(contrast: Contrast, name: str) -> Iterator[str]:
    doses = [condition.dose for condition in contrast.conditions if condition.dose is not None]
    if len(doses) < len(contrast.conditions):
        yield f"{name}: each condition of a trend needs its dose."
    elif len(set(doses)) < len(doses) or not all(within(dose, -1e12, 1e12) for dose in doses):
        yield f"{name}: the doses of a trend must be different numbers."
    elif contrast.scale == "log1p" and min(doses) < 0:
        yield f"{name}: a log1p scale needs doses of zero or more."
