"""What a plan document must fulfil: each failing comes back as a sentence, none is raised."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, cast

from panel.design.guard.check import guard
from panel.design.guard.result import GuardResult
from panel.errors import BadInput
from panel.procedures.catalogue import PROCEDURES
from panel.study.conditions import Condition
from panel.study.factors import Factor, TakeLog

FORMAT = "fair-hearing-plan/1"
ROLES = ("question", "retake_control", "planted_check")
ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.+-]{0,63}")
PLANTED_KINDS = ("level", "shelf")
HEADPHONE_CHECKS = ("antiphase", "huggins")
MOST_TRIALS = 400
ORDERED = ("attribute", "preference")  # answers that put three or more named conditions in order
MOST_ORDERED = 6
MOST_WORDS = 12
LONGEST_WORD = 40


def factors_of(plan: Mapping[str, Any]) -> list[Factor]:
    """The factors of a plan document. Raises BadInput where they are malformed."""
    return [
        Factor(f["id"], f["name"], f["kind"], f.get("unit", ""), float(f.get("tolerance", 0.0)))
        for f in plan["factors"]
    ]


def takes_of(plan: Mapping[str, Any]) -> list[TakeLog]:
    """The takes of a plan document with their chain logs."""
    return [TakeLog(t["id"], t["order"], t["log"], t.get("label", "")) for t in plan["takes"]]


def conditions_of(contrast: Mapping[str, Any]) -> tuple[Condition, ...]:
    return tuple(
        Condition(c["label"], tuple(c["takes"]), c.get("dose")) for c in contrast["conditions"]
    )


def problems(plan: Mapping[str, Any]) -> tuple[str, ...]:
    """Everything that keeps this document from being a plan, as sentences."""
    if plan.get("format") != FORMAT:
        return (f"This is no plan of the format {FORMAT}.",)
    found: list[str] = []
    try:
        for sentence in _all(plan):
            found.append(sentence)
    except BadInput as error:
        found.append(error.message)
    except KeyError as error:
        found.append(f"The plan lacks the entry {error}.")
    except (TypeError, AttributeError, ValueError, IndexError) as error:
        found.append(f"An entry of the plan has the wrong shape: {error}.")
    return tuple(dict.fromkeys(found))


def _all(plan: Mapping[str, Any]) -> Iterator[str]:
    yield from _study(plan)
    yield from _rules(plan)
    for what in ("factors", "takes", "excerpts", "contrasts"):
        yield from _ids(what, plan[what])
    yield from _excerpts(plan["excerpts"])
    takes, factors = takes_of(plan), factors_of(plan)
    if not takes:
        yield "The plan has no takes. Upload some."
    if not any(contrast["role"] == "question" for contrast in plan["contrasts"]):
        yield "The plan asks no question. Name at least one contrast to be told apart."
    for contrast in plan["contrasts"]:
        yield from _contrast(plan, contrast, takes, factors)
    total = sum(int(c["votes_per_listener"]) for c in plan["contrasts"] if not c.get("of"))
    if total > MOST_TRIALS:
        yield f"{total} votes from each listener are too many. Ask for {MOST_TRIALS} at most."


def _study(plan: Mapping[str, Any]) -> Iterator[str]:
    if not plan["study"]["title"].strip():
        yield "The study has no title."
    if not plan["study"]["question"].strip():
        yield "The study does not say in words what is asked."
    if not re.fullmatch(r"[0-9a-f]{32}", plan["schedule_seed"]):
        yield "The schedule's seed must be 32 hexadecimal digits."


def _rules(plan: Mapping[str, Any]) -> Iterator[str]:
    if not _within(plan["alpha"], 0.0001, 0.2):
        yield "The chance of a false “heard” (α) must lie between 0.0001 and 0.2; 0.05 is usual."
    if not _within(plan["limit"], 0.01, 0.9):
        yield "The limit for “not heard” must be a share between 0.01 and 0.9, such as 0.25."
    if not _within(plan["confidence"], 0.5, 0.999):
        yield "The confidence of intervals must lie between 0.5 and 0.999; 0.95 is usual."
    if plan["stop"]["kind"] not in ("fixed", "anytime"):
        yield "The stopping rule is either “fixed” or “anytime”."
    if not _count(plan["stop"]["listeners"], 1, 1_000_000):
        yield "The number of listeners must be a whole number, one at least."
    least = plan["exclusion"]["planted_least_right"]
    checks = [c for c in plan["contrasts"] if c["role"] == "planted_check"]
    available = sum(int(c["votes_per_listener"]) for c in checks)
    if least is not None and not _count(least, 1, available):
        yield (
            f"Listeners cannot be asked for {least} planted checks right: the plan gives each "
            f"{available}."
        )
    if plan["exclusion"]["headphones"] not in ("record", "exclude"):
        yield "A failed headphone check is either recorded or excludes."
    # Plans locked before there was a choice have neither of these two.
    if plan["exclusion"].get("headphone_check", HEADPHONE_CHECKS[0]) not in HEADPHONE_CHECKS:
        yield f"The headphone check is one of {', '.join(HEADPHONE_CHECKS)}."
    if not isinstance(plan.get("own_summary", False), bool):
        yield "Whether listeners may see their own answers at the end is either true or false."


def _ids(what: str, entries: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    seen: set[str] = set()
    for entry in entries:
        name = entry["id"]
        if not isinstance(name, str) or not ID.fullmatch(name):
            yield f"“{name}” among the {what} is no usable id: letters, digits, - and _ only."
        elif name in seen:
            yield f"The id {name} stands twice among the {what}."
        else:
            seen.add(name)


def _excerpts(excerpts: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    if not excerpts:
        yield "The plan has no excerpts. Mark at least one."
    for excerpt in excerpts:
        start, end = excerpt["start_s"], excerpt["end_s"]
        if not (_within(start, 0, 1e6) and _within(end, 0, 1e6) and start < end):
            yield f"Excerpt {excerpt['id']} must begin at or after 0 s and end after it begins."


def _contrast(
    plan: Mapping[str, Any],
    contrast: Mapping[str, Any],
    takes: Sequence[TakeLog],
    factors: Sequence[Factor],
) -> Iterator[str]:
    name, role = f"Contrast “{contrast['name']}”", contrast["role"]
    if not contrast["name"].strip():
        yield f"Contrast {contrast['id']} has no name."
    if role not in ROLES:
        yield f"{name} has no role: question, retake control or planted check."
        return
    if contrast["procedure"] not in PROCEDURES:
        yield f"{name} has no procedure: {', '.join(PROCEDURES)}."
        return
    if contrast.get("of"):
        yield from _derived(plan, contrast, name)
        return
    if not _count(contrast["votes_per_listener"], 1, MOST_TRIALS):
        yield f"{name}: each listener must be asked for a whole number of votes, one at least."
    attribute = contrast.get("attribute")
    if contrast["procedure"] == "attribute" and not (attribute or "").strip():
        yield f"{name} must name the attribute that is asked about, such as “top end”."
    if contrast["procedure"] != "attribute" and attribute:
        yield f"{name} names an attribute, which goes only with the procedure for it."
    yield from _preference(contrast, name)
    if contrast["procedure"] == "reminder":
        yield from _reminder(contrast, name)
    if contrast["level"] not in ("matched", "as_recorded"):
        yield f"{name}: the level is either matched or as recorded."
    conditions = conditions_of(contrast)
    if role == "planted_check":
        yield from _planted(contrast, conditions, takes, name)
        return
    given = contrast.get("given") or ()
    result = guard(conditions, takes, factors, contrast["override_reason"], given)
    yield from _guarded(contrast, result, name)
    yield from _strata(contrast, result, name)
    if role == "question":
        yield from _dose(contrast, conditions, factors, result, name)
        controls = sum(other.get("of") == contrast["id"] for other in plan["contrasts"])
        several = max(len(condition.takes) for condition in conditions) > 1
        if controls != (several and contrast["procedure"] != "reminder"):
            yield f"{name} needs one retake control where a condition has several takes."
    elif contrast["procedure"] in ("attribute", "preference"):
        yield f"{name}: a retake control by itself needs a right answer; use abx or triangle."


def _preference(contrast: Mapping[str, Any], name: str) -> Iterator[str]:
    """What only a preference can have; plans locked before there was a choice have none of it."""
    ties, reasons = contrast.get("ties", False), contrast.get("reasons", False)
    words = contrast.get("attributes", [])
    if not isinstance(ties, bool) or not isinstance(reasons, bool):
        yield f"{name}: “no preference” and reasons are each either true or false."
    if contrast["procedure"] != "preference":
        if ties or reasons or words:
            yield f"{name}: “no preference”, reasons and words to tick go only with a preference."
        return
    if not isinstance(words, list) or not all(isinstance(word, str) for word in words):
        yield f"{name}: the words to tick are a list of texts."
        return
    if len(words) > MOST_WORDS:
        yield f"{name} has {len(words)} words to tick; {MOST_WORDS} are the most to look through."
    if any(not word.strip() or len(word) > LONGEST_WORD for word in words):
        yield f"{name}: a word to tick has 1 to {LONGEST_WORD} characters."
    if len({word.casefold() for word in words}) < len(words):
        yield f"{name} has a word to tick twice."


def _reminder(contrast: Mapping[str, Any], name: str) -> Iterator[str]:
    if contrast["role"] != "question":
        yield f"{name}: only a question is put with a reminder; use abx or triangle."
    elif len(contrast["conditions"]) != 2 or contrast["scale"]:
        yield f"{name}: a reminder has two conditions, and no trend."
    elif min(len(side["takes"]) for side in contrast["conditions"]) < 2:
        yield (
            f"{name}: the reminder is another take than the fresh one, so each condition needs two "
            "takes at least. Record another, or use abx."
        )


def _guarded(contrast: Mapping[str, Any], result: GuardResult, name: str) -> Iterator[str]:
    role = contrast["role"]
    if not result.allowed:
        yield f"{name}: {result.sentence}"
    if role == "question" and result.role == "retake_control":
        yield f"{name}: {result.sentence} Make it one, or log what was changed."
    if role == "retake_control" and result.differs:
        yield f"{name}: a retake control has takes of one condition. {result.sentence}"
    if list(contrast["differs"]) != list(result.differs) or (
        list(contrast["unlogged"]) != list(result.unlogged)
    ):
        yield f"{name}: what differs is not what the chain logs say. Build the plan again."
    if contrast["factor"] != result.factor:
        yield f"{name}: its factor is not what the chain logs say. Build the plan again."


def _strata(contrast: Mapping[str, Any], result: GuardResult, name: str) -> Iterator[str]:
    """What a question given other factors has to be; others have neither of the two entries."""
    if not contrast.get("given"):
        if contrast.get("strata"):
            yield f"{name} has strata, which go only with the factors that are given."
        return
    if contrast["role"] != "question" or contrast["procedure"] == "reminder":
        yield f"{name}: only a question over a round robin can be asked given another factor."
    if contrast["scale"]:
        yield f"{name}: a trend is not tested given another factor."
    if contrast["override_reason"]:
        yield f"{name}: a reason has no place beside the factors that are given."
    found = [{"label": s.label, "takes": list(s.takes)} for s in result.strata]
    if result.allowed and contrast.get("strata") != found:
        yield f"{name}: its strata are not what the chain logs say. Build the plan again."


def _planted(
    contrast: Mapping[str, Any],
    conditions: Sequence[Condition],
    takes: Sequence[TakeLog],
    name: str,
) -> Iterator[str]:
    known = {take.take_id for take in takes}
    planted = contrast["planted"]
    if contrast["procedure"] == "preference":
        yield f"{name}: a planted check needs a right answer, which a preference has not."
    if not planted or planted["kind"] not in PLANTED_KINDS:
        yield f"{name} must say what is planted: {' or '.join(PLANTED_KINDS)}."
    elif not _within(abs(planted["amount_db"]), 0.1, 24):
        yield f"{name}: what is planted must be between 0.1 and 24 dB."
    if len(conditions) != 2:
        yield f"{name} needs two conditions, unchanged and planted."
        return
    for take in conditions[0].takes:
        if take not in known:
            yield f"{name}: there is no take {take}."
    for take in conditions[1].takes:
        base, plus, _ = take.partition("+")
        if not plus or base not in conditions[0].takes:
            yield f"{name}: {take} is no planted copy of one of its unchanged takes."
    if not conditions[0].takes or not conditions[1].takes:
        yield f"{name} needs a take on each side."


def _dose(
    contrast: Mapping[str, Any],
    conditions: Sequence[Condition],
    factors: Sequence[Factor],
    result: GuardResult,
    name: str,
) -> Iterator[str]:
    scale = contrast["scale"]
    if scale not in (None, "linear", "log1p"):
        yield f"{name}: the scale of a trend is linear or log1p."
        return
    kinds = {factor.id: factor.kind for factor in factors}
    if scale is None:
        numeric = kinds.get(result.factor or "") == "numeric"
        if len(conditions) > 2 and (numeric or contrast["procedure"] not in ORDERED):
            yield (
                f"{name} has more than two conditions; that needs a numeric factor and a scale, or "
                "named states and a preference or an attribute."
            )
        elif len(conditions) > MOST_ORDERED:
            yield f"{name} has more than {MOST_ORDERED} conditions to put in order."
        return
    if result.factor is None or kinds.get(result.factor) != "numeric":
        yield f"{name}: a trend needs a numeric factor, and only that to differ."
    doses = [condition.dose for condition in conditions]
    if any(dose is None for dose in doses):
        yield f"{name}: each condition of a trend needs its dose."
        return
    numbers = cast("list[float]", doses)
    if len(set(numbers)) < len(numbers) or not all(_within(dose, -1e12, 1e12) for dose in numbers):
        yield f"{name}: the doses of a trend must be different numbers."
    elif scale == "log1p" and min(numbers) < 0:
        yield f"{name}: a log1p scale needs doses of zero or more."


def _derived(plan: Mapping[str, Any], contrast: Mapping[str, Any], name: str) -> Iterator[str]:
    parents = [c for c in plan["contrasts"] if c["id"] == contrast["of"]]
    if not parents or parents[0]["role"] != "question" or contrast["role"] != "retake_control":
        yield f"{name} must be the retake control of a question of the plan."
    elif parents[0]["procedure"] != contrast["procedure"]:
        yield f"{name} must have the procedure of its question."


def _within(value: object, low: float, high: float) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return math.isfinite(value) and low <= value <= high


def _count(value: object, low: int, high: int) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and low <= value <= high
