"""What is typed into the chain log is not lost by a button beside it."""

from pathlib import Path

import pytest
import recordings
from playwright.sync_api import Dialog, Page, expect
from real_server import Server

from panel.stages import accounts

pytestmark = pytest.mark.browser


def test_the_browser_asks_before_a_typed_log_is_lost(page: Page, tmp_path: Path) -> None:
    made = recordings.logged(tmp_path, takes=2)
    running = Server(tmp_path)
    running.start()
    asked: list[str] = []

    def stay(dialog: Dialog) -> None:
        asked.append(dialog.type)
        dialog.dismiss()

    page.on("dialog", stay)
    try:
        code = accounts.one_time_code(made.store, "maker@larkfield.example")
        page.goto(f"{running.url}/desk/enter/{code}")
        page.locator("form button").click()
        page.goto(f"{running.url}{made.href}/takes")
        notes = page.get_by_label("Notes on take").first
        notes.fill("new strings")
        page.get_by_role("button", name="Remove take").first.click(no_wait_after=True)
        expect(notes).to_have_value("new strings")
        assert asked == ["beforeunload"]
        page.get_by_role("button", name="Keep the log").click()
        expect(page.get_by_label("Notes on take").first).to_have_value("new strings")
        expect(page.get_by_label("Notes on take")).to_have_count(2)
        assert asked == ["beforeunload"], "what is kept needs no question"
    finally:
        running.stop()
