"""Contrasts as the desk shows them: those there are, and clean ones that the log would bear."""

from dataclasses import dataclass
from functools import lru_cache

from sqlmodel import Session

from panel.design.guard import propose as design
from panel.design.guard.propose import Proposal
from panel.design.guard.result import GuardResult
from panel.design.guard.scope_words import Reach
from panel.design.power import procedure_choice
from panel.design.power.procedure_choice import Option
from panel.procedures.catalogue import PROCEDURES
from panel.stages.contrasts.guard import channel_warnings, guarded
from panel.stages.contrasts.rows import contrasts_in
from panel.stages.contrasts.scope import reach_in
from panel.stages.rows import asked_in, factors_in, log_of, takes_in, twins_of
from panel.store.session import Store
from panel.study.conditions import groups_of
from panel.study.plan import Contrast


@dataclass(frozen=True)
class SideView:
    label: str
    takes: tuple[str, ...]
    take_names: tuple[str, ...]


@dataclass(frozen=True)
class ContrastView:
    """A contrast at the desk. `finding` and `warnings` are what the guard says now; `allowed` is
    False where the log has changed since and the contrast cannot stand any more. `reach`: how far
    a claim about a question can reach; None of what is none."""

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
    given: tuple[str, ...] = ()
    reach: Reach | None = None


@dataclass(frozen=True)
class ProposalView:
    """A clean contrast that could be asked as it stands; `reach` as for those that are."""

    name: str
    factor: str | None
    sides: tuple[SideView, ...]
    finding: str
    warnings: tuple[str, ...]
    given: tuple[str, ...] = ()
    reach: Reach | None = None

    @property
    def takes(self) -> str:
        """Keys of all its takes, with commas between: for an address."""
        return ",".join(key for side in self.sides for key in side.takes)


def contrasts(store: Store, study_id: int) -> tuple[ContrastView, ...]:
    """The study's contrasts as the guard sees them now."""
    with store.session() as s:
        names = {take.key: take.label for take in takes_in(s, study_id)}
        return tuple(_view(s, study_id, asked_in(row), names) for row in contrasts_in(s, study_id))


def propose(store: Store, study_id: int) -> list[Proposal]:
    """Clean contrasts that the log would bear, the best provided with takes first."""
    with store.session() as s:
        takes, factors = takes_in(s, study_id), factors_in(s, study_id)
    twins = twins_of(takes)
    return design.propose([log_of(take) for take in takes if take.key not in twins], factors)


def proposals(store: Store, study_id: int) -> tuple[ProposalView, ...]:
    """What `propose` finds and is not kept as a contrast already."""
    found = propose(store, study_id)
    with store.session() as s:
        names = {take.key: take.label for take in takes_in(s, study_id)}
        kept = {
            (
                frozenset(asked.side_of),
                asked.factor if asked.given else None,
            )
            for asked in map(asked_in, contrasts_in(s, study_id))
        }
        return tuple(
            _proposed(s, study_id, proposal, names)
            for proposal in found
            if (
                frozenset(key for c in proposal.conditions for key in c.takes),
                proposal.factor if proposal.guard.given else None,
            )
            not in kept
        )


def _proposed(
    session: Session, study_id: int, found: Proposal, names: dict[str, str]
) -> ProposalView:
    reach = None
    if found.factor is not None:
        reach = reach_in(
            session,
            study_id,
            found.conditions,
            found.factor,
            is_dose=False,
            strata=groups_of(found.guard.strata),
        )
    return ProposalView(
        name=found.name,
        factor=found.factor,
        sides=tuple(
            SideView(c.label, c.takes, tuple(names[key] for key in c.takes))
            for c in found.conditions
        ),
        finding=found.guard.sentence,
        warnings=_warnings(found.guard, reach),
        given=found.guard.given,
        reach=reach,
    )


def _warnings(found: GuardResult, reach: Reach | None) -> tuple[str, ...]:
    """The guard's, without that on the order where the reach says it already."""
    said_twice = {found.order_warning} if reach is not None and reach.barred else set()
    return tuple(warning for warning in found.warnings if warning not in said_twice)


@lru_cache(maxsize=1)
def procedure_options() -> tuple[Option, ...]:
    """The procedures with their prices and reasons, the one proposed first at the head."""
    return tuple(procedure_choice.options("direction"))


def _view(
    session: Session, study_id: int, contrast: Contrast, names: dict[str, str]
) -> ContrastView:
    allowed, finding = True, ""
    warnings: tuple[str, ...] = ()
    reach = None
    if contrast.role == "planted_check":
        finding = "A known difference: it shows whether a listener, on that equipment, hears one."
    else:
        result = guarded(
            session, study_id, contrast.conditions, contrast.override_reason, contrast.given
        )
        as_asked = result.role == contrast.role
        allowed = result.allowed and as_asked
        finding = result.sentence
        if contrast.role == "question":
            reach = reach_in(
                session,
                study_id,
                contrast.conditions,
                contrast.factor,
                is_dose=contrast.is_dose,
                strata=groups_of(result.strata),
            )
        warnings = _warnings(result, reach) + channel_warnings(
            session, study_id, contrast.conditions
        )
        if not as_asked:
            finding += " The log has changed since this contrast was made: remove it."
    return ContrastView(
        key=contrast.id,
        name=contrast.name,
        role=contrast.role,
        procedure=contrast.procedure,
        procedure_name=PROCEDURES[contrast.procedure].name,
        attribute=contrast.attribute,
        factor=contrast.factor,
        scale=contrast.scale,
        sides=tuple(
            SideView(c.label, c.takes, tuple(_take_name(key, names) for key in c.takes))
            for c in contrast.conditions
        ),
        votes_per_listener=contrast.votes_per_listener,
        override_reason=contrast.override_reason,
        allowed=allowed,
        finding=finding,
        warnings=warnings,
        has_retakes=contrast.role == "question"
        and contrast.asked_by.round_robin
        and any(len(takes) > 1 for takes in contrast.sides),
        given=contrast.given,
        reach=reach,
    )


def _take_name(key: str, names: dict[str, str]) -> str:
    base, plus, _ = key.partition("+")
    name = names.get(base, base)
    return f"{name}, changed" if plus else name
