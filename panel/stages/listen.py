"""One listener's way through the booth: from the link to the thanks.

Where a listener stands is worked out from what is stored, never from the browser, so that the
same link goes on at the right place after a reload and on another device.
"""

import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlmodel import Session, col, select

from panel.design.procedures import procedure
from panel.design.schedule import draw_key, listener_trials, trials_per_listener
from panel.errors import BadInput, Conflict
from panel.stages.joining import belongs, join, open_study_title
from panel.stages.letters import minutes_needed
from panel.stages.links import holder, locked_plan, refuse_unless_open
from panel.stages.pace import minutes_left
from panel.stages.votes_in import Receipt, next_number, vote
from panel.store.session import Store, write_first
from panel.store.tables import Excerpt, Listener, Organiser, Study, Trial

__all__ = [
    "ListenerState", "Receipt", "TrialView", "belongs", "conclude_check", "consent",
    "declare_playback", "enter", "finish", "join", "mark_done", "mark_practised", "next_trial",
    "open_study_title", "record_check", "skip_check", "vote",
]  # fmt: skip

PLAYBACK = ("headphones", "earphones", "loudspeakers", "unknown")
CHECK_RESULTS = ("passed", "failed", "not taken")
LONGEST_REMARKS = 2000
CHECKS_ALLOWED = 2
PRACTICE_ATTRIBUTE = "brightness"  # what the practice pair differs in, see audio/rehearsal.py


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
    check: str
    check_attempts: int
    procedures: tuple[str, ...]
    practice: str | None
    practice_instruction: str


@dataclass(frozen=True)
class TrialView:
    """A trial as its listener may see it: what is asked, and nothing of what is played."""

    number: int
    total: int
    procedure: str
    samples: int
    attribute: str | None
    instruction: str
    question: str
    answers: tuple[str, ...]
    answer_texts: tuple[str, ...]
    length_s: float
    minutes_left: int
    first_of_kind: bool
    practised: bool


def enter(store: Store, code: str) -> ListenerState:
    """Open the booth by a personal link; the first time is recorded.

    Raises NotFound for an unknown link, Gone for a revoked one or a closed study.
    """
    with store.session() as s:
        write_first(s)
        listener, study = holder(s, code)
        if study.closed_at is not None:
            refuse_unless_open(study)
        if listener.opened_at is None:
            listener.opened_at = store.now()
            s.add(listener)
        state = _state(s, listener, study)
        s.commit()
    return state


def consent(
    store: Store, code: str, *, randbelow: Callable[[int], int] = secrets.randbelow
) -> ListenerState:
    """Record the consent, give the listener the next place in the schedule, and draw the trials.

    Keys come from the system's cryptographic generator (`randbelow` lets a test script them).
    A second consent changes nothing. Raises Conflict before the plan is locked, Gone after the
    study is closed.
    """
    with store.session() as s:
        write_first(s)
        listener, study = holder(s, code, for_update=True)
        refuse_unless_open(study)
        if listener.consented_at is None:
            plan = locked_plan(s, study)
            listener.consented_at = store.now()
            listener.opened_at = listener.opened_at or store.now()
            listener.ordinal = study.next_ordinal
            study.next_ordinal += 1
            s.add_all([listener, study])
            for number, planned in enumerate(listener_trials(plan, listener.ordinal), start=1):
                keyed = draw_key(planned.procedure, (planned.take_a, planned.take_b), randbelow)
                s.add(
                    Trial(
                        study_id=_id(study.id),
                        listener_id=_id(listener.id),
                        number=number,
                        block=planned.block,
                        contrast_key=planned.contrast,
                        procedure=planned.procedure,
                        excerpt_key=planned.excerpt,
                        slots=list(keyed.slots),
                        right=keyed.right,
                    )
                )
            s.flush()
        state = _state(s, listener, study)
        s.commit()
    return state


def declare_playback(
    store: Store, code: str, playback: str, sample_rate: int | None = None
) -> ListenerState:
    """Record what the listener says they listen on, and the rate their browser plays at."""
    if playback not in PLAYBACK:
        raise BadInput("Please say what you are listening on.", hint="Choose one of the three.")
    if sample_rate is not None and not 1_000 <= sample_rate <= 1_000_000:
        sample_rate = None  # a browser that reports nonsense is as good as one that is silent

    def change(listener: Listener) -> None:
        listener.playback = playback
        listener.sample_rate = sample_rate if sample_rate is not None else listener.sample_rate
        _done(listener, "playback")

    return _changed(store, code, change)


def record_check(
    store: Store,
    code: str,
    result: str,
    detail: Mapping[str, Any] | None = None,
) -> ListenerState:
    """Record the headphone check: "passed", "failed" or "not taken", with its detail.

    A later result replaces the earlier one; all stay in the detail.
    """
    if result not in CHECK_RESULTS:
        raise BadInput(f"A headphone check cannot be {result!r}.")

    def change(listener: Listener) -> None:
        attempts = list(listener.headphone_detail.get("attempts", []))
        attempts.append({"result": result, **(detail or {})})
        listener.headphone_detail = {"attempts": attempts}
        listener.headphone_check = result
        listener.checked_at = listener.checked_at or store.now()

    return _changed(store, code, change)


def conclude_check(store: Store, code: str, *, passed: bool, right: int, of: int) -> str:
    """Record a headphone check taken in the booth: "passed", "again" or "failed".

    A first failure may be repeated once ("again": put headphones on), and counts as failed only
    after that; guessing passes the better of two with a probability of 3.5 %.
    """
    with store.session() as s:
        earlier = _attempts(holder(s, code)[0])
    detail = {"right": right, "of": of}
    if passed or earlier + 1 >= CHECKS_ALLOWED:
        record_check(store, code, "passed" if passed else "failed", detail)
        return "passed" if passed else "failed"

    def change(listener: Listener) -> None:
        attempts = [*listener.headphone_detail.get("attempts", []), {"result": "failed", **detail}]
        listener.headphone_detail = {"attempts": attempts}

    _changed(store, code, change)
    return "again"


def skip_check(store: Store, code: str) -> ListenerState:
    """Go on without the headphone check, where the plan only records it.

    After a failed first attempt that attempt stands. Raises Conflict when the plan needs it.
    """
    with store.session() as s:
        listener, study = holder(s, code)
        if locked_plan(s, study)["exclusion"]["headphones"] == "exclude":
            raise Conflict("This study needs the headphone check.", hint="Go back and take it.")
        failed = _attempts(listener) > 0

    def change(listener: Listener) -> None:
        listener.headphone_check = "failed" if failed else "not taken"
        listener.checked_at = listener.checked_at or store.now()

    return _changed(store, code, change)


def mark_done(store: Store, code: str, step: str) -> ListenerState:
    """Record that a screen ("level", "practice:abx") is done."""
    return _changed(store, code, lambda listener: _done(listener, step))


def mark_practised(store: Store, code: str, procedure_code: str) -> ListenerState:
    """Record that a procedure has been practised. Raises BadInput for an unknown one."""
    return mark_done(store, code, f"practice:{procedure(procedure_code).code}")


def finish(store: Store, code: str, remarks: str = "") -> ListenerState:
    """Keep the listener's remarks and thank them; may be called again."""
    if len(remarks) > LONGEST_REMARKS:
        raise BadInput(
            f"The remarks are longer than {LONGEST_REMARKS} characters.", hint="Please shorten."
        )

    def change(listener: Listener) -> None:
        if remarks.strip():
            listener.remarks = remarks.strip()
        _done(listener, "questions")

    return _changed(store, code, change)


def next_trial(store: Store, code: str, *, number: int | None = None) -> TrialView | None:
    """The listener's first trial without a vote; None past the last.

    With `number` only that trial, if it is the one due or the one after it: a booth may fetch
    ahead, and says which it means, as the vote before may still be on its way.

    Raises Gone for a revoked link or a closed study.
    """
    with store.session() as s:
        listener, study = holder(s, code)
        refuse_unless_open(study)
        due = next_number(s, listener)
        if due is None:
            return None
        trials = _trials(s, listener)
        wanted = due if number is None else number
        if wanted not in (due, due + 1) or wanted > len(trials):
            return None
        trial = trials[wanted - 1]
        plan = locked_plan(s, study)
        attribute = next(
            (c.get("attribute") for c in plan["contrasts"] if c["id"] == trial.contrast_key), None
        )
        kind = procedure(trial.procedure)
        excerpt = s.exec(
            select(Excerpt).where(Excerpt.study_id == study.id, Excerpt.key == trial.excerpt_key)
        ).one()
        return TrialView(
            number=trial.number,
            total=len(trials),
            procedure=kind.code,
            samples=kind.samples,
            attribute=attribute,
            instruction=kind.instruction_text(attribute),
            question=kind.question_text(attribute),
            answers=kind.answers,
            answer_texts=kind.answer_texts,
            length_s=excerpt.end_s - excerpt.start_s,
            minutes_left=minutes_left(s, listener, trials[wanted - 1 :]),
            first_of_kind=trial.number == 1 or trials[trial.number - 2].block != trial.block,
            practised=f"practice:{trial.procedure}" in listener.steps_done,
        )


def _changed(store: Store, code: str, change: Callable[[Listener], None]) -> ListenerState:
    with store.session() as s:
        write_first(s)
        listener, study = holder(s, code)
        refuse_unless_open(study)
        if listener.consented_at is None:
            raise Conflict(
                "Please read the first page and agree to it before going on.",
                hint="Open your link again.",
            )
        change(listener)
        s.add(listener)
        s.flush()
        state = _state(s, listener, study)
        s.commit()
    return state


def _state(session: Session, listener: Listener, study: Study) -> ListenerState:
    plan = locked_plan(session, study) if study.locked_at is not None else None
    trials = _trials(session, listener)
    due = next_number(session, listener)
    organiser = session.get(Organiser, study.organiser_id)
    rule = plan["exclusion"]["headphones"] if plan else "record"
    codes = _procedures(plan) if plan else ()
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
        total=len(trials) or (trials_per_listener(plan) if plan else 0),
        minutes=minutes,
        needs_headphones=rule == "exclude",
        playback=listener.playback,
        check=listener.headphone_check,
        check_attempts=_attempts(listener),
        procedures=codes,
        practice=upcoming.procedure if upcoming is not None and not practised else None,
        practice_instruction=(
            procedure(upcoming.procedure).instruction_text(PRACTICE_ATTRIBUTE) if upcoming else ""
        ),
    )


def _trials(session: Session, listener: Listener) -> list[Trial]:
    return list(
        session.exec(
            select(Trial).where(Trial.listener_id == listener.id).order_by(col(Trial.number))
        )
    )


def _procedures(plan: Mapping[str, Any]) -> tuple[str, ...]:
    served = [contrast for contrast in plan["contrasts"] if not contrast.get("of")]
    return tuple(dict.fromkeys(contrast["procedure"] for contrast in served))


def _attempts(listener: Listener) -> int:
    return len(listener.headphone_detail.get("attempts", []))


def _done(listener: Listener, step: str) -> None:
    if step not in listener.steps_done:
        # A new list: SQLAlchemy does not see a change inside the old one.
        listener.steps_done = [*listener.steps_done, step]


def _id(value: int | None) -> int:
    if value is None:
        raise RuntimeError("the row has not been stored yet")
    return value
