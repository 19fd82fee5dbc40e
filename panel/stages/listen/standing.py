"""Where a listener stands in the booth.

Worked out from what is stored, never from the browser, so that the same link goes on at the right
place after a reload and on another device.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session, col, select

from panel.errors import Conflict
from panel.marked import N_
from panel.stages.listen.pace import listened, minutes_left
from panel.stages.listen.votes_in import next_number
from panel.stages.listeners.letters import minutes_needed
from panel.stages.listeners.links import holder, locked_plan, refuse_unless_open
from panel.store.session import Store, write_first
from panel.store.tables import Listener, Organiser, Study, Trial

PRACTICE_ATTRIBUTE = N_("brightness")  # what the practice pair differs in, see audio/rehearsal.py


@dataclass(frozen=True)
class ListenerState:
    """Where a listener stands. `step`: "not_open", "welcome", "playback", "level", "check",
    "excluded", "practice", "trial", "questions" or "thanks"."""

    step: str
    title: str
    organiser: str
    invitation_words: str
    privacy_words: str
    by_mail: bool
    answered: int
    total: int
    minutes: int
    needs_headphones: bool
    playback: str
    consented: bool
    check: str
    check_kind: str
    check_attempts: int
    procedures: tuple[str, ...]
    practice: str | None
    practice_instruction: str
    listened_s: int


def changed(store: Store, code: str, change: Callable[[Listener], None]) -> ListenerState:
    """Change the row of a listener who has consented; returns where they stand then.

    Raises Gone for a revoked link or a closed study, Conflict before the consent.
    """
    with store.session() as s:
        write_first(s)
        listener, study = holder(s, code)
        refuse_unless_open(study)
        if listener.consented_at is None:
            raise Conflict(
                N_("Please read the first page and agree to it before going on."),
                hint=N_("Open your link again."),
            )
        change(listener)
        s.add(listener)
        s.flush()
        state = standing_of(s, listener, study, store.now())
        s.commit()
    return state


def standing_of(
    session: Session,
    listener: Listener,
    study: Study,
    now: datetime,
    say: Callable[[str], str] = str,
) -> ListenerState:
    """Where a listener stands, worked out from their rows. `say` puts texts of ours into their
    language."""
    plan = locked_plan(session, study) if study.locked_at is not None else None
    trials = trials_of(session, listener)
    due = next_number(session, listener)
    organiser = session.get(Organiser, study.organiser_id)
    rule = plan.exclusion.headphones if plan else "record"
    codes = tuple(dict.fromkeys(c.procedure for c in plan.served)) if plan else ()
    upcoming = trials[due - 1] if due is not None else None
    practised = upcoming is None or f"practice:{upcoming.procedure}" in listener.steps_done
    if plan is None:
        step = "not_open"
    elif listener.consented_at is None:
        step = "welcome"
    elif upcoming is None:
        step = "thanks" if "questions" in listener.steps_done else "questions"
    elif "playback" not in listener.steps_done:
        step = "playback"
    elif rule == "exclude" and listener.headphone_check == "failed":
        step = "excluded"
    elif "level" not in listener.steps_done:
        step = "level"
    elif listener.checked_at is None:
        step = "check"
    else:
        step = "trial" if practised else "practice"
    if listener.consented_at is not None:
        minutes = minutes_left(session, listener, trials[due - 1 :] if due else [])
    else:
        minutes = minutes_needed(plan) if plan else 0
    return ListenerState(
        step=step,
        title=study.title,
        organiser=(organiser.name or organiser.address) if organiser else "",
        invitation_words=study.invitation_words,
        privacy_words=study.privacy_words,
        by_mail=listener.address is not None,
        answered=len(trials) if due is None else due - 1,
        total=len(trials) or (plan.votes_per_listener if plan else 0),
        minutes=minutes,
        needs_headphones=rule == "exclude",
        playback=listener.playback,
        consented=listener.consented_at is not None,
        check=listener.headphone_check,
        check_kind=plan.exclusion.headphone_check if plan else "",
        check_attempts=attempts(listener),
        procedures=codes,
        practice=upcoming.procedure if upcoming is not None and not practised else None,
        practice_instruction=(
            plan.contrast(upcoming.contrast_key)
            .asked_by.said_by(say)
            .instruction_text(say(PRACTICE_ATTRIBUTE))
            if upcoming and plan
            else ""
        ),
        listened_s=listened(session, listener, now) if step == "trial" else 0,
    )


def trials_of(session: Session, listener: Listener) -> list[Trial]:
    """The listener's trials in their order."""
    return list(
        session.exec(
            select(Trial).where(Trial.listener_id == listener.id).order_by(col(Trial.number))
        )
    )


def attempts(listener: Listener) -> int:
    """How often a listener has taken the headphone check."""
    return len(listener.headphone_detail.get("attempts", []))


def done(listener: Listener, step: str) -> None:
    """Note that a screen is done."""
    if step not in listener.steps_done:
        # A new list: SQLAlchemy does not see a change inside the old one.
        listener.steps_done = [*listener.steps_done, step]
