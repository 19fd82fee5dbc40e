"""One listener's way through the booth: from the link to the thanks."""

import secrets
from collections.abc import Callable
from dataclasses import dataclass

from sqlmodel import select

from panel.design.schedule import draw_keys, listener_trials
from panel.errors import BadInput
from panel.marked import N_
from panel.procedures.catalogue import procedure
from panel.stages.listen.pace import minutes_left
from panel.stages.listen.standing import ListenerState, changed, done, standing_of, trials_of
from panel.stages.listen.votes_in import next_number
from panel.stages.listeners.links import holder, locked_plan, refuse_unless_open
from panel.store.row_id import row_id
from panel.store.session import Store, write_first
from panel.store.tables import Excerpt, Listener, Trial

PLAYBACK = ("headphones", "earphones", "loudspeakers", "unknown")
LONGEST_REMARKS = 2000


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
    names: tuple[str, ...]
    answers: tuple[str, ...]
    answer_texts: tuple[str, ...]
    length_s: float
    minutes_left: int
    first_of_kind: bool
    instructs: bool
    practised: bool
    reasons: bool
    words: tuple[str, ...]


def enter(store: Store, code: str, *, say: Callable[[str], str] = str) -> ListenerState:
    """Open the booth by a personal link; the first time is recorded. `say` puts texts of ours into
    the listener's language.

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
        state = standing_of(s, listener, study, store.now(), say)
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
            dealt = listener_trials(plan, listener.ordinal)
            keys = draw_keys(plan, dealt, randbelow)
            for number, (planned, keyed) in enumerate(zip(dealt, keys, strict=True), start=1):
                s.add(
                    Trial(
                        study_id=row_id(study),
                        listener_id=row_id(listener),
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
        state = standing_of(s, listener, study, store.now())
        s.commit()
    return state


def declare_playback(
    store: Store, code: str, playback: str, sample_rate: int | None = None
) -> ListenerState:
    """Record what the listener says they listen on, and the rate their browser plays at."""
    if playback not in PLAYBACK:
        raise BadInput(
            N_("Please say what you are listening on."), hint=N_("Choose one of the three.")
        )
    if sample_rate is not None and not 1_000 <= sample_rate <= 1_000_000:
        sample_rate = None  # a browser that reports nonsense is as good as one that is silent

    def change(listener: Listener) -> None:
        listener.playback = playback
        listener.sample_rate = sample_rate if sample_rate is not None else listener.sample_rate
        done(listener, "playback")

    return changed(store, code, change)


def mark_done(store: Store, code: str, step: str) -> ListenerState:
    """Record that a screen ("level", "practice:abx") is done."""
    return changed(store, code, lambda listener: done(listener, step))


def mark_practised(store: Store, code: str, procedure_code: str) -> ListenerState:
    """Record that a procedure has been practised. Raises BadInput for an unknown one."""
    return mark_done(store, code, f"practice:{procedure(procedure_code).code}")


def finish(store: Store, code: str, remarks: str = "") -> ListenerState:
    """Keep the listener's remarks and thank them; may be called again."""
    if len(remarks) > LONGEST_REMARKS:
        raise BadInput(
            f"The remarks are longer than {LONGEST_REMARKS} characters.", hint=N_("Please shorten.")
        )

    def change(listener: Listener) -> None:
        if remarks.strip():
            listener.remarks = remarks.strip()
        done(listener, "questions")

    return changed(store, code, change)


def next_trial(
    store: Store, code: str, *, number: int | None = None, say: Callable[[str], str] = str
) -> TrialView | None:
    """The listener's first trial without a vote; None past the last.

    With `number` only that trial, if it is the one due or the one after it: a booth may fetch
    ahead, and says which it means, as the vote before may still be on its way. `say` puts texts of
    ours into the listener's language.

    Raises Gone for a revoked link or a closed study.
    """
    with store.session() as s:
        listener, study = holder(s, code)
        refuse_unless_open(study)
        due = next_number(s, listener)
        if due is None:
            return None
        trials = trials_of(s, listener)
        wanted = due if number is None else number
        if wanted not in (due, due + 1) or wanted > len(trials):
            return None
        trial = trials[wanted - 1]
        plan = locked_plan(s, study)
        contrast = plan.contrast(trial.contrast_key)
        attribute = contrast.attribute
        first_of_kind = trial.number == 1 or trials[trial.number - 2].block != trial.block
        kind = contrast.asked_by.said_by(say)
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
            names=kind.names[: kind.samples],
            answers=kind.answers,
            answer_texts=kind.answer_texts,
            length_s=excerpt.end_s - excerpt.start_s,
            minutes_left=minutes_left(s, listener, trials[wanted - 1 :]),
            first_of_kind=first_of_kind,
            instructs=kind.instructs(first_of_kind=first_of_kind),
            practised=f"practice:{trial.procedure}" in listener.steps_done,
            reasons=contrast.reasons,
            words=contrast.attributes,
        )
