"""The plan as typed values: everything that was fixed before the first vote.

`panel.study.plan_reading` reads it from its JSON document; `document` writes the same document
back, whose canonical bytes (RFC 8785) carry the SHA-256 that "locked" means.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

from panel.procedures.base import Procedure
from panel.procedures.catalogue import PROCEDURES
from panel.study.conditions import Condition, Stratum, groups_of
from panel.study.documents import Json, canonical, digest
from panel.study.factors import Factor, TakeLog, Value
from panel.study.sampling import DrawnOrder, Sampling, sampled

FORMAT = "fair-hearing-plan/2"
ROLES = ("question", "retake_control", "planted_check")
HEADPHONE_CHECKS = ("antiphase", "huggins")
NOT_YET = ("id", "role", "of", "level", "differs", "unlogged", "strata")
AS_EXPORTED = "Use the plan.json that was exported with these votes, unchanged."


@dataclass(frozen=True)
class PlanTake:
    """A take as the plan names it: `sha256` of the original file, its place in recording order.

    `channels`: those of the file that are the take, from 1, where it has more than two; the plan
    names them only then. `specimen`: the very thing it is of; `session`: when it was recorded, by
    name; "" where that is not known.
    """

    id: str
    label: str
    sha256: str
    order: int
    log: Mapping[str, Value] = field(default_factory=dict)
    channels: tuple[int, ...] = ()
    specimen: str = ""
    session: str = ""

    @property
    def chain(self) -> TakeLog:
        return TakeLog(self.id, self.order, self.log, self.label, self.specimen, self.session)

    def document(self) -> dict[str, Json]:
        channels: dict[str, Json] = {"channels": list(self.channels)} if self.channels else {}
        return {
            "id": self.id,
            "label": self.label,
            "sha256": self.sha256,
            **channels,
            "specimen": self.specimen,
            "session": self.session,
            "order": self.order,
            "log": dict(self.log),
        }


@dataclass(frozen=True)
class PlanExcerpt:
    """A stretch of the takes, in seconds from their common beginning."""

    id: str
    start_s: float
    end_s: float

    def document(self) -> dict[str, Json]:
        return {"id": self.id, "start_s": self.start_s, "end_s": self.end_s}


@dataclass(frozen=True)
class Planted:
    """What was done to the copy of a take: `kind` is "level" or "shelf"."""

    kind: str
    amount_db: float

    def document(self) -> dict[str, Json]:
        return {"kind": self.kind, "amount_db": self.amount_db}


@dataclass(frozen=True)
class Stop:
    """When voting ends: `kind` is "fixed" (sealed until then) or "anytime"."""

    kind: str
    listeners: int

    def document(self) -> dict[str, Json]:
        return {"kind": self.kind, "listeners": self.listeners}


@dataclass(frozen=True)
class Exclusion:
    """Whose votes count. `headphones`: a failed check is "record"ed or leads to "exclude"."""

    planted_least_right: int | None = None
    headphones: str = "record"
    headphone_check: str = HEADPHONE_CHECKS[0]

    def document(self) -> dict[str, Json]:
        return {
            "planted_least_right": self.planted_least_right,
            "headphones": self.headphones,
            "headphone_check": self.headphone_check,
        }


@dataclass(frozen=True)
class Contrast:
    """One contrast of the plan; `of` names the question whose within-pairs it reports, if any.

    `differs`, `unlogged`: factor ids, as the guard found them. For a preference: `ties` lets
    listeners prefer neither, `reasons` asks why in their own words, `attributes` are words to
    tick. `given`: factors that takes are crossed over; `strata`: the takes alike in them, among
    which alone pairs are put. `planted` goes with a planted check, whose second condition's takes
    are copies, named like "t01+check".
    """

    id: str
    name: str
    role: str
    procedure: str
    conditions: tuple[Condition, ...] = ()
    votes_per_listener: int = 0
    of: str | None = None
    attribute: str | None = None
    factor: str | None = None
    scale: str | None = None
    level: str = "matched"
    differs: tuple[str, ...] = ()
    unlogged: tuple[str, ...] = ()
    override_reason: str | None = None
    planted: Planted | None = None
    ties: bool = False
    reasons: bool = False
    attributes: tuple[str, ...] = ()
    given: tuple[str, ...] = ()
    strata: tuple[Stratum, ...] = ()

    @property
    def asks_why(self) -> bool:
        """Whether a reason is asked for, in the listener's own words or as words to tick."""
        return self.reasons or bool(self.attributes)

    @property
    def strata_labels(self) -> tuple[str, ...]:
        return tuple(stratum.label for stratum in self.strata)

    @property
    def stratum_of(self) -> dict[str, int]:
        """Take id to the index of its stratum; empty where nothing is given."""
        return groups_of(self.strata)

    @property
    def asked_by(self) -> Procedure:
        """The procedure, as this contrast has it. Raises KeyError for an unknown one, which no plan
        that was read has."""
        return PROCEDURES[self.procedure].as_asked(ties=self.ties)

    @property
    def options(self) -> tuple[str, ...]:
        """What may be said of it for its procedure alone; nothing where that is unknown."""
        return PROCEDURES[self.procedure].options if self.procedure in PROCEDURES else ()

    @property
    def liking(self) -> bool:
        """What is asked is what listeners would rather hear: it may be divided, and “heard” is no
        answer to it."""
        return self.asked_by.purpose == "liking"

    @property
    def directed(self) -> bool:
        return self.asked_by.directed

    @property
    def known_direction(self) -> bool:
        """A planted check in which more of the attribute is right."""
        return self.directed and "heard" in self.asked_by.earns and self.role == "planted_check"

    @property
    def never_not_heard(self) -> bool:
        """There is a right answer, and yet whoever hears may not give it."""
        return not (self.directed or self.asked_by.shows_absence)

    @property
    def chance(self) -> float:
        """Probability of a right answer from a listener who hears nothing."""
        return self.asked_by.chance

    @property
    def sides(self) -> tuple[tuple[str, ...], ...]:
        """The take ids of each condition."""
        return tuple(condition.takes for condition in self.conditions)

    @property
    def side_of(self) -> dict[str, int]:
        """Take id to the index of its condition."""
        return {take: i for i, c in enumerate(self.conditions) for take in c.takes}

    @property
    def cells(self) -> tuple[tuple[int, ...], ...]:
        """Takes of each condition (columns) in each stratum (rows), if anything is given."""
        return tuple(
            tuple(len(set(side) & set(stratum.takes)) for side in self.sides)
            for stratum in self.strata
        )

    @property
    def is_dose(self) -> bool:
        return self.scale is not None

    @property
    def doses_on_scale(self) -> tuple[float, ...]:
        """The conditions' doses on the declared scale, in the order of the conditions."""
        doses = [float(c.dose) for c in self.conditions if c.dose is not None]
        return tuple(math.log1p(d) if self.scale == "log1p" else d for d in doses)

    def document(self) -> dict[str, Json]:
        named: dict[str, Json] = {
            "id": self.id,
            "name": self.name,
            "role": self.role,
            "procedure": self.procedure,
        }
        if self.of is not None:
            return {**named, "of": self.of}
        return {
            **named,
            "attribute": self.attribute,
            "factor": self.factor,
            "scale": self.scale,
            "conditions": [condition.document() for condition in self.conditions],
            "level": self.level,
            "votes_per_listener": self.votes_per_listener,
            "differs": list(self.differs),
            "unlogged": list(self.unlogged),
            "override_reason": self.override_reason,
            **self._own_to_its_procedure(),
            **self._own_to_its_role(),
        }

    def document_as_asked(self) -> dict[str, Json]:
        """What is kept of it beside its id and role before there is a plan: nothing that the guard
        says, but the factor that is asked about."""
        return {key: value for key, value in self.document().items() if key not in NOT_YET}

    def _own_to_its_procedure(self) -> dict[str, Json]:
        said: dict[str, Json] = {
            "ties": self.ties,
            "reasons": self.reasons,
            "attributes": list(self.attributes),
        }
        return {key: value for key, value in said.items() if key in self.options}

    def _own_to_its_role(self) -> dict[str, Json]:
        if self.role == "planted_check":
            return {"planted": self.planted.document() if self.planted else None}
        of: dict[str, Json] = {"of": None} if self.role == "retake_control" else {}
        if not self.given:
            return of
        strata: list[Json] = [stratum.document() for stratum in self.strata]
        return {**of, "given": list(self.given), "strata": strata}


@dataclass(frozen=True)
class Plan:
    """A plan. `sha256` is that of the document it was read from, or written to when it was built.

    `carrier`: what carries all specimens alike, such as the one amplifier; a claim ends there.
    `draws`: the orders of recording that were drawn by lot.

    `as_read`: the canonical bytes of that document where the typed values would write others: an
    older plan, or one made elsewhere, lacks entries or has more of them.
    """

    title: str
    question: str
    alpha: float
    limit: float
    confidence: float
    stop: Stop
    exclusion: Exclusion
    own_summary: bool
    schedule_seed: str
    factors: tuple[Factor, ...]
    takes: tuple[PlanTake, ...]
    excerpts: tuple[PlanExcerpt, ...]
    contrasts: tuple[Contrast, ...]
    carrier: str = ""
    draws: tuple[DrawnOrder, ...] = ()
    sha256: str = ""
    as_read: bytes = b""

    @property
    def anytime(self) -> bool:
        return self.stop.kind == "anytime"

    @property
    def listeners(self) -> int:
        return self.stop.listeners

    @property
    def planted_least_right(self) -> int | None:
        return self.exclusion.planted_least_right

    @property
    def exclude_by_headphones(self) -> bool:
        return self.exclusion.headphones == "exclude"

    @property
    def excludes(self) -> bool:
        """Whether there are listeners whose votes may not count."""
        return self.planted_least_right is not None or self.exclude_by_headphones

    @property
    def questions(self) -> tuple[Contrast, ...]:
        return tuple(c for c in self.contrasts if c.role == "question")

    @property
    def planted_checks(self) -> tuple[Contrast, ...]:
        return tuple(c for c in self.contrasts if c.role == "planted_check")

    @property
    def served(self) -> tuple[Contrast, ...]:
        """The contrasts that have trials of their own (no derived controls)."""
        return tuple(c for c in self.contrasts if c.of is None)

    @property
    def votes_per_listener(self) -> int:
        return sum(c.votes_per_listener for c in self.served)

    def contrast(self, id_: str) -> Contrast:
        return next(c for c in self.contrasts if c.id == id_)

    @property
    def excerpt_ids(self) -> tuple[str, ...]:
        return tuple(excerpt.id for excerpt in self.excerpts)

    @cached_property
    def sampling(self) -> dict[str, Sampling]:
        """What takes sample, and how far a claim may reach: by id, of each question and control. A
        control inside a question's round robin has its question's."""
        own = {
            contrast.id: sampled(
                contrast.conditions,
                self.logs,
                self.alpha,
                is_dose=contrast.is_dose,
                strata=contrast.stratum_of,
            )
            for contrast in self.served
            if contrast.role != "planted_check"
        }
        return {c.id: own[c.of or c.id] for c in self.contrasts if (c.of or c.id) in own}

    @property
    def logs(self) -> tuple[TakeLog, ...]:
        """The takes' chain logs."""
        return tuple(take.chain for take in self.takes)

    @property
    def factor_names(self) -> dict[str, str]:
        """Factor id to its name."""
        return {factor.id: factor.name for factor in self.factors}

    @property
    def units(self) -> dict[str, str]:
        """Factor id to its unit, "" for a named one."""
        return {factor.id: factor.unit for factor in self.factors}

    @property
    def take_labels(self) -> dict[str, str]:
        """Take id to the take's name; where two share one, their ids tell them apart."""
        labels = [take.label or take.id for take in self.takes]
        return {
            take.id: label if labels.count(label) == 1 else take.id
            for take, label in zip(self.takes, labels, strict=True)
        }

    def document(self) -> dict[str, Json]:
        """The plan as plain JSON: what it was read from, or what `canonical` is taken of."""
        if self.as_read:
            found: dict[str, Json] = json.loads(self.as_read)
            return found
        return {
            "format": FORMAT,
            "study": {"title": self.title, "question": self.question},
            "alpha": self.alpha,
            "limit": self.limit,
            "confidence": self.confidence,
            "stop": self.stop.document(),
            "exclusion": self.exclusion.document(),
            "own_summary": self.own_summary,
            "schedule_seed": self.schedule_seed,
            "factors": [factor.document() for factor in self.factors],
            "carrier": self.carrier,
            "draws": [draw.document() for draw in self.draws],
            "takes": [take.document() for take in self.takes],
            "excerpts": [excerpt.document() for excerpt in self.excerpts],
            "contrasts": [contrast.document() for contrast in self.contrasts],
        }

    @property
    def canonical(self) -> bytes:
        """The document's canonical bytes. Raises BadInput for numbers that have none."""
        return self.as_read or canonical(self.document(), "plan", AS_EXPORTED)

    def as_built(self) -> Plan:
        """This plan with the SHA-256 of what it writes."""
        made = replace(self, as_read=b"")
        return replace(made, sha256=digest(made.canonical))
