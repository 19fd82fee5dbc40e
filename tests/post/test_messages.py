"""What a mail says, and how it is put together."""

import email
import email.policy
import tempfile
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path

import pytest
from voting_cast import settings_in

from panel.errors import BadInput
from panel.post.messages import Facts, Letter, as_mail, letter

LINK = "https://panel.example.org/listen/abc"
NO = "https://panel.example.org/decline/abc"
NOW = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)


def facts(**changes) -> Facts:
    given = {
        "organiser": "Larkfield Pickups",
        "organiser_address": "maker@example.org",
        "words": "We are two people & a workshop <by the river>.\n\nThank you!",
        "privacy": "Nothing leaves our own server.",
        "minutes": 15,
        "votes": 24,
    }
    return Facts(**{**given, **changes})


def both(written: Letter) -> list[str]:
    """The text part, and the HTML part as a reader sees it."""
    from html.parser import HTMLParser

    class Reader(HTMLParser):
        seen = ""

        def handle_starttag(self, tag, attrs):
            self.seen += "".join(f" {value} " for name, value in attrs if name == "href")

        def handle_data(self, data):
            self.seen += data

    reader = Reader()
    reader.feed(written.html)
    return [" ".join(part.split()) for part in (written.text, reader.seen)]


@pytest.mark.parametrize("kind", ["invite", "reminder"])
@pytest.mark.parametrize(
    "said",
    [
        "Larkfield Pickups",
        "maker@example.org",
        LINK,
        NO,
        "about 15 minutes",
        "volume low",
        "stop if anything is unpleasant",
        "What is kept",
        "never published",
        "Nothing leaves our own server.",
        "rather not",
        "no further mail will come",
    ],
)
def test_both_parts_say_what_a_listener_must_know(kind, said):
    for part in both(letter(kind, facts(), LINK, NO)):
        assert said.lower() in part.lower()


def test_the_invitation_carries_the_organisers_own_words_as_they_are():
    text, html = both(letter("invite", facts(), LINK, NO))
    for part in (text, html):
        assert "two people & a workshop <by the river>." in part
        assert "24 short comparisons" in part
    assert "<by the river>" not in letter("invite", facts(), LINK, NO).html


def mail_of(written: Letter, **settings) -> tuple[email.message.EmailMessage, bytes]:
    settings = {
        "smtp_host": "mail.example.org",
        "mail_from": "Panel <panel@example.org>",
    } | settings
    mail = as_mail(
        written,
        to="ada@example.org",
        reply_to="maker@example.org",
        message_id="<one@example.org>",
        settings=settings_in(Path(tempfile.gettempdir()), **settings),
        now=NOW,
    )
    raw = mail.as_bytes()
    return email.message_from_bytes(raw, policy=email.policy.default), raw


def test_the_mail_has_the_headers_that_the_library_leaves_out():
    mail, _ = mail_of(letter("invite", facts(), LINK, NO))
    assert mail["From"] == "Panel <panel@example.org>"
    assert mail["To"] == "ada@example.org"
    assert mail["Reply-To"] == "maker@example.org"
    assert parsedate_to_datetime(mail["Date"]) == NOW
    assert mail["Message-ID"] == "<one@example.org>"
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834, section 5
    assert mail["List-Unsubscribe"] == f"<{NO}>"  # RFC 2369, section 3.2
    assert mail["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"  # RFC 8058, section 3.1
    assert mail.get_content_type() == "multipart/alternative"
    kinds = [part.get_content_type() for part in mail.iter_parts()]
    assert kinds == ["text/plain", "text/html"]
    assert mail.get_body(("plain",)).get_content().replace("\r\n", "\n") == (
        letter("invite", facts(), LINK, NO).text
    )


def test_one_click_is_only_promised_over_https():
    mail, _ = mail_of(letter("invite", facts(), LINK, "http://127.0.0.1:8642/decline/abc"))
    assert mail["List-Unsubscribe-Post"] is None


@pytest.mark.parametrize(
    "name", ["Lark\r\nBcc: eve@example.org", "Lark\nX-Evil: 1", "Lark\x0bfield"]
)
def test_no_name_reaches_a_header_of_its_own(name):
    mail, raw = mail_of(letter("invite", facts(organiser=name), LINK, NO))
    head = raw.split(b"\r\n\r\n", 1)[0]
    assert {line.split(b":")[0].lower() for line in head.split(b"\r\n") if line[:1] != b" "} == {
        b"from", b"to", b"reply-to", b"subject", b"date", b"message-id", b"auto-submitted",
        b"list-unsubscribe", b"list-unsubscribe-post", b"mime-version", b"content-type",
    }  # fmt: skip
    assert mail["Bcc"] is None


@pytest.mark.parametrize("address", ["", "nobody", "panel@example.org\nBcc: eve@example.org"])
def test_a_sender_that_is_no_address_is_refused_with_the_setting_named(address):
    with pytest.raises(BadInput, match="FAIRHEARING_MAIL_FROM"):
        mail_of(letter("invite", facts(), LINK, NO), mail_from=address)


def test_without_a_sender_the_user_at_the_mail_server_sends():
    mail, _ = mail_of(letter("invite", facts(), LINK, NO), mail_from="", smtp_user="me@example.org")
    assert mail["From"] == "me@example.org"


def test_a_letter_comes_back_from_the_outbox_as_it_went_in():
    written = letter("invite", facts(), LINK, NO)
    assert Letter.from_json(written.to_json()) == written
