"""Excerpts are marked and moved on the overview pictures: by mouse, and by keyboard alone."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import recordings
from playwright.sync_api import Locator, Page, expect
from real_server import Server

from panel.stages import accounts
from panel.stages.takes import intake

pytestmark = pytest.mark.browser

PASSWORD = "stiff as a board"
SECONDS = 3.0  # of every take


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Server, recordings.Made]]:
    """A study with two takes and one excerpt from 0.5 to 2.5 s, and a server on it."""
    folder: Path = tmp_path_factory.mktemp("excerpts")
    made = recordings.logged(folder, takes=2)
    running = Server(folder)
    running.start()
    accounts.add_organiser(made.store, "drag@larkfield.example", "", PASSWORD)
    yield running, made
    running.stop()


@pytest.fixture
def overview(page: Page, desk: tuple[Server, recordings.Made]) -> Locator:
    """The picture of the first take, on the page of the excerpts, signed in."""
    server, made = desk
    code = accounts.one_time_code(made.store, "maker@larkfield.example")
    page.goto(f"{server.url}/desk/enter/{code}")
    page.locator("form button").click()
    page.goto(f"{server.url}{made.href}/excerpts")
    picture = page.locator(".picture[data-take]").first
    expect(picture).to_be_visible()
    picture.scroll_into_view_if_needed()
    return picture


def drag(page: Page, picture: Locator, start_s: float, end_s: float) -> None:
    box = picture.bounding_box()
    assert box is not None
    y = box["y"] + box["height"] / 2
    xs = [box["x"] + box["width"] * at / SECONDS for at in (start_s, end_s)]
    page.mouse.move(xs[0], y)
    page.mouse.down()
    page.mouse.move((xs[0] + xs[1]) / 2, y, steps=4)
    page.mouse.move(xs[1], y, steps=4)
    page.mouse.up()


def kept_rows(page: Page) -> Locator:
    """Rows of the table of excerpts; each has a link to change it."""
    return page.locator("tbody tr", has=page.get_by_role("link", name=re.compile("^Change")))


def times(page: Page) -> tuple[float, float]:
    fields = (page.get_by_label("Beginning, s"), page.get_by_label("End, s"))
    return tuple(float(field.input_value()) for field in fields)  # type: ignore[return-value]


def near(*expected: float) -> object:
    return pytest.approx(expected, abs=0.02)  # a few pixels


def test_by_mouse_mark_stretch_move_and_move_what_is_kept(page: Page, overview: Locator, desk):
    made = desk[1]
    before = {e.key for e in intake.excerpts(made.store, made.id)}
    # Beside what is marked (0.5 to 2.5 s), from right to left.
    drag(page, overview, 2.95, 2.6)
    assert times(page) == near(2.6, 2.95)
    assert "Chosen: 2.60" in page.locator("#marked").inner_text().replace("2.59", "2.60")
    # Its left edge, then the whole of it.
    drag(page, overview, 2.6, 2.0)
    assert times(page) == near(2.0, 2.95)
    drag(page, overview, 2.5, 0.6)
    assert times(page) == near(0.1, 1.05)
    drag(page, overview, 0.5, 0.05)  # further than it can go
    assert times(page) == near(0.0, 0.95)
    page.get_by_role("button", name="Mark the excerpt").click()
    expect(kept_rows(page)).to_have_count(len(before) + 1)
    # One that is kept: taken hold of where nothing else is chosen, moved, and kept again.
    picture = page.locator(".picture[data-take]").first
    drag(page, picture, 2.0, 2.3)
    assert times(page) == near(0.8, 2.8)
    page.get_by_role("button", name="Move the excerpt").click()
    expect(kept_rows(page)).to_have_count(len(before) + 1)
    kept = {e.key: (e.start_s, e.end_s) for e in intake.excerpts(made.store, made.id)}
    assert kept["e1"] == near(0.8, 2.8)
    (marked,) = kept.keys() - before
    assert kept[marked] == near(0.0, 0.95)
    intake.remove_excerpt(made.store, made.id, marked)


def test_by_keyboard_alone(page: Page, overview: Locator, desk):
    made = desk[1]
    before = len(intake.excerpts(made.store, made.id))
    page.locator("body").click(position={"x": 5, "y": 5})
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.classList.contains('picture')"):
            break
    assert page.evaluate("document.activeElement.dataset.take") == "t01"
    name = page.evaluate("document.activeElement.getAttribute('aria-label')")
    assert "arrow keys" in name
    page.keyboard.press("ArrowRight")
    assert times(page) == (0.1, SECONDS)
    for _ in range(5):
        page.keyboard.press("Shift+ArrowLeft")
    assert times(page) == (0.1, 2.5)
    for _ in range(3):
        page.keyboard.press("Alt+ArrowRight")
    assert times(page) == (0.4, 2.8)
    page.keyboard.press("Control+ArrowLeft")
    assert times(page) == (0.39, 2.8)
    expect(page.locator("#marked")).to_have_text(re.compile("Chosen: 0.39 to 2.80 s"))
    # Back to the form and keep it.
    page.get_by_label("Name, if you like").focus()
    page.keyboard.type("Last chord")
    page.keyboard.press("Enter")
    expect(kept_rows(page)).to_have_count(before + 1)
    expect(page.get_by_role("rowheader", name="Last chord")).to_be_visible()
    # And change it by its link: its times stand in the form.
    page.get_by_role("link", name="Change Last chord").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Move the excerpt")).to_be_visible()
    assert times(page) == (0.39, 2.8)
    page.get_by_label("End, s").focus()
    page.keyboard.press("Control+a")
    page.keyboard.type("2.6")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Mark the excerpt")).to_be_visible()
    found = {e.label: e for e in intake.excerpts(made.store, made.id)}
    assert (found["Last chord"].start_s, found["Last chord"].end_s) == (0.39, 2.6)
    intake.remove_excerpt(made.store, made.id, found["Last chord"].key)
