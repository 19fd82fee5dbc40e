"""Who is invited, what was done a moment ago, and the mails, as words."""

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from panel.desk.shown.moments import moment
from panel.post.messages import Letter
from panel.post.outbox import MessageView
from panel.prose import agreeing, plural
from panel.stages.listeners.invite import Audience, Invited, ListenerView, Reminded

STATES = {
    "invited": "not opened yet",
    "opened": "opened the link",
    "listening": "listening",
    "finished": "finished",
    "revoked": "link revoked",
    "declined": "declined",
}
MAILS = {
    "held": "in the outbox",
    "waiting": "on its way",
    "sent": "sent",
    "failed": "did not go out",
}
OUTBOX = {**MAILS, "held": "waits here"}
GONE = ("revoked", "declined")


@dataclass(frozen=True)
class ShownInvited:
    """What became of the addresses that were pasted; "" for what did not occur."""

    added: str
    duplicates: str
    refused: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class ShownReminded:
    """`written` is "" where nobody needed a reminder."""

    written: str
    passed_over: str


@dataclass(frozen=True)
class ShownPerson:
    id: int
    address: str
    state: str
    mail_id: int | None
    mail: str
    can_be_reminded: bool
    can_be_revoked: bool


@dataclass(frozen=True)
class ShownAudience:
    """Everybody with a link; `withdrew` and `joined` say how many did, "" for nobody."""

    people: tuple[ShownPerson, ...]
    withdrew: str
    joined: str
    joined_before: str
    open_link: str | None
    open_link_lost: bool


@dataclass(frozen=True)
class ShownMail:
    """A mail in the list."""

    id: int
    address: str
    kind: str
    state: str
    error: str


@dataclass(frozen=True)
class ShownMessage:
    """One mail, opened. `by_hand` hands it to whoever's own mail program, "" once it was sent;
    `can_be_tried` says whether this server may send it now."""

    id: int
    heading: str
    state: str
    subject: str
    text: str
    link: str
    by_hand: str
    can_be_tried: bool


def shown_invited(invited: Invited) -> ShownInvited:
    return ShownInvited(
        added=f"{plural(len(invited.added), 'person', 'people')} invited." if invited.added else "",
        duplicates=", ".join(invited.duplicates),
        refused=invited.refused,
    )


def shown_reminded(reminded: Reminded, *, by_server: bool) -> ShownReminded:
    where = "and on the way" if by_server else "waiting in the outbox"
    written = plural(len(reminded.reminded), "reminder")
    return ShownReminded(
        written=f"{written} written, {where}." if reminded.reminded else "",
        passed_over=f"{reminded.passed_over} others get none now: they have finished, had a mail "
        "within two days, had two reminders already, or their link is dead."
        if reminded.passed_over
        else "",
    )


def shown_audience(audience: Audience, *, opened: bool) -> ShownAudience:
    """`opened`: the study takes votes, so that people can be reminded, or their links revoked."""
    joined = f"{audience.joined} {agreeing(audience.joined, 'has', 'have')} joined"
    return ShownAudience(
        people=tuple(_person(person, opened=opened) for person in audience.listeners),
        withdrew=f"{plural(audience.withdrew, 'person has', 'people have')} withdrawn."
        if audience.withdrew
        else "",
        joined=f"{joined} by it, {audience.joined_finished} finished." if audience.joined else "",
        joined_before=f"{joined} by a link that is closed now." if audience.joined else "",
        open_link=audience.open_link,
        open_link_lost=audience.open_link_lost,
    )


def shown_mail(message: MessageView) -> ShownMail:
    return ShownMail(
        id=message.id,
        address=message.address,
        kind=_kind(message),
        state=OUTBOX[message.state],
        error=message.error,
    )


def held(messages: Sequence[MessageView]) -> tuple[str, str]:
    """How many mails were written while nothing could send them, and what to do with them; "" for
    none."""
    n = sum(message.state == "held" for message in messages)
    if not n:
        return "", ""
    return (
        f"{plural(n, 'mail was', 'mails were')} written while no mail server was set.",
        f"Send {agreeing(n, 'it', 'them')} only if you have not done so by hand.",
    )


def shown_message(message: MessageView, letter: Letter, *, by_server: bool) -> ShownMessage:
    failing = message.error and message.state == "waiting"
    return ShownMessage(
        id=message.id,
        heading=f"{_kind(message).capitalize()} to {message.address}",
        state=_state(message),
        subject=letter.subject,
        text=letter.text,
        link=letter.link,
        by_hand="" if message.state == "sent" else _by_hand(message, letter),
        can_be_tried=bool(failing or (by_server and message.state == "failed")),
    )


def _person(person: ListenerView, *, opened: bool) -> ShownPerson:
    reached = opened and person.state not in GONE
    return ShownPerson(
        id=person.id,
        address=person.address,
        state=STATES[person.state],
        mail_id=person.mail_id,
        mail=MAILS[person.mail_state] if person.mail_id else "",
        can_be_reminded=reached and not person.no_reminder,
        can_be_revoked=reached,
    )


def _kind(message: MessageView) -> str:
    return "reminder" if message.kind == "reminder" else "invitation"


def _state(message: MessageView) -> str:
    if message.state == "sent":
        return f"Sent {moment(message.sent_at)} UTC."
    if message.state == "failed":
        return f"Did not go out. {message.error}"
    if message.state == "held":
        return "Waits here to be sent by hand."
    if not message.error:
        return "On its way."
    at = f" at {message.next_attempt_at:%H:%M} UTC" if message.next_attempt_at else ""
    return f"On its way. The last attempt failed: {message.error} The next comes by itself{at}."


def _by_hand(message: MessageView, letter: Letter) -> str:
    """For whoever has no mail server: their own mail program opens with the mail written."""
    lines = letter.text.replace("\n", "\r\n")  # RFC 6068: line breaks as CR LF
    return (
        f"mailto:{quote(message.address, safe='@')}"
        f"?subject={quote(letter.subject, safe='')}&body={quote(lines, safe='')}"
    )
