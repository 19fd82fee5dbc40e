"""What the plan asks, read from its JSON document into plain typed values.

The analysis takes the plan as the document that was locked and hashed, never as a class of the
design step, so that an archive read years later means what it meant on the day of the lock.
"""

import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import rfc8785

from panel.errors import BadInput

FORMAT = "fair-hearing-plan/1"
UNDIRECTED = ("abx", "triangle", "duo_trio", "same_different", "reminder")
DIRECTED = ("attribute", "preference")
ROLES = ("question", "retake_control", "planted_check")


@dataclass(frozen=True)
class Condition:
    """One state of the thing that was changed, with the takes recorded in that state."""

    label: str
    dose: float | None
    takes: tuple[str, ...]


@dataclass(frozen=True)
class Contrast:
    """One contrast of the plan; `of` names the question whose within-pairs it reports, if any.

    `ties`: a preference may be for neither. `given`: factors that takes are crossed over;
    `strata`: the takes alike in them, among which alone pairs are put.
    """

    id: str
    name: str
    role: str
    procedure: str
    of: str | None
    attribute: str | None
    factor: str | None
    scale: str | None
    conditions: tuple[Condition, ...]
    level: str
    votes_per_listener: int
    differs: tuple[str, ...]
    unlogged: tuple[str, ...]
    override_reason: str | None
    ties: bool = False
    given: tuple[str, ...] = ()
    strata: tuple[tuple[str, ...], ...] = ()
    strata_labels: tuple[str, ...] = ()

    @property
    def stratum_of(self) -> dict[str, int]:
        """Take id to the index of its stratum; empty where nothing is given."""
        return {take: i for i, stratum in enumerate(self.strata) for take in stratum}

    @property
    def directed(self) -> bool:
        return self.procedure in DIRECTED

    @property
    def never_not_heard(self) -> bool:
        """Whoever hears may still not answer right (same–different: by their own criterion;
        with a reminder: takes scatter, and only what outdoes that can be matched)."""
        return self.procedure in ("same_different", "reminder")

    @property
    def chance(self) -> float:
        """Probability of a right answer from a listener who hears nothing."""
        return 1 / 3 if self.procedure == "triangle" else 0.5

    @property
    def side_of(self) -> dict[str, int]:
        """Take id to the index of its condition."""
        return {take: i for i, c in enumerate(self.conditions) for take in c.takes}

    @property
    def is_dose(self) -> bool:
        return self.scale is not None

    @property
    def doses_on_scale(self) -> tuple[float, ...]:
        """The conditions' doses on the declared scale, in the order of the conditions."""
        doses = [float(c.dose) for c in self.conditions if c.dose is not None]
        return tuple(math.log1p(d) if self.scale == "log1p" else d for d in doses)


@dataclass(frozen=True)
class Plan:
    """The parts of a locked plan that the verdict depends on."""

    sha256: str
    alpha: float
    limit: float
    confidence: float
    anytime: bool
    listeners: int
    planted_least_right: int | None
    exclude_by_headphones: bool
    takes: tuple[str, ...]
    excerpts: tuple[str, ...]
    factors: dict[str, str]
    units: dict[str, str]
    contrasts: tuple[Contrast, ...]

    @property
    def questions(self) -> tuple[Contrast, ...]:
        return tuple(c for c in self.contrasts if c.role == "question")

    def contrast(self, id_: str) -> Contrast:
        return next(c for c in self.contrasts if c.id == id_)


def _refuse(what: str) -> BadInput:
    return BadInput(
        f"The plan cannot be read: {what}.",
        hint="Use the plan.json that was exported with these votes, unchanged.",
    )


def _number(value: Any, what: str, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low < value < high:
        raise _refuse(f"{what} must be a number between {low:g} and {high:g}, not {value!r}")
    return float(value)


def _count(value: Any, what: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        raise _refuse(f"{what} must be a whole number of at least 1, not {value!r}")
    return value


def _text_or_none(value: Any) -> str | None:
    return value if isinstance(value, str) and value.strip() else None


def _condition(raw: Any, where: str) -> Condition:
    if not isinstance(raw, Mapping) or not isinstance(raw.get("label"), str):
        raise _refuse(f"a condition of {where} has no label")
    takes = raw.get("takes")
    if not isinstance(takes, list) or not takes or not all(isinstance(t, str) for t in takes):
        raise _refuse(f"condition “{raw['label']}” of {where} names no takes")
    dose = raw.get("dose")
    if dose is not None and (isinstance(dose, bool) or not isinstance(dose, int | float)):
        raise _refuse(f"the dose of condition “{raw['label']}” of {where} is not a number")
    return Condition(raw["label"], None if dose is None else float(dose), tuple(takes))


def _contrast(raw: Any) -> Contrast:
    if not isinstance(raw, Mapping) or not isinstance(raw.get("id"), str):
        raise _refuse("a contrast has no id")
    where = f"contrast “{raw['id']}”"
    role, procedure = raw.get("role"), raw.get("procedure")
    if role not in ROLES:
        raise _refuse(f"{where} has the unknown role {role!r}")
    if procedure not in UNDIRECTED + DIRECTED:
        raise _refuse(
            f"{where} uses the unknown procedure {procedure!r}; "
            f"known are {', '.join(UNDIRECTED + DIRECTED)}"
        )
    of = _text_or_none(raw.get("of"))
    conditions = tuple(_condition(c, where) for c in raw.get("conditions") or ())
    if of is None:
        if len(conditions) < 2:
            raise _refuse(f"{where} needs two conditions")
        takes = [t for c in conditions for t in c.takes]
        if len(set(takes)) != len(takes):
            raise _refuse(f"{where} lists one take twice")
    scale = _text_or_none(raw.get("scale"))
    if scale is not None:
        if scale not in ("linear", "log1p"):
            raise _refuse(f"{where} has the unknown scale {scale!r}; known are linear and log1p")
        if any(c.dose is None for c in conditions):
            raise _refuse(f"{where} asks for a trend, but a condition has no dose")
        if scale == "log1p" and any((c.dose or 0) <= -1 for c in conditions):
            raise _refuse(f"{where} has a dose of −1 or less, which log1p cannot take")
        if len({c.dose for c in conditions}) < len(conditions):
            raise _refuse(f"{where} asks for a trend, but has two conditions of one dose")
    given, strata, strata_labels = _strata(raw, conditions, where)
    if given and (role != "question" or procedure == "reminder" or scale is not None):
        raise _refuse(f"{where} is asked given another factor, which its kind does not allow")
    return Contrast(
        id=raw["id"],
        name=str(raw.get("name") or raw["id"]),
        role=role,
        procedure=procedure,
        of=of,
        attribute=_text_or_none(raw.get("attribute")),
        factor=_text_or_none(raw.get("factor")),
        scale=scale,
        conditions=conditions,
        level=str(raw.get("level") or "matched"),
        votes_per_listener=(
            0 if of else _count(raw.get("votes_per_listener"), f"votes_per_listener of {where}")
        ),
        differs=tuple(str(x) for x in raw.get("differs") or ()),
        unlogged=tuple(str(x) for x in raw.get("unlogged") or ()),
        override_reason=_text_or_none(raw.get("override_reason")),
        ties=procedure == "preference" and raw.get("ties") is True,
        given=given,
        strata=strata,
        strata_labels=strata_labels,
    )


def _strata(
    raw: Mapping[str, Any], conditions: tuple[Condition, ...], where: str
) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...], tuple[str, ...]]:
    """Given factors, the strata they make (each take in one, each with both conditions), and what
    the strata are called."""
    given = tuple(str(x) for x in raw.get("given") or ())
    entries = raw.get("strata") or ()
    if bool(given) != bool(entries):
        raise _refuse(f"{where} names given factors without strata, or strata without them")
    if not given:
        return (), (), ()
    if not all(isinstance(s, Mapping) and isinstance(s.get("takes"), list) for s in entries):
        raise _refuse(f"a stratum of {where} names no takes")
    strata = tuple(tuple(str(t) for t in s["takes"]) for s in entries)
    held = sorted(t for s in strata for t in s)
    if held != sorted(t for c in conditions for t in c.takes):
        raise _refuse(f"the strata of {where} do not hold each of its takes once")
    if len(conditions) != 2 or any(not set(c.takes) & set(s) for s in strata for c in conditions):
        raise _refuse(f"a stratum of {where} does not have takes of two conditions")
    labels = (str(s.get("label") or f"group {i}") for i, s in enumerate(entries, 1))
    return given, strata, tuple(labels)


def sha256(document: Mapping[str, Any]) -> str:
    """SHA-256 of the canonical JSON (RFC 8785) of a plan document, in hex."""
    try:
        return hashlib.sha256(rfc8785.dumps(dict(document))).hexdigest()
    except (rfc8785.CanonicalizationError, TypeError, ValueError) as broken:
        raise _refuse(f"it is not plain JSON ({broken})") from broken


def read_plan(document: Mapping[str, Any]) -> Plan:
    """Read a plan document; raises BadInput with a sentence for whatever is missing or wrong."""
    if not isinstance(document, Mapping) or document.get("format") != FORMAT:
        found = document.get("format") if isinstance(document, Mapping) else type(document).__name__
        raise _refuse(f"its format is {found!r}, expected {FORMAT!r}")
    stop = document.get("stop") or {}
    if stop.get("kind") not in ("fixed", "anytime"):
        raise _refuse(f"the stopping rule {stop.get('kind')!r} is neither fixed nor anytime")
    exclusion = document.get("exclusion") or {}
    least = exclusion.get("planted_least_right")
    contrasts = tuple(_contrast(c) for c in document.get("contrasts") or ())
    if not contrasts:
        raise _refuse("it has no contrasts")
    ids = [c.id for c in contrasts]
    if len(set(ids)) != len(ids):
        raise _refuse("two contrasts have the same id")
    for c in contrasts:
        if c.of is not None and not any(q.id == c.of and q.role == "question" for q in contrasts):
            raise _refuse(f"contrast “{c.id}” belongs to “{c.of}”, which is no question of it")
    factors = [f for f in document.get("factors") or () if isinstance(f, Mapping)]
    return Plan(
        sha256=sha256(document),
        alpha=_number(document.get("alpha"), "alpha", 0, 1),
        limit=_number(document.get("limit"), "limit", 0, 1),
        confidence=_number(document.get("confidence", 0.95), "confidence", 0, 1),
        anytime=stop["kind"] == "anytime",
        listeners=_count(stop.get("listeners"), "the number of listeners"),
        planted_least_right=(
            None if least is None else _count(least, "the least number of planted checks right")
        ),
        exclude_by_headphones=exclusion.get("headphones") == "exclude",
        takes=tuple(str(t["id"]) for t in document.get("takes") or ()),
        excerpts=tuple(str(e["id"]) for e in document.get("excerpts") or ()),
        factors={str(f.get("id")): str(f.get("name") or f.get("id")) for f in factors},
        units={str(f.get("id")): str(f.get("unit") or "") for f in factors},
        contrasts=contrasts,
    )
