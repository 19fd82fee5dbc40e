"""A listener's hands at the deck: parts to repeat, the volume, breaks, and every odd press."""

import random
import uuid
from collections.abc import Callable, Iterator

import pytest
from booth_pages import (
    PATIENCE,
    answer,
    at,
    expect_kept,
    hear_all,
    kept,
    opened,
    place,
    up_to_first_trial,
    votes_of,
)
from playwright.sync_api import Browser, BrowserContext, Page, expect
from real_server import Server
from small_study import SmallStudy, build

from panel.stages.conclude import watch
from panel.stages.listen import votes_in
from panel.store.session import Store

pytestmark = pytest.mark.browser

NO_STORAGE = """
  const refuse = () => { throw new DOMException("refused", "SecurityError"); };
  Object.defineProperty(window, "localStorage", { get: refuse });
  Object.defineProperty(window, "sessionStorage", { get: refuse });
  IDBFactory.prototype.open = refuse;
"""
LONG_AGO = """
  const Real = Date;
  window.Date = class extends Real {
    constructor(...parts) { parts.length ? super(...parts) : super(0); }
    static now() { return 0; }
  };
"""


@pytest.fixture
def small(store: Store) -> SmallStudy:
    study = build(store, procedures=("preference",), votes=5, listeners=1, length_s=2.0)
    up_to_first_trial(store, study.links[0])
    return study


@pytest.fixture
def tab(chromium: Browser) -> Iterator[Callable[..., Page]]:
    """A function that opens an empty page of a browser of its own."""
    contexts: list[BrowserContext] = []

    def make(script: str = "", **more: object) -> Page:
        contexts.append(chromium.new_context(**more))  # type: ignore[arg-type]
        page = contexts[-1].new_page()
        if script:
            page.add_init_script(script)
        return page

    yield make
    for context in contexts:
        context.close()


def section(page: Page) -> list[float]:
    """The two ends of the part that is repeated, as the range inputs hold them."""
    return [float(page.locator(f"#{name}").input_value()) for name in ("from", "to")]


def places(page: Page, times: int = 12) -> list[float]:
    """Where the sound is, looked at again and again over about a second and a half."""
    found = []
    for _ in range(times):
        found.append(place(page)[0])
        page.wait_for_timeout(120)
    return found


@pytest.mark.parametrize("by", ["keyboard", "mouse", "touch"])
def test_a_part_to_repeat_is_chosen_by_hand(
    tab: Callable[..., Page], server: Server, small: SmallStudy, by: str
) -> None:
    page = tab(has_touch=by == "touch", viewport={"width": 1000, "height": 1200})
    opened(page, server, small.links[0])
    at(page, 1)
    page.get_by_text("Repeat a part").click()
    page.locator("#samples button").first.click()
    if by == "keyboard":
        page.locator("#from").focus()
        for _ in range(8):
            page.keyboard.press("ArrowRight")
        page.locator("#to").focus()
        for _ in range(4):
            page.keyboard.press("ArrowLeft")
    else:
        press = page.mouse.click if by == "mouse" else page.touchscreen.tap
        for name, share in (("from", 0.4), ("to", 0.8)):
            box = page.locator(f"#{name}").bounding_box()
            assert box is not None
            press(box["x"] + share * box["width"], box["y"] + box["height"] / 2)
    begin, end = section(page)
    assert begin == pytest.approx(0.8, abs=0.15)
    assert end == pytest.approx(1.6, abs=0.15)
    seen = places(page)
    assert begin - 0.05 <= min(seen)
    assert max(seen) <= end + 0.05
    assert len(set(seen)) > 3, "and it is playing"
    # Seconds and a bar, and no picture of the sound.
    assert page.locator("canvas, svg, img").count() == 0


def test_the_volume_is_one_for_all_samples_and_stays(
    tab: Callable[..., Page], server: Server, store: Store, small: SmallStudy
) -> None:
    page = tab()
    opened(page, server, small.links[0])
    at(page, 1)
    expect(page.locator("#louder")).to_be_disabled()
    for _ in range(2):
        page.get_by_role("button", name="Quieter").click()
    page.keyboard.press("-")
    expect(page.locator("#loudness")).to_have_text("−6 dB")
    hear_all(page)
    answer(page, 0)
    at(page, 2)
    expect(page.locator("#loudness")).to_have_text("−6 dB")
    page.reload()
    at(page, 2)
    expect(page.locator("#loudness")).to_have_text("−6 dB")
    page.keyboard.press("+")
    expect(page.locator("#loudness")).to_have_text("−4 dB")
    expect_kept(store, small.links[0], [(1, 0)])
    assert votes_of(store, small.links[0])[0].notes["level_db"] == -6


def test_after_ten_minutes_a_break_is_offered_and_not_counted(
    tab: Callable[..., Page], server: Server, store: Store, small: SmallStudy
) -> None:
    page = tab()
    page.clock.install()
    opened(page, server, small.links[0])
    at(page, 1)
    page.clock.fast_forward(10 * 60 * 1000 + 1000)
    hear_all(page)
    answer(page, 0)
    expect(page.get_by_role("heading", level=1)).to_have_text("A break", timeout=PATIENCE)
    expect(page.get_by_text("You have listened for ten minutes")).to_be_visible()
    page.clock.fast_forward(5 * 60 * 1000)
    page.get_by_role("button", name="Go on").click()
    at(page, 2)
    hear_all(page)
    answer(page, 0)
    at(page, 3)
    expect_kept(store, small.links[0], [(1, 0), (2, 0)])
    first, second = votes_of(store, small.links[0])
    assert first.seconds >= 600
    assert second.seconds < 240
    assert "breaks" not in first.notes
    assert second.notes["breaks"] == 1


def test_a_page_loaded_anew_has_not_forgotten_how_long_somebody_listened(
    tab: Callable[..., Page], server: Server, store: Store, small: SmallStudy
) -> None:
    link = small.links[0]
    votes_in.vote(store, link, 1, str(uuid.uuid4()), "one", plays=3, seconds=601)
    page = tab()
    opened(page, server, link)
    expect(page.get_by_text("You have listened for ten minutes")).to_be_visible(timeout=PATIENCE)
    page.get_by_role("button", name="Go on").click()
    at(page, 2)
    hear_all(page)
    answer(page, 0)
    at(page, 3)
    expect_kept(store, link, [(1, 0), (2, 0)])
    page.reload()
    at(page, 3)  # the break was noted, so none is due


@pytest.mark.parametrize("script", [NO_STORAGE, LONG_AGO], ids=["storage refused", "clock wrong"])
def test_an_odd_browser_still_gets_its_votes_through(
    tab: Callable[..., Page], server: Server, store: Store, small: SmallStudy, script: str
) -> None:
    page = tab(script)
    opened(page, server, small.links[0])
    at(page, 1)
    hear_all(page)
    answer(page, 1)
    at(page, 2)
    hear_all(page)
    answer(page, 0)
    at(page, 3)
    expect_kept(store, small.links[0], [(1, 1), (2, 0)])
    assert all(0 < vote.seconds < 600 for vote in votes_of(store, small.links[0]))
    assert all(abs((vote.received_at - store.now()).total_seconds()) < 600
               for vote in votes_of(store, small.links[0]))  # fmt: skip


def test_whoever_refuses_cookies_can_still_take_part_by_the_open_link(
    tab: Callable[..., Page], server: Server, small: SmallStudy
) -> None:
    page = tab()
    page.goto(f"{server.url}/join/{small.open_link}")
    page.get_by_role("button", name="Go to the first page").click()
    page.wait_for_url("**/listen/*")
    page.context.clear_cookies()  # what a browser that refuses them amounts to
    page.get_by_role("button", name="I agree").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("What are you listening on?")
    own = page.url
    page.goto(own)  # the own address is the place to come back to
    expect(page.get_by_role("heading", level=1)).to_have_text("What are you listening on?")


def test_the_back_button_and_double_clicks_lead_to_the_screen_that_is_due(
    tab: Callable[..., Page], server: Server, store: Store
) -> None:
    study = build(store, procedures=("preference",), votes=1, listeners=1)
    page = tab()
    opened(page, server, study.links[0])
    page.get_by_role("button", name="I agree").dblclick()
    expect(page.get_by_role("heading", level=1)).to_have_text("What are you listening on?")
    page.go_back()
    expect(page.get_by_role("heading", level=1)).to_have_text("What are you listening on?")
    up_to_first_trial(store, study.links[0])
    page.goto(f"{server.url}/listen/{study.links[0]}")
    at(page, 1)
    hear_all(page)
    answer(page, 0)
    at(page, 2)
    page.go_forward()
    at(page, 2)
    expect_kept(store, study.links[0], [(1, 0)])


def test_a_link_passed_on_is_recorded(
    tab: Callable[..., Page], server: Server, store: Store, small: SmallStudy
) -> None:
    first, second = tab(), tab()
    assert watch.progress(store, small.id).shared == 0
    for number, page in enumerate((first, second), start=1):
        opened(page, server, small.links[0])
        at(page, number)
        hear_all(page)
        answer(page, 0)
        at(page, number + 1)
        expect_kept(store, small.links[0], [(n, 0) for n in range(1, number + 1)])
    marks = {vote.notes["browser"] for vote in votes_of(store, small.links[0])}
    assert len(marks) == 2
    assert watch.progress(store, small.id).shared == 1


def test_keys_hit_at_random_break_nothing_and_slip_no_vote_through(
    tab: Callable[..., Page], server: Server, store: Store, small: SmallStudy
) -> None:
    page = tab()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    opened(page, server, small.links[0])
    at(page, 1)
    rng = random.Random(7)
    keys = [*"123jklrJKLR +-xq0", "Enter", "Enter", "Escape", "ArrowLeft", "Home", "F6", "Shift"]
    for _ in range(100):
        page.keyboard.press(rng.choice(keys))
    assert errors == []
    page.reload()
    expect(page.locator("#set")).to_be_visible(timeout=PATIENCE)
    votes = votes_of(store, small.links[0])
    assert all("unheard" not in vote.notes for vote in votes)
    assert len({vote.trial_id for vote in votes}) == len(votes)
    hear_all(page)
    answer(page, 0)
    at(page, len(votes) + 2)
    assert len(kept(store, small.links[0])) <= len(votes) + 1
