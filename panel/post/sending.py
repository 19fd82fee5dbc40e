"""Sends what is due in the outbox through the mail server of the settings."""

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator

import aiosmtplib

from panel.errors import PanelError
from panel.post import outbox
from panel.post.messages import as_mail, sender
from panel.settings import Settings
from panel.store.session import Store

log = logging.getLogger(__name__)

ONE_MAIL_SECONDS = 90  # far below outbox.CLAIM: a claim never lapses under a living attempt
LOOK_EVERY_SECONDS = 5


@contextlib.asynccontextmanager
async def running(store: Store, settings: Settings) -> AsyncIterator[None]:
    """Deliver due mail in the background while the application runs.

    Does nothing when no mail server is set: mails then stay in the outbox to be read there.
    """
    if not settings.smtp_host:
        yield
        return
    stop = asyncio.Event()
    task = asyncio.create_task(_deliver_until(stop, store, settings))
    try:
        yield
    finally:
        stop.set()  # lets the mail in hand go out before the task ends
        with contextlib.suppress(asyncio.CancelledError, TimeoutError):
            await asyncio.wait_for(task, timeout=15)


async def _deliver_until(stop: asyncio.Event, store: Store, settings: Settings) -> None:
    while not stop.is_set():
        try:
            await deliver_due(store, settings, stop)
        except Exception:
            log.exception("Looking through the outbox failed; trying again soon.")
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(stop.wait(), timeout=LOOK_EVERY_SECONDS)


async def deliver_due(store: Store, settings: Settings, stop: asyncio.Event | None = None) -> int:
    """Send every due mail over one connection; returns how many went out.

    A refusal of the recipient or of the mail itself (5xx) is final. Anything that can pass (4xx,
    no connection, a wrong password in the settings) is tried again after a pause.
    """
    waiting = await asyncio.to_thread(outbox.due, store)
    if not waiting:
        return 0
    try:
        sender(settings)
    except PanelError as error:
        log.error("%d mails wait. %s", len(waiting), error)
        return 0
    went_out = 0
    client: aiosmtplib.SMTP | None = None
    try:
        for message_id in waiting:
            if stop is not None and stop.is_set():
                break
            try:
                mail = await asyncio.to_thread(outbox.claim, store, message_id)
            except PanelError as error:  # sealed with another secret
                await asyncio.to_thread(
                    outbox.mark_failed, store, message_id, str(error), for_good=True
                )
                continue
            if mail is None:
                continue
            try:
                async with asyncio.timeout(ONE_MAIL_SECONDS):
                    if client is None or not client.is_connected:
                        client = await _connected(settings)
                    await client.send_message(
                        as_mail(
                            mail.letter,
                            to=mail.to,
                            reply_to=mail.reply_to,
                            message_id=mail.message_id,
                            settings=settings,
                            now=store.now(),
                        )
                    )
            except (aiosmtplib.SMTPException, OSError, ValueError) as error:
                reason, for_good = judge(error)
                await asyncio.to_thread(
                    outbox.mark_failed, store, mail.id, reason, for_good=for_good
                )
                if client is None or not client.is_connected:
                    break  # no use in knocking once more for each mail
            else:
                await asyncio.to_thread(outbox.mark_sent, store, mail.id)
                went_out += 1
    finally:
        if client is not None and client.is_connected:
            with contextlib.suppress(aiosmtplib.SMTPException, OSError):
                await client.quit()
    return went_out


async def _connected(settings: Settings) -> aiosmtplib.SMTP:
    client = aiosmtplib.SMTP(
        hostname=settings.smtp_host,
        port=settings.smtp_port,
        use_tls=settings.smtp_security == "tls",
        start_tls=settings.smtp_security == "starttls",
        username=settings.smtp_user or None,
        password=settings.smtp_password or None,
        timeout=30,
    )
    await client.connect()
    return client


def judge(error: Exception) -> tuple[str, bool]:
    """What went wrong, as a sentence, and whether trying again is useless."""
    if isinstance(error, aiosmtplib.SMTPRecipientsRefused) and error.recipients:
        error = error.recipients[0]
    if isinstance(error, aiosmtplib.SMTPAuthenticationError):
        return (
            "The mail server did not accept our user name and password: "
            + _said(error)
            + " Check FAIRHEARING_SMTP_USER and FAIRHEARING_SMTP_PASSWORD.",
            False,
        )
    if isinstance(error, aiosmtplib.SMTPSenderRefused):
        return (
            "The mail server did not accept our sender's address: "
            + _said(error)
            + " Check FAIRHEARING_MAIL_FROM.",
            False,
        )
    if isinstance(error, aiosmtplib.SMTPRecipientRefused | aiosmtplib.SMTPDataError):
        for_good = error.code >= 500
        verb = "refused this mail" if for_good else "asks to try this mail later"
        return f"The mail server {verb}: {_said(error)}", for_good
    if isinstance(error, aiosmtplib.SMTPNotSupported) or type(error) is aiosmtplib.SMTPException:
        return (
            "The mail server cannot do what the settings ask: "
            + _clean(str(error))
            + " Check FAIRHEARING_SMTP_SECURITY and FAIRHEARING_SMTP_USER.",
            False,
        )
    if isinstance(error, aiosmtplib.SMTPResponseException):
        return f"The mail server answered: {_said(error)}", False
    if isinstance(error, ValueError):
        return "The mail could not be put together: " + _clean(str(error)), True
    return "The mail server could not be reached: " + _clean(str(error) or type(error).__name__), (
        False
    )


def _said(error: aiosmtplib.SMTPResponseException) -> str:
    return f"{error.code} {_clean(error.message)}"


def _clean(text: str) -> str:
    """A server's words, on one line and with a full stop."""
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())[:300]
    return line if line.endswith((".", "!", "?")) else line + "."
