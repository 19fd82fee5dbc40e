"""Sending what is due: once, with final and passing refusals told apart."""

import asyncio
import email
import email.policy
import socket
import threading
from datetime import timedelta

import aiosmtplib
import pytest
from small_study import build
from sqlmodel import select
from voting_cast import settings_in

from panel.post import outbox, sending
from panel.stages.listeners import invite
from panel.store.opening import open_store
from panel.store.tables import Listener, Message, Study


@pytest.fixture
def settings(tmp_path, mail_server):
    return settings_in(
        tmp_path,
        smtp_host="127.0.0.1",
        smtp_port=mail_server.port,
        smtp_security="none",
        mail_from="panel@example.org",
    )


@pytest.fixture
def store(settings):
    return open_store(settings)


@pytest.fixture
def study(store):
    return build(store, listeners=0)


def deliver(store, settings) -> int:
    return asyncio.run(sending.deliver_due(store, settings))


def mails(store) -> list[Message]:
    with store.session() as s:
        return list(s.exec(select(Message).order_by(Message.id)))


def come_due(store) -> None:
    """Let the pause before the next attempt pass."""
    with store.session() as s:
        for row in s.exec(select(Message)):
            row.next_attempt_at = store.now() - timedelta(seconds=1)
            s.add(row)
        s.commit()


def test_an_invitation_arrives_with_its_link_and_is_marked_sent(
    store, settings, study, mail_server
):
    added = invite.invite(store, settings, study.id, "ada@example.org").added
    assert deliver(store, settings) == 1
    assert mail_server.sink.recipients() == ["ada@example.org"]
    mail = email.message_from_bytes(mail_server.sink.taken[0].content, policy=email.policy.default)
    link = invite.personal_link(store, settings, added[0].listener_id)
    assert link in mail.get_body(("plain",)).get_content()
    assert link in mail.get_body(("html",)).get_content()
    [row] = mails(store)
    assert row.sent_at is not None
    assert mail["Date"]
    assert mail["Message-ID"]
    with store.session() as s:
        assert s.get_one(Listener, added[0].listener_id).invited_at == row.sent_at


def test_what_was_sent_is_not_sent_again(store, settings, study, mail_server):
    invite.invite(store, settings, study.id, "ada@example.org, bo@example.org")
    assert deliver(store, settings) == 2
    come_due(store)
    assert deliver(store, settings) == 0
    assert sorted(mail_server.sink.recipients()) == ["ada@example.org", "bo@example.org"]


@pytest.mark.parametrize(
    ("answer", "final"),
    [("550 no such mailbox", True), ("553 not allowed", True), ("451 try again later", False)],
)
def test_a_refused_recipient(store, settings, study, mail_server, answer, final):
    mail_server.sink.answers["ada@example.org"] = answer
    invite.invite(store, settings, study.id, "ada@example.org, bo@example.org")
    assert deliver(store, settings) == 1, "the other mail goes out all the same"
    refused = mails(store)[0]
    assert refused.sent_at is None
    assert refused.failed_for_good is final
    assert answer[:3] in refused.error
    mail_server.sink.answers.clear()
    come_due(store)
    assert deliver(store, settings) == (0 if final else 1)
    assert mail_server.sink.recipients().count("ada@example.org") == (0 if final else 1)


@pytest.mark.parametrize(
    ("answer", "final"), [("554 looks like junk", True), ("452 disk full", False)]
)
def test_a_refused_mail(store, settings, study, mail_server, answer, final):
    mail_server.sink.at_data = answer
    invite.invite(store, settings, study.id, "ada@example.org")
    assert deliver(store, settings) == 0
    assert mails(store)[0].failed_for_good is final
    assert answer in mails(store)[0].error


def test_without_a_connection_it_is_tried_again_after_longer_and_longer_pauses(
    tmp_path, store, settings, study
):
    with socket.socket() as taken:  # a port where nobody listens
        taken.bind(("127.0.0.1", 0))
        nobody = settings_in(
            tmp_path,
            smtp_host="127.0.0.1",
            smtp_port=taken.getsockname()[1],
            smtp_security="none",
            mail_from="panel@example.org",
        )
        invite.invite(store, nobody, study.id, "ada@example.org")
        pauses = []
        for _ in outbox.PAUSES:
            before = store.now()
            assert deliver(store, nobody) == 0
            [row] = mails(store)
            assert not row.failed_for_good
            assert "could not be reached" in row.error
            pauses.append(row.next_attempt_at - before)
            come_due(store)
        assert pauses == sorted(pauses)
        assert pauses[0] >= outbox.PAUSES[0]
        assert deliver(store, nobody) == 0
        assert mails(store)[0].failed_for_good, "after the last pause it is given up"
    assert deliver(store, settings) == 0
    outbox.try_again(store, study.id, mails(store)[0].id)
    assert deliver(store, settings) == 1


def test_a_mail_is_sent_once_by_however_many_workers(store, settings, study, mail_server):
    people = [f"listener{n}@example.org" for n in range(12)]
    invite.invite(store, settings, study.id, ", ".join(people))
    start = threading.Barrier(4)
    counts = []

    def work() -> None:
        start.wait()
        counts.append(deliver(store, settings))

    workers = [threading.Thread(target=work) for _ in range(4)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert sum(counts) == 12
    assert sorted(mail_server.sink.recipients()) == sorted(people)


def test_a_claimed_mail_is_nobody_elses_until_the_claim_lapses(store, settings, study):
    invite.invite(store, settings, study.id, "ada@example.org")
    [message_id] = outbox.due(store)
    first = outbox.claim(store, message_id)
    assert first is not None
    assert outbox.claim(store, message_id) is None
    assert outbox.due(store) == []
    come_due(store)  # the worker died: its claim has lapsed
    second = outbox.claim(store, message_id)
    assert second is not None
    assert second.message_id == first.message_id, "a mail server can tell that it is the same"


@pytest.mark.parametrize("what", ["revoked", "declined", "closed"])
def test_what_is_no_longer_wanted_does_not_go_out(store, settings, study, mail_server, what):
    [added] = invite.invite(store, settings, study.id, "ada@example.org").added
    with store.session() as s:
        if what == "closed":
            row = s.get_one(Study, study.id)
            row.closed_at = store.now()
        else:
            row = s.get_one(Listener, added.listener_id)
            row.revoked_at = store.now()
            row.declined_at = store.now() if what == "declined" else None
        s.add(row)
        s.commit()
    assert deliver(store, settings) == 0
    assert mail_server.sink.asked == []
    assert mails(store)[0].failed_for_good


def test_a_wrong_password_in_the_settings_loses_no_mail(store, settings, study):
    error = aiosmtplib.SMTPAuthenticationError(535, "5.7.8 bad credentials")
    sentence, for_good = sending.judge(error)
    assert not for_good
    assert "FAIRHEARING_SMTP_PASSWORD" in sentence


def test_a_servers_words_cannot_break_out_of_their_line():
    error = aiosmtplib.SMTPDataError(554, "no\r\n<script>\x1b[2J")
    sentence, _ = sending.judge(error)
    assert "\n" not in sentence
    assert "\x1b" not in sentence


def test_starttls_is_asked_for_and_never_silently_left_out(tmp_path, store, study, mail_server):
    strict = settings_in(
        tmp_path, smtp_host="127.0.0.1", smtp_port=mail_server.port, mail_from="panel@example.org"
    )
    assert strict.smtp_security == "starttls"
    invite.invite(store, strict, study.id, "ada@example.org")
    assert deliver(store, strict) == 0, "the sink offers no STARTTLS"
    assert mail_server.sink.asked == []
    assert "FAIRHEARING_SMTP_SECURITY" in mails(store)[0].error


def test_the_background_task_delivers_and_stops(store, settings, study, mail_server):
    invite.invite(store, settings, study.id, "ada@example.org")

    async def run() -> None:
        async with sending.running(store, settings):
            for _ in range(500):
                if mail_server.sink.taken:
                    return
                await asyncio.sleep(0.02)

    asyncio.run(run())
    assert mail_server.sink.recipients() == ["ada@example.org"]
    assert mails(store)[0].sent_at is not None


def test_without_a_mail_server_mails_are_held_until_somebody_sends_them(
    tmp_path, store, settings, study, mail_server
):
    none = settings_in(tmp_path)
    invite.invite(store, none, study.id, "ada@example.org")

    async def run() -> None:
        async with sending.running(store, none):
            pass

    asyncio.run(run())
    assert deliver(store, settings) == 0, "setting a mail server later sends nothing by itself"
    assert [view.state for view in invite.outbox(store, study.id)] == ["held"]
    assert invite.send_held(store, settings, study.id) == 1
    assert deliver(store, settings) == 1
