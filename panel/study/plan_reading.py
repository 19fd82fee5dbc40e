"""A plan read from its JSON, once, at the edge: typed values, or an error that names the path."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from functools import lru_cache
from itertools import starmap

from panel.errors import BadInput
from panel.procedures.catalogue import PROCEDURES
from panel.prose import listed
from panel.study.conditions import Condition, Stratum
from panel.study.documents import Entry, Json, canonical, digest, parsed
from panel.study.factors import Factor, Value
from panel.study.plan import (
    AS_EXPORTED,
    FORMAT,
    ROLES,
    Contrast,
    Exclusion,
    Plan,
    PlanExcerpt,
    PlanTake,
    Planted,
    Stop,
)
from panel.study.sampling import DrawnOrder

SCALES = ("linear", "log1p")
FORMAT_1 = "fair-hearing-plan/1"
OF_FORMAT_1 = (
    f"This plan is of the format {FORMAT_1}, which does not say what specimens were recorded, and "
    "when: from it nothing can be claimed any more."
)
TO_FORMAT_2 = "Ask the question in a new study, and log specimen and session of each take."


def read_plan(document: Json | bytes) -> Plan:
    """A plan to compute with, from its document or that document's bytes.

    Laxer than the check of `panel.design.plan_check`, for plans made elsewhere: nothing is asked
    of chain logs, and what nobody computes with may be missing. Raises BadInput, with the path,
    for whatever else is missing or wrong.
    """
    plan = typed(document, whole=False)
    _check_rules(plan)
    _check_contrasts(plan)
    return plan


@lru_cache(maxsize=64)
def locked_plan(content: bytes) -> Plan:
    """The plan of canonical bytes that this program has kept; read once, as it never changes."""
    return read_plan(content)


@lru_cache(maxsize=64)
def of_format_1(content: bytes) -> bool:
    """Whether canonical bytes that this program has kept are a plan of format 1."""
    document = json.loads(content)
    return isinstance(document, dict) and document.get("format") == FORMAT_1


def as_it_was_voted_on(content: bytes) -> Plan:
    """A kept plan of format 1, for handing out the votes that were cast under it: what was put to
    listeners, and nothing of specimens and sessions. Nothing may be concluded from it."""
    read = read_plan({**json.loads(content), "format": FORMAT})
    return replace(read, as_read=content, sha256=digest(content))


def read_contrast(document: Json, what: str, hint: str) -> Contrast:
    """A contrast by itself, of which only the shape is checked; it may lack what the guard says.

    `what` it is called, and `hint`, in errors. Raises BadInput with the path of what is wrong.
    """
    return _contrast(Entry(document, what, hint, whole=False))


def typed(document: Json | bytes, *, whole: bool = True, hint: str = AS_EXPORTED) -> Plan:
    """The document's typed values, of which only the shape has been checked.

    Of one that is not `whole`, entries may be missing that nobody computes with. Raises BadInput
    with the path of what is missing or has the wrong type.
    """
    value = parsed(document, "plan", hint) if isinstance(document, bytes) else document
    root = _root(value, whole=whole, hint=hint)
    content = canonical(value, "plan", hint)
    plan = replace(_plan(root), sha256=digest(content))
    return plan if plan.canonical == content else replace(plan, as_read=content)


def _root(value: Json, *, whole: bool, hint: str) -> Entry:
    root = Entry(value, "plan", hint, whole=whole)
    found = root.get("format").value
    if found == FORMAT_1:
        raise BadInput(OF_FORMAT_1, hint=TO_FORMAT_2)
    if found != FORMAT:
        raise BadInput(f"This is no plan of the format {FORMAT}.", hint=hint)
    return root


def _plan(root: Entry) -> Plan:
    study = root.expected("study")
    confidence = root.expected("confidence")
    return Plan(
        title="" if study.absent else study.expected("title").text(),
        question="" if study.absent else study.expected("question").text(),
        alpha=root["alpha"].number("α, the chance of a false “heard”"),
        limit=root["limit"].number(),
        confidence=0.95 if confidence.absent else confidence.number(),
        stop=_stop(root["stop"]),
        exclusion=_exclusion(root.expected("exclusion")),
        own_summary=_flag(root.get("own_summary")),
        schedule_seed=_text(root.expected("schedule_seed")),
        factors=tuple(map(_factor, _list(root.expected("factors")))),
        takes=tuple(map(_take, _list(root.expected("takes")))),
        excerpts=tuple(map(_excerpt, _list(root.expected("excerpts")))),
        contrasts=tuple(map(_contrast, root["contrasts"])),
        carrier=_text(root.expected("carrier")),
        draws=tuple(map(_drawn, _list(root.expected("draws")))),
    )


def _stop(entry: Entry) -> Stop:
    return Stop(entry["kind"].text(), entry["listeners"].count("the number of listeners"))


def _exclusion(entry: Entry) -> Exclusion:
    if entry.absent:
        return Exclusion()
    least, check = entry.expected("planted_least_right"), entry.get("headphone_check")
    headphones = entry.expected("headphones")
    meant = "the least number of planted checks right"
    return Exclusion(
        None if least.absent else least.count(meant),
        Exclusion.headphones if headphones.absent else headphones.text(),
        # Plans locked before there was a choice have none of it.
        Exclusion.headphone_check if check.absent else check.text(),
    )


def _factor(entry: Entry) -> Factor:
    id_ = entry["id"].text()
    kind, tolerance = entry.expected("kind"), entry.get("tolerance")
    if not kind.absent and kind.text() not in ("named", "numeric"):
        raise kind.refuse(f"{kind.path} is {kind.value!r}, neither named nor numeric")
    return Factor(
        id_,
        _text(entry.expected("name")) or id_,
        "numeric" if kind.value == "numeric" else "named",
        _text(entry.get("unit")),
        0.0 if tolerance.absent else tolerance.number(),
    )


def _take(entry: Entry) -> PlanTake:
    order, log, channels = entry.expected("order"), entry.expected("log"), entry.get("channels")
    return PlanTake(
        entry["id"].text(),
        _text(entry.get("label")),
        _text(entry.get("sha256")),
        0 if order.absent else order.count(),
        {} if log.absent else {factor: _value(value) for factor, value in log.items()},
        tuple(channel.count() for channel in _list(channels)),
        _text(entry.expected("specimen")),
        _text(entry.expected("session")),
    )


def _drawn(entry: Entry) -> DrawnOrder:
    return DrawnOrder(entry["session"].text(), entry["order"].texts())


def _value(entry: Entry) -> Value:
    if entry.absent:
        return None
    return entry.text() if isinstance(entry.value, str) else entry.number()


def _excerpt(entry: Entry) -> PlanExcerpt:
    start, end = entry.expected("start_s"), entry.expected("end_s")
    return PlanExcerpt(
        entry["id"].text(),
        0.0 if start.absent else start.number(),
        0.0 if end.absent else end.number(),
    )


def _contrast(entry: Entry) -> Contrast:
    id_ = entry["id"].text()
    name = _text(entry.expected("name")) or ("" if entry.whole else id_)
    role, procedure = entry["role"].text(), entry["procedure"].text()
    of = _some_text(entry.get("of"))
    if of is not None:
        return Contrast(id_, name, role, procedure, of=of)
    level = entry.expected("level")
    return Contrast(
        id_,
        name,
        role,
        procedure,
        conditions=tuple(map(_condition, entry["conditions"])),
        votes_per_listener=entry["votes_per_listener"].count(),
        attribute=_some_text(entry.get("attribute")),
        factor=_some_text(entry.expected("factor")),
        scale=_some_text(entry.expected("scale")),
        level=Contrast.level if level.absent else level.text(),
        differs=_texts(entry.expected("differs")),
        unlogged=_texts(entry.expected("unlogged")),
        override_reason=_some_text(entry.expected("override_reason")),
        planted=_planted(entry),
        ties=_flag(entry.get("ties")),
        reasons=_flag(entry.get("reasons")),
        attributes=_texts(entry.get("attributes")),
        given=_texts(entry.get("given")),
        strata=tuple(starmap(_stratum, enumerate(_list(entry.get("strata")), 1))),
    )


def _condition(entry: Entry) -> Condition:
    dose = entry.get("dose")
    return Condition(
        entry["label"].text(),
        entry["takes"].texts(),
        None if dose.absent else dose.number(),
    )


def _planted(contrast: Entry) -> Planted | None:
    entry = contrast.get("planted")
    if contrast["role"].value == "planted_check":
        entry = contrast.expected("planted")
    return None if entry.absent else Planted(entry["kind"].text(), entry["amount_db"].number())


def _stratum(number: int, entry: Entry) -> Stratum:
    label = _text(entry.expected("label"))
    return Stratum(label or f"group {number}", entry["takes"].texts())


def _text(entry: Entry) -> str:
    """ "" where there is none."""
    return "" if entry.absent else entry.text()


def _some_text(entry: Entry) -> str | None:
    return None if entry.absent or not entry.text().strip() else entry.text()


def _flag(entry: Entry) -> bool:
    return False if entry.absent else entry.flag()


def _list(entry: Entry) -> tuple[Entry, ...]:
    return () if entry.absent else tuple(entry)


def _texts(entry: Entry) -> tuple[str, ...]:
    return () if entry.absent else entry.texts()


# --- what a plan must fulfil to be computed with ----------------------------------------------


def _refused(said: str) -> BadInput:
    return Entry(None, "plan", AS_EXPORTED).refuse(said)


def _check_rules(plan: Plan) -> None:
    if plan.stop.kind not in ("fixed", "anytime"):
        raise _refused(
            f"stop.kind: the stopping rule {plan.stop.kind!r} is neither fixed nor anytime"
        )
    for key, share in (
        ("alpha", plan.alpha),
        ("limit", plan.limit),
        ("confidence", plan.confidence),
    ):
        if not 0 < share < 1:
            raise _refused(f"{key} must be a number between 0 and 1, not {share!r}")
    _at_least_one("stop.listeners", "the number of listeners", plan.listeners)
    if plan.planted_least_right is not None:
        _at_least_one(
            "exclusion.planted_least_right",
            "the least number of planted checks right",
            plan.planted_least_right,
        )


def _at_least_one(path: str, what: str, found: int) -> None:
    if found < 1:
        raise _refused(f"{path}: {what} must be a whole number of at least 1, not {found}")


def _check_contrasts(plan: Plan) -> None:
    if not plan.contrasts:
        raise _refused("contrasts: it has no contrasts")
    ids = Counter(contrast.id for contrast in plan.contrasts)
    for place, contrast in enumerate(plan.contrasts):
        at = f"contrasts[{place}]"
        if ids[contrast.id] > 1:
            raise _refused(f"{at}.id: two contrasts have the same id, “{contrast.id}”")
        found = _wrong_with(plan, contrast)
        if found is not None:
            key, said = found
            raise _refused(f"{at}.{key}: contrast “{contrast.id}” {said}")


def _wrong_with(plan: Plan, contrast: Contrast) -> tuple[str, str] | None:
    """The key that is wrong in a contrast, and what is wrong with it; None where nothing is."""
    if contrast.role not in ROLES:
        return "role", f"has the unknown role {contrast.role!r}"
    if contrast.procedure not in PROCEDURES:
        known = ", ".join(PROCEDURES)
        return "procedure", f"uses the unknown procedure {contrast.procedure!r}; known are {known}"
    if contrast.of is not None:
        return _wrong_with_derived(plan, contrast.of)
    return (
        _wrong_with_conditions(contrast)
        or _wrong_with_doses(contrast)
        or _wrong_with_strata(contrast)
    )


def _wrong_with_derived(plan: Plan, of: str) -> tuple[str, str] | None:
    if any(question.id == of for question in plan.questions):
        return None
    return "of", f"belongs to “{of}”, which is no question of it"


def _wrong_with_conditions(contrast: Contrast) -> tuple[str, str] | None:
    for place, condition in enumerate(contrast.conditions):
        if not condition.takes:
            return (
                f"conditions[{place}].takes",
                f"has a condition, “{condition.label}”, that names no takes",
            )
    if len(contrast.conditions) < 2:
        return "conditions", "needs two conditions"
    takes = [take for side in contrast.sides for take in side]
    if len(set(takes)) != len(takes):
        return "conditions", "lists one take twice"
    if contrast.votes_per_listener < 1:
        found = contrast.votes_per_listener
        return "votes_per_listener", f"needs a whole number of votes, at least 1, not {found}"
    return None


def _wrong_with_doses(contrast: Contrast) -> tuple[str, str] | None:
    if contrast.scale is None:
        return None
    if contrast.scale not in SCALES:
        return (
            "scale",
            f"has the unknown scale {contrast.scale!r}; known are {listed(SCALES)}",
        )
    doses = [condition.dose for condition in contrast.conditions if condition.dose is not None]
    if len(doses) < len(contrast.conditions):
        return "conditions", "asks for a trend, but a condition has no dose"
    if contrast.scale == "log1p" and min(doses) <= -1:
        return "conditions", "has a dose of −1 or less, which log1p cannot take"
    if len(set(doses)) < len(doses):
        return "conditions", "asks for a trend, but has two conditions of one dose"
    return None


def _wrong_with_strata(contrast: Contrast) -> tuple[str, str] | None:
    if bool(contrast.given) != bool(contrast.strata):
        return "strata", "names given factors without strata, or strata without them"
    if not contrast.given:
        return None
    if sorted(t for s in contrast.strata for t in s.takes) != sorted(contrast.side_of):
        return "strata", "has strata that do not hold each of its takes once"
    if len(contrast.conditions) != 2 or any(0 in cell for cell in contrast.cells):
        return "strata", "has a stratum that does not have takes of two conditions"
    if contrast.role != "question" or not contrast.asked_by.round_robin or contrast.is_dose:
        return "given", "is asked given another factor, which its kind does not allow"
    return None
