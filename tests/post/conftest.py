"""A store with one study, and a mail server that takes, refuses, or asks to come back."""

import socket
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session


@dataclass
class Sink:
    """Answers by recipient; keeps what it took."""

    answers: dict[str, str] = field(default_factory=dict)
    at_data: str = ""
    taken: list[Envelope] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    async def handle_RCPT(  # noqa: N802  (aiosmtpd's name)
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        self.asked.append(address)
        answer = self.answers.get(address, "")
        if not answer:
            envelope.rcpt_tos.append(address)
        return answer or "250 OK"

    async def handle_DATA(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        if self.at_data:
            return self.at_data
        self.taken.append(envelope)
        return "250 OK"

    def recipients(self) -> list[str]:
        return [address for envelope in self.taken for address in envelope.rcpt_tos]


@dataclass
class MailServer:
    port: int
    sink: Sink


@pytest.fixture
def mail_server() -> Iterator[MailServer]:
    sink = Sink()
    controller = Controller(sink, hostname="127.0.0.1", port=free_port())
    controller.start()
    try:
        yield MailServer(controller.port, sink)
    finally:
        controller.stop()


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])
