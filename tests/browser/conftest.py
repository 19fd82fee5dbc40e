"""A real server process on a real port, and a fresh page: what browser tests stand on."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page
from real_server import Server

from panel.settings import load
from panel.store.opening import open_store
from panel.store.session import Store


@contextmanager
def running_on(folder: Path) -> Iterator[Server]:
    """A server that runs on `folder`; if it died by itself, what it said is printed."""
    running = Server(folder)
    running.start()
    yield running
    died = running.died
    running.stop()
    if died:
        print(f"The server had died:\n{running.said()}")


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """One running server a file: each test builds a study of its own on it."""
    with running_on(tmp_path_factory.mktemp("server")) as running:
        yield running


@pytest.fixture
def empty_server(tmp_path: Path) -> Iterator[Server]:
    """A running server on an empty data folder, for one test alone."""
    with running_on(tmp_path) as running:
        yield running


@pytest.fixture(scope="module")
def store(server: Server) -> Store:
    """The store of the running server, opened beside it."""
    return open_store(load(data=server.data))


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
