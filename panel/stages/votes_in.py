"""Takes in a vote: committed before it is acknowledged, and kept exactly once."""

import json
import re
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func
from sqlmodel import Session, col, select

from panel.design.procedures import POSITIONS, procedure
from panel.errors import BadInput, Conflict, NotAllowed, NotFound
from panel.stages.links import holder, locked_plan, refuse_unless_open
from panel.store.session import Store, write_first
from panel.store.tables import Listener, Study, Trial, Vote

LONGEST_SECONDS = 7 * 24 * 3600
MOST_PLAYS = 100_000
LONGEST_NOTES = 2000
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
    notes: Mapping[str, Any] | None = None,
) -> Receipt:
    """Keep the answer to a trial; returns only after it is committed.

    `answer` is a position in words ("one" …) or its 0-based number; `client_id` a UUID made by
    the client, under which the same vote may be sent any number of times. Raises BadInput for
    a malformed vote, NotFound for a trial that is not this listener's, Conflict for a trial that
    has another vote already or is not the next one, Gone for a revoked link or a closed study.
    """
    client_id = _uuid(client_id)
    answer = _position(answer)
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
                raise Conflict("This vote's id has been used for another vote already.")
            return _receipt(s, listener, trial, known, repeated=True)
        refuse_unless_open(study)
        _refuse_excluded(s, listener, study)
        if trial is None:
            raise NotFound("There is no such trial behind this link.")
        allowed = len(procedure(trial.procedure).answers)
        if answer >= allowed:
            raise BadInput(f"Sample {POSITIONS[answer]} is no answer to this trial.")
        if s.exec(select(Vote).where(Vote.trial_id == trial.id)).first() is not None:
            raise Conflict(
                f"Trial {trial_number} has an answer already, and the first one counts.",
                hint="Go on with the next.",
            )
        due = next_number(s, listener)
        if trial_number != due:
            raise Conflict(f"Trial {due} comes first.", hint="Reload the page to get there.")
        kept = Vote(
            trial_id=_id(trial.id),
            client_id=client_id,
            study_id=_id(study.id),
            listener_id=_id(listener.id),
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
    rule = locked_plan(session, study)["exclusion"]["headphones"]
    if rule == "exclude" and listener.headphone_check == "failed":
        raise NotAllowed("This study needs headphones, so it cannot take this answer.")


def _uuid(text: str) -> str:
    try:
        return str(uuid.UUID(text))
    except (ValueError, AttributeError, TypeError):
        raise BadInput("A vote needs an id of its own (a UUID).") from None


def _position(answer: int | str) -> int:
    if isinstance(answer, str) and answer in POSITIONS:
        return POSITIONS.index(answer)
    if isinstance(answer, int) and not isinstance(answer, bool) and 0 <= answer < len(POSITIONS):
        return answer
    raise BadInput("The answer is not one of the samples.", hint="Choose one, two or three.")


def _count(value: int, what: str, most: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= most:
        raise BadInput(f"The {what} cannot be {value!r}.")
    return value


def _notes(notes: Mapping[str, Any]) -> dict[str, Any]:
    """Only small counts and flags: what happened to the playback, never free text."""
    kept: dict[str, Any] = {}
    for name, value in notes.items():
        simple = value if isinstance(value, list) else [value]
        if not _NOTE_NAME.fullmatch(str(name)) or any(
            not isinstance(item, bool | int | float) for item in simple
        ):
            raise BadInput("The notes of this vote cannot be read.")
        kept[str(name)] = value
    try:
        size = len(json.dumps(kept, allow_nan=False))
    except ValueError:
        raise BadInput("The notes of this vote hold something that is no number.") from None
    if size > LONGEST_NOTES:
        raise BadInput("The notes of this vote are too long.")
    return kept


def _id(value: int | None) -> int:
    if value is None:
        raise RuntimeError("the row has not been stored yet")
    return value
