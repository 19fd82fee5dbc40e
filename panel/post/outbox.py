"""The outbox: which mails wait, which are taken by a worker, which went out or came back.

A mail is *held* while no mail server is set (`next_attempt_at` is empty), *due* from
`next_attempt_at` on, *sent*, or *failed for good*. A worker claims a mail by moving its
`next_attempt_at` ahead in one conditional UPDATE, so two workers never send the same one; a
claim outlives any attempt by far, and lapses if its worker dies.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from sqlalchemy import update
from sqlalchemy.orm import defer
from sqlmodel import Session, col, select

from panel.errors import Conflict, NotFound
from panel.post.messages import Kind, Letter
from panel.store.row_id import row_id
from panel.store.session import Store, write_first
from panel.store.tables import Listener, Message, Organiser, Study

State = Literal["held", "waiting", "sent", "failed"]

CLAIM = timedelta(minutes=10)
PAUSES = tuple(timedelta(minutes=m) for m in (1, 5, 15, 60, 180, 360, 720, 1440))


@dataclass(frozen=True)
class Due:
    """A claimed mail, ready to go out."""

    id: int
    to: str
    reply_to: str
    message_id: str
    letter: Letter


@dataclass(frozen=True)
class MessageView:
    """A mail as the desk lists it."""

    id: int
    listener_id: int | None
    kind: str
    address: str
    subject: str
    state: State
    error: str
    created_at: datetime
    sent_at: datetime | None
    next_attempt_at: datetime | None


def write(
    session: Session,
    store: Store,
    *,
    study_id: int,
    listener: Listener,
    kind: Kind,
    letter: Letter,
    hold: bool,
) -> None:
    """Put a mail into the outbox, within the caller's transaction."""
    assert listener.address is not None, "only invited listeners get mail"
    now = store.now()
    session.add(
        Message(
            study_id=study_id,
            listener_id=listener.id,
            kind=kind,
            address=listener.address,
            subject=letter.subject,
            sealed=store.sealer.seal(letter.to_json()),
            created_at=now,
            next_attempt_at=None if hold else now,
        )
    )


def withdraw(session: Session, listener_id: int, reason: str) -> None:
    """What has not gone out to this listener stays here for good."""
    session.exec(
        update(Message)
        .where(col(Message.listener_id) == listener_id, col(Message.sent_at).is_(None))
        .where(col(Message.failed_for_good).is_(False))
        .values(failed_for_good=True, error=reason)
    )


def due(store: Store, most: int = 50) -> list[int]:
    """Ids of mails whose time has come, oldest first."""
    with store.session() as s:
        found = s.exec(
            select(Message.id)
            .where(col(Message.sent_at).is_(None), col(Message.failed_for_good).is_(False))
            .where(col(Message.next_attempt_at) <= store.now())
            .order_by(col(Message.next_attempt_at), col(Message.id))
            .limit(most)
        )
        return [message_id for message_id in found if message_id is not None]


def claim(store: Store, message_id: int) -> Due | None:
    """Take a due mail for this worker; None if another has it or it is no longer wanted."""
    now = store.now()
    with store.session() as s:
        taken = s.exec(
            update(Message)
            .where(col(Message.id) == message_id, col(Message.sent_at).is_(None))
            .where(col(Message.failed_for_good).is_(False), col(Message.next_attempt_at) <= now)
            .values(next_attempt_at=now + CLAIM, attempts=col(Message.attempts) + 1, error="")
        )
        if taken.rowcount != 1:
            s.rollback()
            return None
        message = s.get_one(Message, message_id)
        study = s.get_one(Study, message.study_id)
        listener = s.get(Listener, message.listener_id) if message.listener_id else None
        unwanted = _unwanted(message, study, listener)
        if unwanted:
            message.failed_for_good, message.error = True, unwanted
            s.add(message)
            s.commit()
            return None
        reply_to = s.get_one(Organiser, study.organiser_id).address
        claimed = Due(
            id=row_id(message),
            to=message.address,
            reply_to=reply_to,
            message_id=_message_id(store, message_id, reply_to),
            letter=Letter.from_json(store.sealer.open(message.sealed)),
        )
        s.commit()
        return claimed


def mark_sent(store: Store, message_id: int) -> None:
    with store.session() as s:
        message = s.get_one(Message, message_id)
        message.sent_at, message.error = store.now(), ""
        if message.listener_id and message.kind == "invite":
            listener = s.get_one(Listener, message.listener_id)
            listener.invited_at = message.sent_at
            s.add(listener)
        s.add(message)
        s.commit()


def mark_failed(store: Store, message_id: int, reason: str, *, for_good: bool) -> None:
    """The attempt failed; unless `for_good`, the next one comes after a longer pause each time."""
    with store.session() as s:
        message = s.get_one(Message, message_id)
        message.error = reason
        message.failed_for_good = for_good or message.attempts > len(PAUSES)
        if not message.failed_for_good:
            message.next_attempt_at = store.now() + PAUSES[message.attempts - 1]
        s.add(message)
        s.commit()


def send_held(store: Store, study_id: int) -> int:
    """Make every held mail of the study due; returns how many."""
    with store.session() as s:
        made_due = s.exec(
            update(Message)
            .where(col(Message.study_id) == study_id, col(Message.sent_at).is_(None))
            .where(col(Message.failed_for_good).is_(False), col(Message.next_attempt_at).is_(None))
            .values(next_attempt_at=store.now())
        )
        s.commit()
        return int(made_due.rowcount)


def try_again(store: Store, study_id: int, message_id: int) -> None:
    """Make a mail due now. Raises Conflict if it went out already or its link is dead."""
    with store.session() as s:
        write_first(s)
        message = _own(s, study_id, message_id)
        study = s.get_one(Study, study_id)
        listener = s.get(Listener, message.listener_id) if message.listener_id else None
        if message.sent_at is not None:
            raise Conflict("This mail went out already.", hint="Send a reminder instead.")
        unwanted = _unwanted(message, study, listener)
        if unwanted:
            raise Conflict(unwanted)
        under_way = message.next_attempt_at is not None and not message.failed_for_good
        if under_way and message.error == "":  # a worker may have it in hand at this moment
            raise Conflict("This mail is about to go out.", hint="Look again in a minute.")
        message.failed_for_good, message.attempts = False, 0
        message.next_attempt_at, message.error = store.now(), ""
        s.add(message)
        s.commit()


def listed(store: Store, study_id: int) -> list[MessageView]:
    """All mails of the study, newest first."""
    with store.session() as s:
        rows = s.exec(
            select(Message)
            .where(col(Message.study_id) == study_id)
            .order_by(col(Message.id).desc())
            .options(defer(Message.sealed))  # type: ignore[arg-type]
        )
        return [_view(row) for row in rows]


def opened(store: Store, study_id: int, message_id: int) -> tuple[MessageView, Letter, bool]:
    """One mail with what it says, and whether its link still works.

    Raises NotFound for a mail of another study.
    """
    with store.session() as s:
        message = _own(s, study_id, message_id)
        listener = s.get(Listener, message.listener_id) if message.listener_id else None
        written = Letter.from_json(store.sealer.open(message.sealed))
        alive = (
            listener is not None
            and listener.revoked_at is None
            and listener.link_sealed is not None
            and written.link.endswith("/" + store.sealer.open(listener.link_sealed))
        )
        return _view(message), written, alive


def _own(session: Session, study_id: int, message_id: int) -> Message:
    message = session.get(Message, message_id)
    if message is None or message.study_id != study_id:
        raise NotFound("There is no such mail in this study.")
    return message


def _unwanted(message: Message, study: Study, listener: Listener | None) -> str:
    """Why this mail must not go out any more; empty if it may."""
    if study.closed_at is not None:
        return "Voting had ended before this mail went out."
    if listener is None:
        return ""
    if listener.declined_at is not None:
        return "The listener declined before this mail went out."
    if listener.revoked_at is not None:
        return "The link was revoked before this mail went out."
    if message.kind == "reminder" and listener.finished_at is not None:
        return "The listener had finished before this reminder went out."
    return ""


def state_of(message: Message) -> State:
    """Where a mail is on its way."""
    if message.sent_at is not None:
        return "sent"
    if message.failed_for_good:
        return "failed"
    return "held" if message.next_attempt_at is None else "waiting"


def _view(message: Message) -> MessageView:
    return MessageView(
        id=row_id(message),
        listener_id=message.listener_id,
        kind=message.kind,
        address=message.address,
        subject=message.subject,
        state=state_of(message),
        error=message.error,
        created_at=message.created_at,
        sent_at=message.sent_at,
        next_attempt_at=message.next_attempt_at,
    )


def _message_id(store: Store, message_id: int, organiser: str) -> str:
    """Derived, not drawn: every attempt at one mail carries the same Message-ID."""
    token = store.sealer.derive(f"message-id:{message_id}")[:32]
    return f"<{token}@{organiser.rpartition('@')[2]}>"
