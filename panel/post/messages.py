"""Renders invitations and reminders, and turns a stored message into a mail."""

import email.policy
import json
from dataclasses import dataclass
from datetime import UTC, datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime, parseaddr
from typing import Any, Literal

from panel.errors import BadInput
from panel.pages import environment
from panel.post.addresses import read_address
from panel.settings import Settings

Kind = Literal["invite", "reminder"]

# Text and subjects are no HTML: there "&" must stay "&".
_plain = environment.overlay(autoescape=False)


@dataclass(frozen=True)
class Letter:
    """What one mail says. `link` is the listener's own; `decline` says no thanks for good."""

    subject: str
    text: str
    html: str
    link: str
    decline: str

    def to_json(self) -> str:
        return json.dumps(vars(self))

    @classmethod
    def from_json(cls, text: str) -> "Letter":
        return cls(**json.loads(text))


@dataclass(frozen=True)
class Facts:
    """What an invitation states: nothing in it says what the samples are."""

    organiser: str
    organiser_address: str
    words: str
    privacy: str
    minutes: int
    votes: int


def letter(kind: Kind, facts: Facts, link: str, decline: str) -> Letter:
    """The subject, the text part and the HTML part of a mail, from web/templates/mail/."""
    context: dict[str, Any] = {
        **vars(facts),
        "invitation_paragraphs": _paragraphs(facts.words),
        "privacy_paragraphs": _paragraphs(facts.privacy),
        "link": link,
        "decline": decline,
    }
    folder = f"mail/{kind}"
    subject = _plain.get_template(f"{folder}/subject.txt").render(context)
    return Letter(
        subject=" ".join(subject.split()),  # a header is one line, whatever a name holds
        text=_plain.get_template(f"{folder}/body.txt").render(context).strip() + "\n",
        html=environment.get_template(f"{folder}/body.html").render(context),
        link=link,
        decline=decline,
    )


def _paragraphs(text: str) -> list[str]:
    return [part.strip() for part in text.split("\n\n") if part.strip()]


def sender(settings: Settings) -> Address:
    """Who the mails come from. Raises BadInput when the settings name no usable address."""
    given = settings.mail_from or settings.smtp_user
    name, address = parseaddr(given) if given.isprintable() else ("", "")
    try:
        return Address(" ".join(name.split()), addr_spec=read_address(address))
    except BadInput:
        raise BadInput(
            "The settings name no address that mails can come from.",
            hint="Set FAIRHEARING_MAIL_FROM to the sender's address, then start again.",
        ) from None


def as_mail(
    written: Letter, *, to: str, reply_to: str, message_id: str, settings: Settings, now: datetime
) -> EmailMessage:
    """The mail as it goes to the server. `now` is UTC.

    Date and Message-ID are set here (the library sets neither); the Message-ID stays the same
    over all attempts, so that a mail that was taken twice is recognised as one.
    """
    mail = EmailMessage(policy=email.policy.SMTP)
    mail["From"] = sender(settings)
    mail["To"] = Address(addr_spec=to)
    if reply_to:
        mail["Reply-To"] = Address(addr_spec=reply_to)
    mail["Subject"] = written.subject
    mail["Date"] = format_datetime(now.replace(tzinfo=UTC))
    mail["Message-ID"] = message_id
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no absence notes in return
    mail["List-Unsubscribe"] = f"<{written.decline}>"  # RFC 2369
    if written.decline.startswith("https://"):
        mail["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"  # RFC 8058
    mail.set_content(written.text)
    mail.add_alternative(written.html, subtype="html")
    return mail
