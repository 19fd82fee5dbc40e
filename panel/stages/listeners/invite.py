"""Invites listeners: a personal link by mail each, or one open link for an audience."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Literal

from sqlalchemy.orm import defer
from sqlmodel import Session, col, select

from panel.errors import BadInput, Conflict, NotFound
from panel.post import outbox as post
from panel.post.addresses import read_pasted
from panel.post.messages import sender
from panel.post.outbox import MessageView
from panel.settings import Settings
from panel.stages.listeners import letters, withdrawn
from panel.stages.listeners.codes import fresh_code
from panel.store.row_id import row_id
from panel.store.sealing import code_hash, new_code
from panel.store.session import Store, write_first
from panel.store.tables import Listener, Message, Study

BETWEEN_MAILS = timedelta(days=2)
MOST_REMINDERS = 2


@dataclass(frozen=True)
class Added:
    listener_id: int
    address: str


@dataclass(frozen=True)
class Invited:
    """What became of a pasted list. `refused` holds (what was pasted, why)."""

    added: tuple[Added, ...]
    duplicates: tuple[str, ...]
    refused: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Reminded:
    """To whom a reminder was written; `passed_over` counts those who get none now."""

    reminded: tuple[str, ...]
    passed_over: int


State = Literal["invited", "opened", "listening", "finished", "revoked", "declined"]


@dataclass(frozen=True)
class ListenerView:
    """An invited person at the desk. The code under which the results know them is not here:
    nothing at the desk joins a person to their votes. `no_reminder` says why none can go out."""

    id: int
    address: str
    state: State
    no_reminder: str
    mail_id: int | None
    mail_state: str


@dataclass(frozen=True)
class Audience:
    """Everybody with a link. `joined` counts those of the open link, who have no address;
    `withdrew` those who took their consent back, whose addresses are known no more;
    `open_link_lost`: there is one, but it was sealed with another secret and cannot be shown."""

    listeners: tuple[ListenerView, ...]
    joined: int
    joined_finished: int
    withdrew: int
    open_link: str | None
    open_link_lost: bool


def invite(store: Store, settings: Settings, study_id: int, pasted: str) -> Invited:
    """Give each pasted address a listener, a link and a mail in the outbox, all or none.

    An address whose link was revoked gets a new link; one that declined is left alone. Raises
    Conflict before the plan is locked or after voting has ended, BadInput for an empty paste.
    """
    found = read_pasted(pasted)
    with store.session() as s:
        write_first(s)
        study = letters.open_study(s, study_id)
        facts = letters.facts_of(s, study)
        known = {
            row.address.casefold(): row
            for row in s.exec(select(Listener).where(Listener.study_id == study_id))
            if row.address is not None
        }
        codes = set(s.exec(select(Listener.code).where(Listener.study_id == study_id)))
        added: list[Listener] = []
        duplicates = list(found.repeated)
        refused = list(found.refused)
        for address in found.good:
            listener = known.get(address.casefold())
            if listener is not None and listener.declined_at is not None:
                refused.append((address, "This person has declined; no further mail is sent."))
                continue
            if listener is not None and listener.revoked_at is None:
                duplicates.append(address)
                continue
            code = new_code()
            if listener is None:
                listener = Listener(
                    study_id=study_id,
                    code=fresh_code(codes),
                    address=address,
                    link_hash=code_hash(code),
                    created_at=store.now(),
                )
                codes.add(listener.code)
            listener.link_hash = code_hash(code)
            listener.link_sealed = store.sealer.seal(code)
            listener.revoked_at = None
            s.add(listener)
            s.flush()
            letters.write(s, store, settings, study, listener, "invite", facts)
            added.append(listener)
        s.commit()
        return Invited(
            added=tuple(Added(row_id(row), row.address or "") for row in added),
            duplicates=tuple(duplicates),
            refused=tuple(refused),
        )


def personal_link(store: Store, settings: Settings, listener_id: int) -> str:
    """The listener's own link. Raises NotFound if there is none."""
    with store.session() as s:
        listener = s.get(Listener, listener_id)
        if listener is None or listener.link_sealed is None:
            raise NotFound("There is no such listener.")
        return letters.listen_link(settings, store.sealer.open(listener.link_sealed))


def revoke(store: Store, study_id: int, listener_id: int) -> None:
    """Make the listener's link dead at once; votes already given stay. Harmless when repeated."""
    with store.session() as s:
        write_first(s)
        listener = _listener(s, study_id, listener_id)
        if listener.revoked_at is None:
            listener.revoked_at = store.now()
            s.add(listener)
            post.withdraw(s, listener_id, "The link was revoked before this mail went out.")
            s.commit()


def decline(store: Store, code: str) -> None:
    """The listener says no for good: the link dies and no further mail goes out.

    Raises NotFound for an unknown link. Harmless when repeated.
    """
    with store.session() as s:
        write_first(s)
        listener = _by_link(s, code)
        if listener.declined_at is None:
            listener.declined_at = store.now()
            listener.revoked_at = listener.revoked_at or listener.declined_at
            s.add(listener)
            post.withdraw(s, row_id(listener), "The listener declined before this mail went out.")
            s.commit()


def may_decline(store: Store, code: str) -> bool:
    """Whether this link has not declined yet. Raises NotFound for an unknown link."""
    with store.session() as s:
        return _by_link(s, code).declined_at is None


def remind(
    store: Store, settings: Settings, study_id: int, listener_id: int | None = None
) -> Reminded:
    """Write a reminder to one listener, or to everybody who may get one.

    Nobody gets a mail within two days of the last one, nor more than two reminders, nor any
    after finishing. Raises Conflict with the reason if the one listener may not get one.
    """
    with store.session() as s:
        write_first(s)
        study = letters.open_study(s, study_id)
        facts = letters.facts_of(s, study)
        if listener_id is not None:
            rows = [_listener(s, study_id, listener_id)]
        else:
            rows = list(
                s.exec(
                    select(Listener)
                    .where(Listener.study_id == study_id, col(Listener.address).is_not(None))
                    .order_by(col(Listener.id))
                )
            )
        mails = _mails(s, study_id)
        reminded = []
        for row in rows:
            reason = _no_reminder(store, row, mails.get(row_id(row), []))
            if reason and listener_id is not None:
                raise Conflict(reason)
            if not reason:
                letters.write(s, store, settings, study, row, "reminder", facts)
                reminded.append(row.address or "")
        s.commit()
        return Reminded(tuple(reminded), len(rows) - len(reminded))


def open_link(store: Store, settings: Settings, study_id: int) -> str:
    """The study's open link, made if there is none: each browser that follows it gets a code of
    its own. Raises Conflict before the plan is locked or after voting has ended."""
    with store.session() as s:
        write_first(s)
        study = letters.open_study(s, study_id)
        if study.open_link_sealed is not None:
            return _join_link(settings, store.sealer.open(study.open_link_sealed))
        code = new_code()
        study.open_link_hash = code_hash(code)
        study.open_link_sealed = store.sealer.seal(code)
        s.add(study)
        s.commit()
        return _join_link(settings, code)


def close_open_link(store: Store, study_id: int) -> None:
    """Nobody joins by the open link any more; whoever joined goes on. Harmless when repeated."""
    with store.session() as s:
        write_first(s)
        study = s.get_one(Study, study_id)
        study.open_link_hash = study.open_link_sealed = None
        s.add(study)
        s.commit()


def audience(store: Store, settings: Settings, study_id: int) -> Audience:
    """Everybody with a link, by address, and the open link if there is one."""
    with store.session() as s:
        study = s.get_one(Study, study_id)
        rows = list(s.exec(select(Listener).where(Listener.study_id == study_id)))
        mails = _mails(s, study_id)
        invited = [row for row in rows if row.address is not None]
        joined = [row for row in rows if row.address is None and not row.withdrew]
        views = [_view(store, row, mails.get(row_id(row), [])) for row in invited]
        link, lost = None, False
        if study.open_link_sealed is not None:
            try:
                link = _join_link(settings, store.sealer.open(study.open_link_sealed))
            except Conflict:
                lost = True
        return Audience(
            listeners=tuple(sorted(views, key=lambda view: view.address.casefold())),
            joined=len(joined),
            joined_finished=sum(row.finished_at is not None for row in joined),
            withdrew=withdrawn.count(s, study_id),
            open_link=link,
            open_link_lost=lost,
        )


def listener(store: Store, study_id: int, listener_id: int) -> ListenerView:
    """One invited listener. Raises NotFound for one of another study."""
    with store.session() as s:
        row = _listener(s, study_id, listener_id)
        return _view(store, row, _mails(s, study_id).get(row_id(row), []))


def send_held(store: Store, settings: Settings, study_id: int) -> int:
    """Send what was written while no mail server was set; returns how many mails.

    Raises Conflict if there is none now either.
    """
    if not settings.smtp_host:
        raise Conflict(
            "No mail server is set, so mails stay in the outbox.",
            hint="Set FAIRHEARING_SMTP_HOST and start again, or send each mail by hand.",
        )
    return post.send_held(store, study_id)


def sender_problem(settings: Settings) -> str:
    """What keeps a mail server that is set from sending; empty if nothing does."""
    if not settings.smtp_host:
        return ""
    try:
        sender(settings)
    except BadInput as error:
        return str(error)
    return ""


def outbox(store: Store, study_id: int) -> list[MessageView]:
    """All mails of the study, newest first."""
    return post.listed(store, study_id)


def _mails(session: Session, study_id: int) -> dict[int, list[Message]]:
    mails: dict[int, list[Message]] = {}
    # Without the bodies: they are long, and nothing here reads them.
    query = select(Message).where(Message.study_id == study_id)
    without = query.options(defer(Message.sealed))  # type: ignore[arg-type]
    for row in session.exec(without):
        if row.listener_id is not None:
            mails.setdefault(row.listener_id, []).append(row)
    return mails


def _view(store: Store, listener: Listener, mails: Sequence[Message]) -> ListenerView:
    last = max(mails, key=lambda mail: mail.id or 0, default=None)
    return ListenerView(
        id=row_id(listener),
        address=listener.address or "",
        state=_state(listener),
        no_reminder=_no_reminder(store, listener, mails),
        mail_id=last.id if last else None,
        mail_state=post.state_of(last) if last else "",
    )


def _no_reminder(store: Store, listener: Listener, mails: Sequence[Message]) -> str:
    """Why this listener gets no reminder now; empty if one may go out."""
    if listener.declined_at is not None:
        return "This person has declined."
    if listener.revoked_at is not None:
        return "This link was revoked."
    if listener.finished_at is not None:
        return "This listener has finished."
    if sum(mail.kind == "reminder" and not mail.failed_for_good for mail in mails) >= (
        MOST_REMINDERS
    ):
        return f"This listener has had {MOST_REMINDERS} reminders; more would be nagging."
    if mails and max(mail.sent_at or mail.created_at for mail in mails) > (
        store.now() - BETWEEN_MAILS
    ):
        return "The last mail to this listener is less than two days old."
    return ""


def _state(listener: Listener) -> State:
    if listener.declined_at is not None:
        return "declined"
    if listener.revoked_at is not None:
        return "revoked"
    if listener.finished_at is not None:
        return "finished"
    if listener.consented_at is not None:
        return "listening"
    return "opened" if listener.opened_at is not None else "invited"


def _listener(session: Session, study_id: int, listener_id: int) -> Listener:
    listener = session.get(Listener, listener_id)
    if listener is None or listener.study_id != study_id:
        raise NotFound("There is no such listener in this study.")
    return listener


def _by_link(session: Session, code: str) -> Listener:
    listener = session.exec(select(Listener).where(Listener.link_hash == code_hash(code))).first()
    if listener is None:
        raise NotFound(
            "There is no such link.", hint="Check the link for missing letters at its end."
        )
    return listener


def _join_link(settings: Settings, code: str) -> str:
    return f"{settings.address}/join/{code}"
