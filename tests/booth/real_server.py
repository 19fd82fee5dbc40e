"""A real server process on a real port, for tests that kill it, watch it or browse it."""

import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = """
import socket, sys, uvicorn
from panel.app import create_app
from panel.settings import load
{spoiling}
app = create_app(load(data=sys.argv[1], public_url=sys.argv[3]))
# As a TCP socket by name: uvicorn's own fd= takes it for a local one, and answers come in bits.
sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP, int(sys.argv[2]))
uvicorn.Server(uvicorn.Config(app, log_level="warning", access_log=False)).run(sockets=[sock])
"""


class Server:
    """A server process on the data folder `data`. `spoiling` is a piece of program that damages
    it on purpose before it starts."""

    def __init__(self, data: Path, spoiling: str = "") -> None:
        self.data = data
        self.log = data / "server.log"
        self.program = PROGRAM.format(spoiling=spoiling)
        # The port is taken here and handed over, so that nobody can take it in between and a
        # restarted server has the same address.
        self.socket = socket.create_server(("127.0.0.1", 0), backlog=128)
        self.port: int = self.socket.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [
                    sys.executable, "-c", self.program,
                    str(self.data), str(self.socket.fileno()), self.url,
                ],
                cwd=ROOT, stdout=log, stderr=log, pass_fds=[self.socket.fileno()],
            )  # fmt: skip
        deadline = time.monotonic() + 120
        while time.monotonic() < deadline:
            if self.process.poll() is not None:
                pytest.fail(f"The server died at its start:\n{self.said()}")
            try:
                urllib.request.urlopen(f"{self.url}/healthz", timeout=5).close()
                return
            except OSError:
                time.sleep(0.1)
        pytest.fail(f"The server did not answer:\n{self.said()}")

    def kill(self) -> None:
        """kill -9: no farewell."""
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    @property
    def died(self) -> bool:
        return self.process is not None and self.process.poll() is not None

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        self.socket.close()

    def said(self) -> str:
        return self.log.read_text()
