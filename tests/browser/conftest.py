"""A real server process on a real port, and a real Chromium: what browser tests stand on."""

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from panel.settings import load
from panel.store.opening import open_store
from panel.store.session import Store

ROOT = Path(__file__).resolve().parents[2]
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
PROGRAM = """
import sys, uvicorn
from panel.app import create_app
from panel.settings import load
app = create_app(load(data=sys.argv[1]))
uvicorn.run(app, fd=int(sys.argv[2]), log_level="warning", access_log=False)
"""


class Server:
    """A server process on `data`; its output is shown when it dies unasked."""

    def __init__(self, data: Path) -> None:
        self.data = data
        self.log = data / "server.log"
        # The port is taken here and handed over, so that nobody can take it in between and a
        # restarted server has the same address.
        self.socket = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self.socket.getsockname()[1]}"
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-c", PROGRAM, str(self.data), str(self.socket.fileno())],
                cwd=ROOT, stdout=log, stderr=log, pass_fds=[self.socket.fileno()],
            )  # fmt: skip
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            if self.process.poll() is not None:
                pytest.fail(f"The server died at its start:\n{self.log.read_text()}")
            try:
                urllib.request.urlopen(f"{self.url}/healthz", timeout=2).close()
                return
            except OSError:
                time.sleep(0.1)
        pytest.fail(f"The server did not answer:\n{self.log.read_text()}")

    def kill(self) -> None:
        """kill -9: no farewell."""
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

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


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    """A running server on an empty data folder."""
    running = Server(tmp_path)
    running.start()
    yield running
    died = running.process is not None and running.process.poll() is not None
    running.stop()
    if died:
        print(f"The server had died:\n{running.said()}")


@pytest.fixture
def store(server: Server) -> Store:
    """The store of the running server, opened beside it."""
    return open_store(load(data=server.data))


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """Headless Chromium. Missing is a failure, not a skip."""
    path = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.fail("There is no Chromium: install it (apt install chromium) or set CHROMIUM.")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def page(chromium: Browser) -> Iterator[Page]:
    """A fresh page; errors and refused resources on it fail the test."""
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on(
        "console",
        lambda message: errors.append(message.text) if "Content Security" in message.text else None,
    )
    yield page
    context.close()
    assert errors == []
