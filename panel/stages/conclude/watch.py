"""Watches votes come in, without any outcome: who was invited, opened, checked, finished, and
how many votes there are by the hour."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlalchemy import Integer, extract, func
from sqlalchemy import cast as as_sql
from sqlalchemy import select as select_columns
from sqlmodel import Session, col, select

from panel.errors import NotFound
from panel.procedures.catalogue import PROCEDURES
from panel.stages.listeners import withdrawn
from panel.stages.listeners.links import locked_plan
from panel.store.session import Store
from panel.store.tables import Listener, Study, Trial, Vote, Withdrawal
from panel.study.plan import Plan

LEAST_LISTENERS = 5
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class PlantedRate:
    """How the planted checks were heard, over all listeners together and nothing finer."""

    right: int
    trials: int
    listeners: int


@dataclass(frozen=True)
class Progress:
    """`invited` counts personal links, `joined` listeners of the open link; the later counts go
    over both. `shared`: of how many links more than one browser was used to answer, which can be
    two devices of one person or two people. `hours` holds (start of the hour, UTC; votes), from
    the first vote on, gaps left out. `planted` is None unless at least five listeners have done
    all their checks; without a check in the plan (`has_check`) it stays so."""

    invited: int
    joined: int
    declined: int
    withdrew: int
    opened: int
    checked: int
    finished: int
    shared: int
    votes: int
    planned_votes: int
    hours: tuple[tuple[datetime, int], ...]
    planted: PlantedRate | None
    has_check: bool
    closed: bool


def progress(store: Store, study_id: int) -> Progress:
    """Counts as of now; the number of queries does not depend on how many listeners there are.

    Raises Conflict before the plan is locked.
    """
    with store.session() as s:
        study = s.get(Study, study_id)
        if study is None:
            raise NotFound("There is no such study.")
        plan = locked_plan(s, study)
        counts = _listener_counts(s, study_id)
        hours = _votes_by_hour(s, study_id)
        return Progress(
            **counts,
            withdrew=withdrawn.count(s, study_id),
            shared=_answered_in_several_browsers(s, study_id),
            votes=sum(count for _, count in hours),
            planned_votes=plan.listeners * plan.votes_per_listener,
            hours=hours,
            planted=_planted(s, study_id, plan),
            has_check=bool(_checks(plan)),
            closed=study.closed_at is not None,
        )


def pulse(store: Store, study_id: int) -> tuple[int, ...]:
    """Numbers that change whenever `progress` does, by one cheap query."""
    with store.session() as s:
        row = (
            s.connection()
            .execute(
                select_columns(
                    func.max(Study.next_sequence),
                    func.count(col(Study.closed_at)),
                    func.count(col(Listener.id)),
                    func.count(col(Listener.opened_at)),
                    func.count(col(Listener.checked_at)),
                    func.count(col(Listener.finished_at)),
                    func.count(col(Listener.declined_at)),
                    select_columns(func.count(col(Withdrawal.id)))
                    .where(col(Withdrawal.study_id) == study_id)
                    .scalar_subquery(),
                )
                .select_from(Study)
                .join(Listener, col(Listener.study_id) == col(Study.id), isouter=True)
                .where(col(Study.id) == study_id)
            )
            .one()
        )
        return tuple(int(value or 0) for value in row)


def _listener_counts(session: Session, study_id: int) -> dict[str, int]:
    row = (
        session.connection()
        .execute(
            select_columns(
                func.count(col(Listener.address)),
                func.count() - func.count(col(Listener.address)),
                func.count(col(Listener.declined_at)),
                func.count(col(Listener.opened_at)),
                func.count(col(Listener.checked_at)),
                func.count(col(Listener.finished_at)),
            ).where(col(Listener.study_id) == study_id)
        )
        .one()
    )
    names = ("invited", "joined", "declined", "opened", "checked", "finished")
    return dict(zip(names, (int(value) for value in row), strict=True))


def _answered_in_several_browsers(session: Session, study_id: int) -> int:
    mark = col(Vote.notes)["browser"].as_integer()
    several = (
        select_columns(col(Vote.listener_id))
        .where(col(Vote.study_id) == study_id)
        .group_by(col(Vote.listener_id))
        .having(func.count(mark.distinct()) > 1)
        .subquery()
    )
    return int(
        session.connection().execute(select_columns(func.count()).select_from(several)).scalar_one()
    )


def _votes_by_hour(session: Session, study_id: int) -> tuple[tuple[datetime, int], ...]:
    hour = as_sql(extract("epoch", col(Vote.received_at)), Integer) // 3600
    rows = session.exec(
        select(hour, func.count()).where(Vote.study_id == study_id).group_by(hour).order_by(hour)
    )
    return tuple((EPOCH + timedelta(hours=int(at)), int(count)) for at, count in rows)


def _planted(session: Session, study_id: int, plan: Plan) -> PlantedRate | None:
    """The rate over whole groups of five listeners, in the order in which they finished: a rate
    that moved with each listener would tell how that one did."""
    checks = _checks(plan)
    if not checks:
        return None
    done = list(
        session.exec(
            select(Listener.id)
            .where(Listener.study_id == study_id, col(Listener.finished_at).is_not(None))
            .order_by(col(Listener.finished_at), col(Listener.id))
        )
    )
    counted = done[: len(done) - len(done) % LEAST_LISTENERS]
    if not counted:
        return None
    among = set(counted)
    right = trials = 0
    for vote, trial in session.exec(
        select(Vote, Trial)
        .join(Trial, col(Vote.trial_id) == col(Trial.id))
        .where(Vote.study_id == study_id, col(Trial.contrast_key).in_(checks))
    ):
        if vote.listener_id not in among:
            continue
        trials += 1
        if PROCEDURES[trial.procedure].directed:
            right += trial.slots[vote.answer] in checks[trial.contrast_key]
        else:
            right += vote.answer == trial.right
    return PlantedRate(right, trials, len(counted))


def _checks(plan: Plan) -> dict[str, set[str]]:
    """The planted checks that have a right answer, with the takes that were changed."""
    return {
        contrast.id: set(contrast.sides[1])
        for contrast in plan.planted_checks
        if "heard" in contrast.asked_by.earns
    }
