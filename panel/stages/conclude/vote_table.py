"""The anonymised vote table of a study, from its rows."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import select as select_columns
from sqlmodel import Session, col, select

from panel.errors import Conflict, NotFound
from panel.procedures.base import ANSWERS, SLOTS
from panel.stages.listeners.links import locked_plan
from panel.store.session import Store
from panel.store.tables import Listener, Study, Trial, Vote, Withdrawal
from panel.study.plan import Plan
from panel.study.votes import NO_RATE, UNMARKED, ListenerTable, VoteTable
from panel.study.votes_check import marks

Tables = tuple[VoteTable, ListenerTable]


def vote_table(store: Store, study_id: int) -> Tables:
    """The votes and listeners of a study without addresses, links or exact times.

    `correct` is worked out anew from what was in the slots; `day` counts from the first vote's
    day (UTC); listeners are those who consented, in the order of their random codes.
    """
    with store.session() as s:
        return tables_in(s, study_id, locked_plan(s, study_in(s, study_id)))


def tables_in(session: Session, study_id: int, plan: Plan) -> Tables:
    """The same within a transaction."""
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


def refuse_empty(seen: Tables) -> None:
    """Raises Conflict where there is no vote."""
    if not len(seen[0]):
        raise Conflict(
            "There is no vote yet, so there is nothing to conclude from.",
            hint="Invite listeners, and end voting once votes are in.",
        )


def study_in(session: Session, study_id: int, *, for_update: bool = False) -> Study:
    """The row. Raises NotFound."""
    query = select(Study).where(Study.id == study_id)
    study = session.exec(query.with_for_update() if for_update else query).first()
    if study is None:
        raise NotFound("There is no such study.")
    return study
