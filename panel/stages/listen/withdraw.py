"""A listener takes back the consent: the answers go, or stay without a name, as they choose.

What is left afterwards is a row that meets the old link with a sentence and counts in the
results; nothing joins it to an answer. Once voting has ended the results are worked out and may
be published, so from then on a listener can only be cut loose from the answers.
"""

from dataclasses import dataclass

from sqlmodel import Session, col, delete, func, select

from panel.errors import Conflict, Gone, NotFound
from panel.marked import N_
from panel.stages.listen import reasons
from panel.stages.listeners.codes import fresh_code
from panel.stages.listeners.links import holder
from panel.store.sealing import code_hash, new_code
from panel.store.session import Store, forget_deleted, write_first
from panel.store.tables import Listener, Message, Study, Trial, Vote, Withdrawal


@dataclass(frozen=True)
class Standing:
    """What a link's holder can still do. `removable`: the study is not over, so answers can go."""

    title: str
    organiser_can_tell: bool
    answers: int
    removable: bool


@dataclass(frozen=True)
class Done:
    """What became of a listener who withdrew."""

    title: str
    kept: bool
    answers: int


def standing(store: Store, code: str) -> Standing | Done:
    """Where the holder of a link stands; `Done` for one who has withdrawn.

    Raises NotFound for an unknown link and Gone for one that was revoked.
    """
    with store.session() as s:
        done = gone_with(s, code)
        if done is not None:
            return done
        listener, study = holder(s, code)
        return Standing(
            title=study.title,
            organiser_can_tell=listener.address is not None,
            answers=_answers(s, listener),
            removable=study.closed_at is None,
        )


def withdraw(store: Store, code: str, *, keep_answers: bool) -> Done:
    """Take the listener out; a second call changes nothing.

    Votes, trials, mails, address, link and remarks go. With `keep_answers` votes and trials stay
    under their random code. Raises Gone when answers are to be removed after voting has ended,
    Conflict for a listener who never agreed to anything.
    """
    with store.session() as s:
        write_first(s)
        done = gone_with(s, code)
        if done is not None:
            return done
        listener, study = holder(s, code, for_update=True)
        if listener.consented_at is None:
            raise Conflict(
                N_("You have not agreed to anything yet, and no answer is kept."),
                hint=N_("Simply close this page."),
            )
        over = study.closed_at is not None
        if over and not keep_answers:
            raise Gone(
                N_(
                    "Voting has ended and the results are worked out, so single answers can no "
                    "longer be taken out."
                ),
                hint=N_("You can still have every tie between you and them cut."),
            )
        answers = _answers(s, listener)
        done = Done(study.title, keep_answers, answers)
        reasons.forget(s, listener.id)
        s.exec(delete(Message).where(col(Message.listener_id) == listener.id))
        s.add(_trace(s, study, listener, code, kept=keep_answers, answers=answers))
        if keep_answers:
            _cut_loose(listener, before_end=not over)
            s.add(listener)
        else:
            s.exec(delete(Vote).where(col(Vote.listener_id) == listener.id))
            s.exec(delete(Trial).where(col(Trial.listener_id) == listener.id))
            s.flush()
            s.delete(listener)
        s.commit()
    forget_deleted(store.engine)
    return done


def gone_with(session: Session, code: str) -> Done | None:
    """What became of the listener whose link this was, if they withdrew."""
    found = session.exec(
        select(Withdrawal, Study)
        .join(Study, col(Study.id) == col(Withdrawal.study_id))
        .where(Withdrawal.link_hash == code_hash(code))
    ).first()
    if found is None:
        return None
    trace, study = found
    return Done(study.title, trace.kept, trace.votes_removed)


def _trace(
    session: Session, study: Study, listener: Listener, code: str, *, kept: bool, answers: int
) -> Withdrawal:
    if study.id is None:
        raise NotFound(N_("There is no such study."))
    taken = [
        *session.exec(select(Listener.code).where(Listener.study_id == study.id)),
        *session.exec(select(Withdrawal.code).where(Withdrawal.study_id == study.id)),
    ]
    return Withdrawal(
        study_id=study.id,
        link_hash=code_hash(code),
        kept=kept,
        before_end=study.closed_at is None,
        code=fresh_code(taken),
        votes_removed=0 if kept else answers,
    )


def _cut_loose(listener: Listener, *, before_end: bool) -> None:
    listener.address = None
    listener.link_hash = code_hash(new_code())  # a link that nobody has
    listener.link_sealed = None
    listener.remarks = ""
    listener.withdrew = listener.withdrew or before_end


def _answers(session: Session, listener: Listener) -> int:
    return session.exec(
        select(func.count()).select_from(Vote).where(Vote.listener_id == listener.id)
    ).one()
