"""Ends a study: the anonymised vote table, the verdict by the plan's rule, and the early look
that an anytime plan allows."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import func
from sqlmodel import Session, col, select

from panel.errors import Conflict, NotAllowed, NotFound, PanelError
from panel.procedures.base import ANSWERS
from panel.procedures.catalogue import PROCEDURES
from panel.stages.listeners.links import locked_plan
from panel.store.session import Store, write_first
from panel.store.tables import Listener, Study, Trial, Verdict, Vote, Withdrawal
from panel.study import votes as table
from panel.study.measurement import Measurements, read_measurements
from panel.study.plan import Contrast, Plan

VoteTable = tuple[list[table.Vote], list[table.ListenerRow]]

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


@dataclass(frozen=True)
class Look:
    """One question of an anytime plan at this moment; every number is valid at every look.

    Undirected: `count` of `trials` across conditions were right. Directed: `count` votes went to
    `toward`, the later condition or the higher dose; None where they cannot be counted. `interval`
    is the confidence sequence of that share over listeners, None while too few are done. The
    permutation over takes is left out: it is made for the planned end only.
    """

    name: str
    procedure: str
    toward: str | None
    count: int | None
    trials: int
    chance: float
    e_value: float | None
    p_anytime: float | None
    interval: tuple[float, float] | None
    confidence: float


def vote_table(store: Store, study_id: int) -> VoteTable:
    """The votes and listeners of a study without addresses, links or exact times.

    `correct` is worked out anew from what was in the slots; `day` counts from the first vote's
    day (UTC); listeners are those who consented, in the order of their random codes.
    """
    with store.session() as s:
        return _vote_table(s, study_id, locked_plan(s, _study(s, study_id)))


def standing(store: Store, study_id: int) -> Standing:
    """How far voting has come, without any outcome. Raises Conflict before the lock."""
    with store.session() as s:
        study = _study(s, study_id)
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


def close(store: Store, study_id: int) -> dict[str, Any]:
    """End voting and keep the verdict, both in one transaction; returns the verdict document.

    The analysis runs before anything is changed, on a copy of the votes; if a vote came in
    meanwhile it runs again, the last time with voting held up. If it fails, nothing is closed.
    Ending before the planned votes are in is allowed: while sealed, nobody can have decided by
    the outcome. Once closed, it returns the verdict that was kept. Raises Conflict before the
    lock and without votes.
    """
    from panel.analysis.verdict import conclude

    for attempt in range(OPTIMISTIC_TRIES):
        with store.session() as s:
            study = _study(s, study_id)
            if study.closed_at is not None:
                return _kept(s, study_id)
            plan = locked_plan(s, study)
            seen = _vote_table(s, study_id, plan)
        _refuse_empty(seen)
        document = conclude(plan.document(), *seen)
        measured = _measured(store, study_id)
        with store.session() as s:
            write_first(s)
            study = _study(s, study_id, for_update=True)
            if study.closed_at is not None:
                return _kept(s, study_id)
            now_there = _vote_table(s, study_id, plan)
            if now_there != seen and attempt < OPTIMISTIC_TRIES - 1:
                continue
            if now_there != seen:
                document = conclude(plan.document(), *now_there)
            now = store.now()
            study.closed_at = now
            s.add(study)
            s.add(
                Verdict(
                    study_id=study_id,
                    document=document,
                    measured=measured.document(),
                    concluded_at=now,
                )
            )
            s.commit()
            return document
    raise AssertionError("the last try either closes or raises")


def verdict(store: Store, study_id: int) -> dict[str, Any]:
    """The verdict that was kept. Raises NotAllowed while the study is sealed."""
    with store.session() as s:
        _refuse_sealed(_study(s, study_id))
        return _kept(s, study_id)


def measured(store: Store, study_id: int) -> Measurements:
    """The measured differences kept with the verdict. Raises NotAllowed while sealed, BadInput
    where they cannot be read."""
    with store.session() as s:
        _refuse_sealed(_study(s, study_id))
        row = s.exec(select(Verdict).where(Verdict.study_id == study_id)).one()
        return read_measurements(row.measured)


def interim(store: Store, study_id: int) -> list[Look]:
    """The questions of an anytime plan as they stand now.

    Raises NotAllowed for a plan with a fixed end: its outcomes stay sealed until then.
    """
    from panel.analysis.verdict import conclude

    with store.session() as s:
        study = _study(s, study_id)
        plan = locked_plan(s, study)
        if not plan.anytime:
            raise NotAllowed(
                "This plan has a fixed end, so its outcomes stay sealed until voting has ended.",
                hint="Looking early would spoil the verdict; watch how many votes are in instead.",
            )
        seen = _vote_table(s, study_id, plan)
    _refuse_empty(seen)
    return [
        _look(plan.contrast(found["id"]), found, plan.confidence)
        for found in conclude(plan.document(), *seen)["contrasts"]
        if found["role"] == "question"
    ]


def _look(contrast: Contrast, found: Mapping[str, Any], confidence: float) -> Look:
    from panel.report.figures.outcome import later

    kind = PROCEDURES[contrast.procedure]
    numbers = found["numbers"]
    interval = numbers.get("interval")
    return Look(
        name=contrast.name,
        procedure=kind.code,
        toward=later(contrast.document()) if kind.directed else None,
        count=found["correct"],
        trials=found["trials"],
        chance=kind.chance,
        e_value=numbers.get("e_value"),
        p_anytime=numbers.get("p_anytime"),
        interval=(interval[0], interval[1]) if interval else None,
        confidence=confidence,
    )


def _vote_table(session: Session, study_id: int, plan: Plan) -> VoteTable:
    by_id = {contrast.id: contrast for contrast in plan.contrasts}
    # Votes before listeners: outside a write transaction SQLite gives each query its own view,
    # and whoever has voted has consented before.
    cast_votes = session.exec(
        select(Vote, Trial)
        .join(Trial, col(Vote.trial_id) == col(Trial.id))
        .where(Vote.study_id == study_id)
        .order_by(col(Vote.sequence))
    ).all()
    listeners = {
        row.id: row
        for row in session.exec(
            select(Listener)
            .where(Listener.study_id == study_id, col(Listener.consented_at).is_not(None))
            .order_by(Listener.code)
        )
    }
    cast = dict.fromkeys(listeners, 0)
    votes: list[table.Vote] = []
    first_day = None
    for vote, trial in cast_votes:
        day = vote.received_at.date()
        first_day = first_day or day
        cast[vote.listener_id] += 1
        row = table.Vote(
            sequence=len(votes) + 1,
            listener=listeners[vote.listener_id].code,
            trial=trial.number,
            contrast=trial.contrast_key,
            procedure=trial.procedure,
            excerpt=trial.excerpt_key,
            one=trial.slots[0],
            two=trial.slots[1],
            three=trial.slots[2] if len(trial.slots) > 2 else None,
            answer=ANSWERS[vote.answer],
            correct=None,
            plays=vote.plays,
            seconds=round(vote.seconds),
            day=max(0, (day - first_day).days),
            four=trial.slots[3] if len(trial.slots) > 3 else None,
        )
        votes.append(_marked(row, by_id[trial.contrast_key]))
    rows = [
        table.ListenerRow(
            listener=row.code,
            finished=row.finished_at is not None,
            headphone_check=row.headphone_check,
            playback=row.playback,
            sample_rate=row.sample_rate,
            votes=cast[key],
            withdrew="kept" if row.withdrew else "",
        )
        for key, row in listeners.items()
    ]
    rows += [
        table.ListenerRow(
            listener=gone.code,
            finished=False,
            headphone_check="not taken",
            playback="unknown",
            sample_rate=None,
            votes=0,
            withdrew="removed",
            votes_removed=gone.votes_removed,
        )
        for gone in session.exec(
            select(Withdrawal)
            .where(Withdrawal.study_id == study_id, ~col(Withdrawal.kept))
            .order_by(Withdrawal.code)
        )
    ]
    return votes, rows


def _marked(vote: table.Vote, contrast: Contrast) -> table.Vote:
    """The vote with `correct` from its slots; empty where nothing is right by itself."""
    if PROCEDURES[vote.procedure].directed:
        known = contrast.role == "planted_check" and vote.procedure == "attribute"
        if not known:
            return vote
        return replace(vote, correct=vote.chosen in contrast.sides[1])
    if vote.procedure == "reminder":
        kind = next(takes for takes in contrast.sides if vote.slots[2] in takes)
        return replace(vote, correct=vote.chosen in kind)
    return replace(vote, correct=vote.answer == table.right_answer(vote.procedure, vote.slots))


def _measured(store: Store, study_id: int) -> Measurements:
    """What differs in the sound. It explains a verdict and does not make one, so a file missing
    from the folder must not keep a study open: then the report says it was not measured."""
    from panel.stages.clips import prepare

    try:
        return prepare.measured(store, study_id)
    except PanelError as error:
        return Measurements(unavailable=str(error))


def _refuse_empty(seen: VoteTable) -> None:
    if not seen[0]:
        raise Conflict(
            "There is no vote yet, so there is nothing to conclude from.",
            hint="Invite listeners, and end voting once votes are in.",
        )


def _refuse_sealed(study: Study) -> None:
    if study.closed_at is None:
        raise NotAllowed(
            "The outcomes of this study are sealed until voting has ended.",
            hint="End voting when the plan's rule is met; then the verdict is shown.",
        )


def _kept(session: Session, study_id: int) -> dict[str, Any]:
    row = session.exec(select(Verdict).where(Verdict.study_id == study_id)).one()
    return dict(row.document)


def _study(session: Session, study_id: int, *, for_update: bool = False) -> Study:
    query = select(Study).where(Study.id == study_id)
    study = session.exec(query.with_for_update() if for_update else query).first()
    if study is None:
        raise NotFound("There is no such study.")
    return study
