"""A real server process on a real port, and a real Chromium: what browser tests stand on."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright
from real_server import Server

from panel.settings import load
from panel.store.opening import open_store
from panel.store.session import Store

FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    """A running server on an empty data folder."""
    running = Server(tmp_path)
    running.start()
    yield running
    died = running.died
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
    path = (
        os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    )
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
