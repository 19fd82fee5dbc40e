"""Contrasts: what is to be told apart, under the guard against two changes at once.

A contrast is kept as its entry in the plan to be. What the guard says is never kept: it is asked
again whenever the contrast is shown, and once more when the plan is locked.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from sqlmodel import Session, col, select

from panel.design import contrasts as design
from panel.design import planner
from panel.design.contrasts import Proposal
from panel.design.factors import Factor, is_logged, value_groups, value_text
from panel.design.guard import Condition as Condition
from panel.design.guard import GuardResult, guard
from panel.design.planner import Option
from panel.design.procedures import PROCEDURES
from panel.design.procedures import procedure as kind_of
from panel.errors import BadInput, Conflict, NotFound
from panel.stages.rows import factors_in, log_of, take_in, takes_in, twins_of
from panel.stages.studies import unlocked
from panel.store.session import Store, write_first
from panel.store.tables import Clip, Contrast, Take

MOST_CONTRASTS = 20
MOST_VOTES = 400
LONGEST_NAME = 120
LONGEST_REASON = 1000
PLANTED = {"shelf": "above 3 kHz", "level": "in level"}


@dataclass(frozen=True)
class SideView:
    label: str
    takes: tuple[str, ...]
    take_names: tuple[str, ...]


@dataclass(frozen=True)
class ContrastView:
    """A contrast at the desk. `finding` and `warnings` are what the guard says now; `allowed` is
    False where the log has changed since and the contrast cannot stand any more."""

    key: str
    name: str
    role: str
    procedure: str
    procedure_name: str
    attribute: str | None
    factor: str | None
    scale: str | None
    sides: tuple[SideView, ...]
    votes_per_listener: int
    override_reason: str | None
    allowed: bool
    finding: str
    warnings: tuple[str, ...]
    has_retakes: bool


def propose(store: Store, study_id: int) -> list[Proposal]:
    """Clean contrasts that the log would bear, the best provided with takes first."""
    with store.session() as s:
        takes, factors = takes_in(s, study_id), factors_in(s, study_id)
    twins = twins_of(takes)
    return design.propose([log_of(take) for take in takes if take.key not in twins], factors)


@dataclass(frozen=True)
class ProposalView:
    """A clean contrast that could be asked as it stands."""

    name: str
    factor: str | None
    sides: tuple[SideView, ...]
    finding: str
    warnings: tuple[str, ...]

    @property
    def takes(self) -> str:
        """Keys of all its takes, with commas between: for an address."""
        return ",".join(key for side in self.sides for key in side.takes)


def proposals(store: Store, study_id: int) -> tuple[ProposalView, ...]:
    """What `propose` finds and is not kept as a contrast already."""
    with store.session() as s:
        names = {take.key: take.label for take in takes_in(s, study_id)}
        kept = {
            frozenset(key for side in c.document["conditions"] for key in side["takes"])
            for c in contrasts_in(s, study_id)
        }
    return tuple(
        ProposalView(
            name=found.name,
            factor=found.factor,
            sides=tuple(
                SideView(c.label, c.takes, tuple(names[key] for key in c.takes))
                for c in found.conditions
            ),
            finding=found.guard.sentence,
            warnings=found.guard.warnings,
        )
        for found in propose(store, study_id)
        if frozenset(key for c in found.conditions for key in c.takes) not in kept
    )


@lru_cache(maxsize=1)
def procedure_options() -> tuple[Option, ...]:
    """The procedures with their prices and reasons, the one proposed first at the head."""
    return tuple(planner.options("attribute"))


def judge(
    store: Store,
    study_id: int,
    conditions: Sequence[Condition],
    override_reason: str | None = None,
) -> GuardResult:
    """What the guard says about conditions that are not kept yet."""
    with store.session() as s:
        return _guarded(s, study_id, conditions, override_reason)


def by_value(
    store: Store, study_id: int, factor_key: str, values: Sequence[str] | None = None
) -> tuple[Condition, ...]:
    """The study's takes as conditions, one for each logged value of a factor (or those named)."""
    with store.session() as s:
        factor = _factor(factors_in(s, study_id), factor_key)
        takes = takes_in(s, study_id)
    conditions = []
    for value, members in value_groups(factor, [log_of(take) for take in takes]):
        text = value_text(factor, value)
        if values is None or text in values:
            dose = float(value) if isinstance(value, int | float) else None
            conditions.append(Condition(text, tuple(m.take_id for m in members), dose))
    return tuple(conditions)


def add_question(
    store: Store,
    study_id: int,
    *,
    name: str,
    procedure: str,
    factor: str | None,
    conditions: Sequence[Condition],
    votes_per_listener: int,
    attribute: str | None = None,
    scale: str | None = None,
    override_reason: str | None = None,
) -> str:
    """Ask whether the conditions can be told apart; returns the contrast's key.

    `factor` is what is asked about (None only with a written reason). Raises BadInput with the
    guard's sentence where more than one factor differs and no reason is given.
    """
    reason = _reason(override_reason)
    kind = kind_of(procedure)
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        factors = factors_in(s, study_id)
        result = _guarded(s, study_id, conditions, reason)
        if result.role == "retake_control":
            raise BadInput(
                result.sentence,
                hint="Log what was changed, or make it a retake control instead of a question.",
            )
        if not result.allowed:
            raise BadInput(
                result.sentence,
                hint="Leave out the takes that differ in more, or write down why you ask all the "
                "same; the verdict will repeat it.",
            )
        if factor is not None and result.factor is not None and factor != result.factor:
            raise BadInput(
                f"The question is about {_factor(factors, factor).name}, but these takes differ in "
                f"{_factor(factors, result.factor).name}.",
                hint="Choose takes that differ in what you ask about.",
            )
        _comparable(s, study_id, conditions)
        asked = result.factor or factor
        asked_factor = _factor(factors, asked) if asked else None
        numeric = asked_factor is not None and asked_factor.kind == "numeric"
        if numeric and asked_factor is not None:
            conditions = _with_doses(s, study_id, conditions, asked_factor)
            if scale is None and len(conditions) > 2:
                scale = "linear"
        if scale is not None and not numeric:
            raise BadInput(
                "A trend needs a factor that is a number, such as hours in use.",
                hint="Leave the scale empty, or ask about a numeric factor.",
            )
        if scale not in (None, "linear", "log1p"):
            raise BadInput("The scale of a trend is linear or log1p.")
        if len(conditions) > 2 and scale is None:
            raise BadInput(
                "More than two conditions can be asked about only along a numeric factor.",
                hint="Choose two of them; ask about the others in a question of their own.",
            )
        key = _keep(
            s,
            study_id,
            "question",
            "q",
            {
                "name": _name(name),
                "procedure": procedure,
                "attribute": _attribute(kind.code, attribute),
                "factor": result.factor,
                "scale": scale,
                "conditions": _sides(conditions),
                "votes_per_listener": _votes(votes_per_listener),
                "override_reason": reason if result.overridden else None,
            },
        )
        s.commit()
    return key


def add_retake_control(
    store: Store,
    study_id: int,
    *,
    name: str,
    procedure: str,
    conditions: Sequence[Condition],
    votes_per_listener: int,
) -> str:
    """A retake control by itself: takes of one and the same condition, in two groups.

    Questions with several takes of a condition bring theirs along and need none of these.
    """
    if kind_of(procedure).directed:
        raise BadInput(
            "A retake control by itself needs a procedure with a right answer.",
            hint="Choose ABX or triangle.",
        )
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        result = _guarded(s, study_id, conditions, None)
        if result.role != "retake_control":
            raise BadInput(
                f"These takes are not alike in what is logged. {result.sentence}",
                hint="Choose takes of one condition.",
            )
        if len(conditions) != 2:
            raise BadInput("A retake control has two groups of takes.")
        _comparable(s, study_id, conditions)
        key = _keep(
            s,
            study_id,
            "retake_control",
            "r",
            {
                "name": _name(name),
                "procedure": procedure,
                "attribute": None,
                "factor": None,
                "scale": None,
                "conditions": _sides(conditions),
                "votes_per_listener": _votes(votes_per_listener),
                "override_reason": None,
            },
        )
        s.commit()
    return key


def add_planted_check(
    store: Store,
    study_id: int,
    *,
    take_key: str,
    kind: str,
    amount_db: float,
    procedure: str,
    votes_per_listener: int,
    attribute: str | None = None,
) -> str:
    """A known, audible difference made on a copy of a take; its clips are made at prepare.

    `kind`: "shelf" (dB above 3 kHz) or "level" (dB).
    """
    proc = kind_of(procedure)
    if proc.code == "preference":
        raise BadInput(
            "A planted check needs a right answer, which a preference has not.",
            hint="Choose ABX, triangle, or the named attribute that is planted.",
        )
    if kind not in PLANTED:
        raise BadInput("A check is planted as a shelf above 3 kHz or as a level.")
    if not 0.1 <= abs(amount_db) <= 24:
        raise BadInput(
            f"A planted change of {amount_db:g} dB cannot be used: it must be from 0.1 to 24 dB.",
            hint="6 dB above 3 kHz is plain to hear.",
        )
    if proc.directed and amount_db < 0:
        raise BadInput(
            "With a named attribute the planted copy must have more of it.",
            hint="Give the amount without a minus.",
        )
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        take = take_in(s, study_id, take_key)
        amount = f"{amount_db:+g} dB {PLANTED[kind]}".replace("-", "−")
        key = _keep(
            s,
            study_id,
            "planted_check",
            "check",
            {
                "name": f"Planted check: {amount}",
                "procedure": procedure,
                "attribute": _attribute(procedure, attribute),
                "factor": None,
                "scale": None,
                "conditions": [],
                "votes_per_listener": _votes(votes_per_listener),
                "override_reason": None,
                "planted": {"kind": kind, "amount_db": float(amount_db)},
            },
        )
        kept = _contrast(s, study_id, key)
        kept.document = {
            **kept.document,
            "conditions": [
                {"label": "unchanged", "dose": None, "takes": [take.key]},
                {"label": "planted", "dose": None, "takes": [f"{take.key}+{key}"]},
            ],
        }
        s.add(kept)
        s.commit()
    return key


def remove(store: Store, study_id: int, key: str) -> None:
    """Remove a contrast; the clips of a planted check go with it."""
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        found = _contrast(s, study_id, key)
        clips: list[Clip] = []
        if found.role == "planted_check":
            planted = found.document["conditions"][1]["takes"]
            clips = list(
                s.exec(
                    select(Clip).where(Clip.study_id == study_id, col(Clip.take_key).in_(planted))
                )
            )
        for clip in clips:
            s.delete(clip)
        s.delete(found)
        s.commit()
    for clip in clips:
        store.files.remove(clip.samples_key)


def contrasts(store: Store, study_id: int) -> tuple[ContrastView, ...]:
    """The study's contrasts as the guard sees them now."""
    with store.session() as s:
        names = {take.key: take.label for take in takes_in(s, study_id)}
        return tuple(_view(s, found, names) for found in contrasts_in(s, study_id))


def contrasts_in(session: Session, study_id: int) -> list[Contrast]:
    return list(
        session.exec(
            select(Contrast)
            .where(Contrast.study_id == study_id)
            .order_by(col(Contrast.position), col(Contrast.key))
        )
    )


def conditions_of(document: dict[str, Any]) -> tuple[Condition, ...]:
    return tuple(
        Condition(side["label"], tuple(side["takes"]), side["dose"])
        for side in document["conditions"]
    )


def _view(session: Session, found: Contrast, names: dict[str, str]) -> ContrastView:
    document = found.document
    conditions = conditions_of(document)
    allowed, finding = True, ""
    warnings: tuple[str, ...] = ()
    if found.role == "planted_check":
        finding = "A known difference: it shows whether a listener, on that equipment, hears one."
    else:
        result = _guarded(session, found.study_id, conditions, document["override_reason"])
        as_asked = result.role == found.role
        allowed = result.allowed and as_asked
        finding, warnings = result.sentence, result.warnings
        if not as_asked:
            finding += " The log has changed since this contrast was made: remove it."
    return ContrastView(
        key=found.key,
        name=document["name"],
        role=found.role,
        procedure=document["procedure"],
        procedure_name=PROCEDURES[document["procedure"]].name,
        attribute=document["attribute"],
        factor=document["factor"],
        scale=document["scale"],
        sides=tuple(
            SideView(c.label, c.takes, tuple(_take_name(key, names) for key in c.takes))
            for c in conditions
        ),
        votes_per_listener=document["votes_per_listener"],
        override_reason=document["override_reason"],
        allowed=allowed,
        finding=finding,
        warnings=warnings,
        has_retakes=found.role == "question" and any(len(c.takes) > 1 for c in conditions),
    )


def _take_name(key: str, names: dict[str, str]) -> str:
    base, plus, _ = key.partition("+")
    name = names.get(base, base)
    return f"{name}, changed" if plus else name


def _guarded(
    session: Session,
    study_id: int,
    conditions: Sequence[Condition],
    override_reason: str | None,
) -> GuardResult:
    logs = [log_of(take) for take in takes_in(session, study_id)]
    return guard(conditions, logs, factors_in(session, study_id), override_reason)


def _comparable(session: Session, study_id: int, conditions: Sequence[Condition]) -> None:
    """Refuse takes that cannot be compared fairly, whatever the log says of them."""
    chosen = {key for condition in conditions for key in condition.takes}
    takes = [take for take in takes_in(session, study_id) if take.key in chosen]
    for key, name in twins_of(takes).items():
        label = next(take.label for take in takes if take.key == key)
        raise BadInput(
            f"Takes {name} and {label} are the same file.",
            hint="Leave one of them out: a copy is no second take.",
        )
    _alike(
        takes, "rate", lambda take: f"is at {take.rate:,} Hz", "Export them all at one sample rate."
    )
    _alike(
        takes,
        "channels",
        lambda take: "has one channel" if take.channels == 1 else "has two channels",
        "Export them all as mono, or all as stereo.",
    )
    _alike(
        takes,
        "lossy",
        lambda take: f"is a lossy file ({take.format})" if take.lossy else "is lossless",
        "Compare lossless takes only with lossless ones.",
    )


def _alike(takes: Sequence[Take], what: str, words: Any, hint: str) -> None:
    for take in takes[1:]:
        if getattr(take, what) != getattr(takes[0], what):
            raise BadInput(
                f"Take {takes[0].label} {words(takes[0])} and take {take.label} "
                f"{words(take)}: that alone could be heard.",
                hint=hint,
            )


def _with_doses(
    session: Session, study_id: int, conditions: Sequence[Condition], factor: Factor
) -> tuple[Condition, ...]:
    logged = {take.key: take.log.get(factor.id) for take in takes_in(session, study_id)}
    done = []
    for condition in conditions:
        values = [logged[key] for key in condition.takes if is_logged(logged.get(key))]
        dose = condition.dose
        if dose is None and values:
            dose = float(values[0] or 0.0)
        done.append(replace(condition, dose=dose))
    return tuple(sorted(done, key=lambda c: (c.dose is None, c.dose or 0.0)))


def _keep(session: Session, study_id: int, role: str, prefix: str, document: dict[str, Any]) -> str:
    there = contrasts_in(session, study_id)
    if len(there) >= MOST_CONTRASTS:
        raise Conflict(f"A study has at most {MOST_CONTRASTS} contrasts.")
    if any(other.document["name"].casefold() == document["name"].casefold() for other in there):
        raise Conflict(
            f"There is a contrast “{document['name']}” already.", hint="Give this one another name."
        )
    taken = {other.key for other in there}
    candidates = [f"{prefix}{n}" for n in range(1, MOST_CONTRASTS + 2)]
    if prefix == "check":
        candidates[0] = prefix
    key = next(name for name in candidates if name not in taken)
    session.add(
        Contrast(
            study_id=study_id,
            key=key,
            position=max((other.position for other in there), default=0) + 1,
            role=role,
            document=document,
        )
    )
    session.flush()
    return key


def _contrast(session: Session, study_id: int, key: str) -> Contrast:
    found = session.exec(
        select(Contrast).where(Contrast.study_id == study_id, Contrast.key == key)
    ).first()
    if found is None:
        raise NotFound("There is no such contrast in this study.")
    return found


def _factor(factors: Sequence[Factor], key: str) -> Factor:
    found = next((factor for factor in factors if factor.id == key), None)
    if found is None:
        raise NotFound(f"There is no factor “{key}” in this study.")
    return found


def _sides(conditions: Sequence[Condition]) -> list[dict[str, Any]]:
    return [
        {"label": " ".join(c.label.split())[:80], "dose": c.dose, "takes": list(c.takes)}
        for c in conditions
    ]


def _attribute(code: str, attribute: str | None) -> str | None:
    text = " ".join((attribute or "").split())
    if code != "attribute":
        return None
    if not text:
        raise BadInput(
            "Name the attribute that is asked about.", hint="For example “top end” or “hum”."
        )
    if len(text) > 60:
        raise BadInput("The attribute is longer than 60 characters.", hint="One to three words do.")
    return text


def _votes(votes: int) -> int:
    if isinstance(votes, bool) or not 1 <= votes <= MOST_VOTES:
        raise BadInput(
            f"Each listener can be asked for 1 to {MOST_VOTES} votes, not {votes}.",
            hint="Twelve to twenty-four keep a sitting short.",
        )
    return votes


def _name(name: str) -> str:
    name = " ".join(name.split())
    if not name:
        raise BadInput("The contrast needs a name.", hint="Such as “Stiffer adhesive”.")
    if len(name) > LONGEST_NAME:
        raise BadInput(f"The contrast's name is longer than {LONGEST_NAME} characters.")
    return name


def _reason(reason: str | None) -> str | None:
    reason = " ".join((reason or "").split())
    if len(reason) > LONGEST_REASON:
        raise BadInput(f"The reason is longer than {LONGEST_REASON} characters.")
    return reason or None
