"""Takes in a vote: committed before it is acknowledged, and kept exactly once."""

import json
import re
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from sqlalchemy import func
from sqlmodel import Session, col, select

from panel.errors import BadInput, Conflict, NotAllowed, NotFound
from panel.marked import N_
from panel.procedures.base import ANSWERS
from panel.stages.listen import reasons
from panel.stages.listeners.links import holder, locked_plan, refuse_unless_open
from panel.store.row_id import row_id
from panel.store.session import Store, write_first
from panel.store.tables import Listener, Study, Trial, Vote

LONGEST_SECONDS = 7 * 24 * 3600
MOST_PLAYS = 100_000
LONGEST_NOTES = 2000
Note: TypeAlias = bool | int | float | list[bool | int | float]
_NOTE_NAME = re.compile(r"[a-z_]{1,40}")


@dataclass(frozen=True)
class Receipt:
    """What the listener is told once a vote is on the disk. `repeated`: it had been before."""

    trial: int
    client_id: str
    sequence: int
    repeated: bool
    answered: int
    total: int


def vote(
    store: Store,
    code: str,
    trial_number: int,
    client_id: str,
    answer: int | str,
    plays: int = 0,
    seconds: int = 0,
    notes: Mapping[str, Note] | None = None,
    *,
    reason: str = "",
    ticked: Sequence[str] = (),
) -> Receipt:
    """Keep the answer to a trial; returns only after it is committed.

    `answer` is one of `procedures.ANSWERS` ("one" …) or its place there; `client_id` a UUID made by
    the client, under which the same vote may be sent any number of times. `reason` and `ticked`:
    why, where the plan asks for it. Raises BadInput for
    a malformed vote, NotFound for a trial that is not this listener's, Conflict for a trial that
    has another vote already or is not the next one, Gone for a revoked link or a closed study.
    """
    client_id = _uuid(client_id)
    answer = _answer(answer)
    plays = _count(plays, "number of plays", MOST_PLAYS)
    seconds = _count(seconds, "number of seconds", LONGEST_SECONDS)
    kept_notes = _notes(notes or {})
    with store.session() as s:
        write_first(s)
        listener, study = holder(s, code, for_update=True)
        trial = s.exec(
            select(Trial).where(Trial.listener_id == listener.id, Trial.number == trial_number)
        ).first()
        known = s.exec(select(Vote).where(Vote.client_id == client_id)).first()
        if known is not None:
            if trial is None or known.trial_id != trial.id or known.answer != answer:
                raise Conflict(N_("This vote's id has been used for another vote already."))
            return _receipt(s, listener, trial, known, repeated=True)
        refuse_unless_open(study)
        _refuse_excluded(s, listener, study)
        if trial is None:
            raise NotFound(N_("There is no such trial behind this link."))
        contrast = locked_plan(s, study).contrast(trial.contrast_key)
        if ANSWERS[answer] not in contrast.asked_by.answers:
            raise BadInput(f"“{ANSWERS[answer]}” is no answer to this trial.")
        words, kept_ticks = reasons.checked(contrast, reason, list(ticked))
        if s.exec(select(Vote).where(Vote.trial_id == trial.id)).first() is not None:
            raise Conflict(
                f"Trial {trial_number} has an answer already, and the first one counts.",
                hint=N_("Go on with the next."),
            )
        due = next_number(s, listener)
        if trial_number != due:
            raise Conflict(f"Trial {due} comes first.", hint=N_("Reload the page to get there."))
        kept = Vote(
            trial_id=row_id(trial),
            client_id=client_id,
            study_id=row_id(study),
            listener_id=row_id(listener),
            sequence=study.next_sequence,
            answer=answer,
            plays=plays,
            seconds=seconds,
            notes=kept_notes,
            received_at=store.now(),
        )
        study.next_sequence += 1
        s.add_all([kept, study])
        s.flush()
        reasons.keep(s, row_id(study), row_id(kept), words, kept_ticks)
        if next_number(s, listener) is None and listener.finished_at is None:
            listener.finished_at = store.now()
            s.add(listener)
        receipt = _receipt(s, listener, trial, kept, repeated=False)
        s.commit()
    return receipt


def next_number(session: Session, listener: Listener) -> int | None:
    """The number of the listener's first trial without a vote; None when all are done."""
    return session.exec(
        select(func.min(Trial.number))
        .outerjoin(Vote, col(Vote.trial_id) == col(Trial.id))
        .where(Trial.listener_id == listener.id, col(Vote.id).is_(None))
    ).one()


def _receipt(
    session: Session, listener: Listener, trial: Trial, kept: Vote, *, repeated: bool
) -> Receipt:
    answered = session.exec(
        select(func.count()).select_from(Vote).where(Vote.listener_id == listener.id)
    ).one()
    total = session.exec(
        select(func.count()).select_from(Trial).where(Trial.listener_id == listener.id)
    ).one()
    return Receipt(trial.number, kept.client_id, kept.sequence, repeated, answered, total)


def _refuse_excluded(session: Session, listener: Listener, study: Study) -> None:
    if listener.headphone_check == "passed":
        return
    needed = locked_plan(session, study).exclude_by_headphones
    if needed and listener.headphone_check == "failed":
        raise NotAllowed(N_("This study needs headphones, so it cannot take this answer."))


def _uuid(text: str) -> str:
    try:
        return str(uuid.UUID(text))
    except (ValueError, AttributeError, TypeError):
        raise BadInput(N_("A vote needs an id of its own (a UUID).")) from None


def _answer(answer: int | str) -> int:
    if isinstance(answer, str) and answer in ANSWERS:
        return ANSWERS.index(answer)
    if isinstance(answer, int) and not isinstance(answer, bool) and 0 <= answer < len(ANSWERS):
        return answer
    raise BadInput(
        N_("That is no answer to any trial."), hint=N_("Choose one of those on the page.")
    )


def _count(value: int, what: str, most: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= most:
        raise BadInput(f"The {what} cannot be {value!r}.")
    return value


def _notes(notes: Mapping[str, Note]) -> dict[str, Note]:
    """Only small counts and flags: what happened to the playback, never free text."""
    kept: dict[str, Note] = {}
    for name, value in notes.items():
        simple = value if isinstance(value, list) else [value]
        if not _NOTE_NAME.fullmatch(str(name)) or any(
            not isinstance(item, bool | int | float) for item in simple
        ):
            raise BadInput(N_("The notes of this vote cannot be read."))
        kept[str(name)] = value
    try:
        size = len(json.dumps(kept, allow_nan=False))
    except ValueError:
        raise BadInput(N_("The notes of this vote hold something that is no number.")) from None
    if size > LONGEST_NOTES:
        raise BadInput(N_("The notes of this vote are too long."))
    return kept
