"""Ends a study: the anonymised vote table, the verdict by the plan's rule, and the early look
that an anytime plan allows."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import func
from sqlalchemy import select as select_columns
from sqlmodel import Session, col, select

from panel.errors import Conflict, NotAllowed, NotFound, PanelError
from panel.procedures.base import ANSWERS, SLOTS
from panel.stages.listeners.links import locked_plan
from panel.store.session import Store, write_first
from panel.store.tables import Listener, Study, Trial, Verdict, Vote, Withdrawal
from panel.study import verdict as documents
from panel.study.measurement import Measurements, read_measurements
from panel.study.plan import Contrast, Plan
from panel.study.votes import NO_RATE, UNMARKED, ListenerTable, VoteTable
from panel.study.votes_check import marks

Tables = tuple[VoteTable, ListenerTable]

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


def vote_table(store: Store, study_id: int) -> Tables:
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
            study = _study(s, study_id)
            if study.closed_at is not None:
                return _kept(s, study_id)
            plan = locked_plan(s, study)
            seen = _vote_table(s, study_id, plan)
        _refuse_empty(seen)
        found = conclude(plan, *seen)
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
        _look(plan.contrast(found.id), found, plan.confidence)
        for found in conclude(plan, *seen).contrasts
        if found.role == "question"
    ]


def _look(contrast: Contrast, found: documents.ContrastVerdict, confidence: float) -> Look:
    from panel.report.figures.outcome import later

    return Look(
        name=contrast.name,
        procedure=contrast.procedure,
        toward=later(contrast) if contrast.directed else None,
        count=found.correct,
        trials=found.trials,
        chance=contrast.chance,
        e_value=found.numbers.e_value,
        p_anytime=found.numbers.p_anytime,
        interval=found.numbers.interval,
        confidence=confidence,
    )


def _vote_table(session: Session, study_id: int, plan: Plan) -> Tables:
    # Votes before listeners: outside a write transaction SQLite gives each query its own view,
    # and whoever has voted has consented before.
    cast = _Cast(
        *zip(
            *session.execute(
                select_columns(
                    col(Vote.listener_id),
                    col(Trial.number),
                    col(Trial.contrast_key),
                    col(Trial.procedure),
                    col(Trial.excerpt_key),
                    col(Trial.slots),
                    col(Vote.answer),
                    col(Vote.plays),
                    col(Vote.seconds),
                    col(Vote.received_at),
                )
                .join(Trial, col(Vote.trial_id) == col(Trial.id))
                .where(col(Vote.study_id) == study_id)
                .order_by(col(Vote.sequence))
            ),
            strict=True,
        )
    )
    listeners = session.exec(
        select(Listener)
        .where(Listener.study_id == study_id, col(Listener.consented_at).is_not(None))
        .order_by(Listener.code)
    ).all()
    gone = session.exec(
        select(Withdrawal)
        .where(Withdrawal.study_id == study_id, ~col(Withdrawal.kept))
        .order_by(Withdrawal.code)
    ).all()
    votes = cast.table({row.id: row.code for row in listeners})
    votes = replace(votes, correct=marks(plan, votes))
    return votes, _listener_table(listeners, gone, Counter(cast.listener))


class _Cast(NamedTuple):
    """The votes of a study as columns of the store, in order of arrival."""

    listener: tuple[int, ...] = ()
    trial: tuple[int, ...] = ()
    contrast: tuple[str, ...] = ()
    procedure: tuple[str, ...] = ()
    excerpt: tuple[str, ...] = ()
    slots: tuple[list[str], ...] = ()
    answer: tuple[int, ...] = ()
    plays: tuple[int, ...] = ()
    seconds: tuple[float, ...] = ()
    received: tuple[datetime, ...] = ()

    def table(self, codes: Mapping[int | None, str]) -> VoteTable:
        """The table, not yet marked. `codes`: the listeners' random ones."""
        days = [moment.toordinal() for moment in self.received]
        padded = [(*slots, *("",) * (SLOTS - len(slots))) for slots in self.slots]
        return VoteTable.of(
            sequence=range(1, len(days) + 1),
            listener=[codes[id_] for id_ in self.listener],
            trial=self.trial,
            contrast=self.contrast,
            procedure=self.procedure,
            excerpt=self.excerpt,
            slots=list(zip(*padded, strict=True)) or [()] * SLOTS,
            answer=[ANSWERS[place] for place in self.answer],
            correct=[UNMARKED] * len(days),
            plays=self.plays,
            seconds=list(map(round, self.seconds)),
            day=[max(0, day - days[0]) for day in days],
        )


def _listener_table(
    listeners: Sequence[Listener], gone: Sequence[Withdrawal], votes: Mapping[int, int]
) -> ListenerTable:
    """Those who consented, and after them those whose answers were removed; `votes` by id."""
    here, away = len(listeners), len(gone)
    return ListenerTable.of(
        listener=[row.code for row in listeners] + [row.code for row in gone],
        finished=[row.finished_at is not None for row in listeners] + [False] * away,
        headphone_check=[row.headphone_check for row in listeners] + ["not taken"] * away,
        playback=[row.playback for row in listeners] + ["unknown"] * away,
        sample_rate=[NO_RATE if row.sample_rate is None else row.sample_rate for row in listeners]
        + [NO_RATE] * away,
        votes=[votes.get(row.id or 0, 0) for row in listeners] + [0] * away,
        withdrew=["kept" if row.withdrew else "" for row in listeners] + ["removed"] * away,
        votes_removed=[0] * here + [row.votes_removed for row in gone],
    )


def _measured(store: Store, study_id: int) -> Measurements:
    """What differs in the sound. It explains a verdict and does not make one, so a file missing
    from the folder must not keep a study open: then the report says it was not measured."""
    from panel.stages.clips import prepare

    try:
        return prepare.measured(store, study_id)
    except PanelError as error:
        return Measurements(unavailable=str(error))


def _refuse_empty(seen: Tables) -> None:
    if not len(seen[0]):
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


def _kept(session: Session, study_id: int) -> documents.Verdict:
    row = session.exec(select(Verdict).where(Verdict.study_id == study_id)).one()
    return documents.read_verdict(row.document)


def _study(session: Session, study_id: int, *, for_update: bool = False) -> Study:
    query = select(Study).where(Study.id == study_id)
    study = session.exec(query.with_for_update() if for_update else query).first()
    if study is None:
        raise NotFound("There is no such study.")
    return study
