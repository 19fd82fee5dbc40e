"""Ends a study: how far voting has come, and the verdict by the plan's rule, once and for good."""

from dataclasses import dataclass

from sqlalchemy import func
from sqlmodel import Session, col, select

from panel.errors import NotAllowed, PanelError
from panel.stages.conclude.vote_table import refuse_empty, study_in, tables_in
from panel.stages.listeners.links import locked_plan
from panel.store.session import Store, write_first
from panel.store.tables import Listener, Study, Verdict, Vote
from panel.study import verdict as documents
from panel.study.measurement import Measurements, read_measurements

OPTIMISTIC_TRIES = 3


@dataclass(frozen=True)
class Standing:
    """How far voting has come. `ready`: the plan's rule allows the end without ending early."""

    sealed: bool
    closed: bool
    stop: str
    votes: int
    planned_votes: int
    listeners: int
    planned_listeners: int

    @property
    def missing(self) -> int:
        return max(0, self.planned_votes - self.votes)

    @property
    def ready(self) -> bool:
        return self.votes > 0 and (self.stop == "anytime" or self.missing == 0)


def standing(store: Store, study_id: int) -> Standing:
    """How far voting has come, without any outcome. Raises Conflict before the lock."""
    with store.session() as s:
        study = study_in(s, study_id)
        plan = locked_plan(s, study)
        votes = s.exec(
            select(func.count()).select_from(Vote).where(Vote.study_id == study_id)
        ).one()
        finished = s.exec(
            select(func.count())
            .select_from(Listener)
            .where(Listener.study_id == study_id, col(Listener.finished_at).is_not(None))
        ).one()
        wanted = plan.listeners
        return Standing(
            sealed=study.closed_at is None,
            closed=study.closed_at is not None,
            stop=plan.stop.kind,
            votes=votes,
            planned_votes=wanted * plan.votes_per_listener,
            listeners=finished,
            planned_listeners=wanted,
        )


def close(store: Store, study_id: int) -> documents.Verdict:
    """End voting and keep the verdict, both in one transaction; returns the verdict.

    The analysis runs before anything is changed, on a copy of the votes; if a vote came in
    meanwhile it runs again, the last time with voting held up. If it fails, nothing is closed.
    Ending before the planned votes are in is allowed: while sealed, nobody can have decided by
    the outcome. Once closed, it returns the verdict that was kept. Raises Conflict before the
    lock and without votes.
    """
    from panel.analysis.verdict import conclude

    for attempt in range(OPTIMISTIC_TRIES):
        with store.session() as s:
            study = study_in(s, study_id)
            if study.closed_at is not None:
                return _kept(s, study_id)
            plan = locked_plan(s, study)
            seen = tables_in(s, study_id, plan)
        refuse_empty(seen)
        found = conclude(plan, *seen)
        measured = _measured(store, study_id)
        with store.session() as s:
            write_first(s)
            study = study_in(s, study_id, for_update=True)
            if study.closed_at is not None:
                return _kept(s, study_id)
            now_there = tables_in(s, study_id, plan)
            if now_there != seen and attempt < OPTIMISTIC_TRIES - 1:
                continue
            if now_there != seen:
                found = conclude(plan, *now_there)
            now = store.now()
            study.closed_at = now
            s.add(study)
            s.add(
                Verdict(
                    study_id=study_id,
                    document=found.document(),
                    measured=measured.document(),
                    concluded_at=now,
                )
            )
            s.commit()
            return found
    raise AssertionError("the last try either closes or raises")


def verdict(store: Store, study_id: int) -> documents.Verdict:
    """The verdict that was kept. Raises NotAllowed while the study is sealed."""
    with store.session() as s:
        _refuse_sealed(study_in(s, study_id))
        return _kept(s, study_id)


def measured(store: Store, study_id: int) -> Measurements:
    """The measured differences kept with the verdict. Raises NotAllowed while sealed, BadInput
    where they cannot be read."""
    with store.session() as s:
        _refuse_sealed(study_in(s, study_id))
        row = s.exec(select(Verdict).where(Verdict.study_id == study_id)).one()
        return read_measurements(row.measured)


def _measured(store: Store, study_id: int) -> Measurements:
    """What differs in the sound. It explains a verdict and does not make one, so a file missing
    from the folder must not keep a study open: then the report says it was not measured."""
    from panel.stages.clips import prepare

    try:
        return prepare.measured(store, study_id)
    except PanelError as error:
        return Measurements(unavailable=str(error))


def _refuse_sealed(study: Study) -> None:
    if study.closed_at is None:
        raise NotAllowed(
            "The outcomes of this study are sealed until voting has ended.",
            hint="End voting when the plan's rule is met; then the verdict is shown.",
        )


def _kept(session: Session, study_id: int) -> documents.Verdict:
    row = session.exec(select(Verdict).where(Verdict.study_id == study_id)).one()
    return documents.read_verdict(row.document)
