"""What all tests share: the order of files, and one Chromium a file."""

import os
import shutil
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytest_plugins = ["made_studies"]

LONG = {"test_eavesdropper.py", "test_journey.py", "test_eavesdropper_wins.py"}
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


# Whether anything leaks is asked once: these are never run again until they pass.
ONCE = {"test_blinding.py"}


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What takes minutes begins first, so that no worker ends up alone with it.

    A test that drives the browser in real time may fail because the machine stood still for some
    seconds. It is run once more, and the summary names it; what is broken fails both times.
    """
    for item in items:
        if item.get_closest_marker("browser") and item.path.name not in ONCE:
            item.add_marker(pytest.mark.flaky(reruns=1))
    items.sort(
        key=lambda item: item.path.name not in LONG
    )  # stable: the rest stays as it was drawn


@pytest.fixture(scope="module")
def chromium() -> Iterator["Browser"]:
    """Headless Chromium; missing, it is a failure, not a skip.

    It ends with its file: as long as it runs, so does the event loop of its driver, and a test of
    another file in the same process could not run one of its own.
    """
    from playwright.sync_api import sync_playwright

    path = (
        os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    )
    if path is None:
        pytest.fail("There is no Chromium: install it (apt install chromium) or set CHROMIUM.")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield browser
        browser.close()
