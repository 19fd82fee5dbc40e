"""The booth's pages as a test drives them."""

import re
import time

from looks import arrived
from playwright.sync_api import Page, expect
from real_server import Server
from small_study import ALL_PROCEDURES
from sqlmodel import select

from panel.stages.listen import check_results, visit
from panel.store.sealing import code_hash
from panel.store.session import Store
from panel.store.tables import Listener, Trial, Vote

PATIENCE = 60_000  # ms; the machine may be busy, and nothing here is about speed


def up_to_practice(store: Store, link: str) -> str:
    """Bring a listener up to the practice; returns the link."""
    visit.consent(store, link)
    visit.declare_playback(store, link, "headphones", 48_000)
    visit.mark_done(store, link, "level")
    check_results.record_check(store, link, "passed")
    return link


def up_to_first_trial(store: Store, link: str) -> str:
    """Bring a listener up to the first trial; returns the link."""
    up_to_practice(store, link)
    for code in ALL_PROCEDURES:
        visit.mark_done(store, link, f"practice:{code}")
    return link


def votes_of(store: Store, link: str) -> list[Vote]:
    """The listener's votes, in order of arrival."""
    with store.session() as s:
        return list(
            s.exec(
                select(Vote)
                .join(Listener, Listener.id == Vote.listener_id)
                .where(Listener.link_hash == code_hash(link))
                .order_by(Vote.sequence)
            )
        )


def kept(store: Store, link: str) -> list[tuple[int, int]]:
    """(trial number, answer) of the listener's votes, in order of arrival."""
    with store.session() as s:
        rows = s.exec(
            select(Trial.number, Vote.answer)
            .join(Vote, Vote.trial_id == Trial.id)
            .join(Listener, Listener.id == Vote.listener_id)
            .where(Listener.link_hash == code_hash(link))
            .order_by(Vote.sequence)
        )
        return [(number, answer) for number, answer in rows]


def expect_kept(store: Store, link: str, votes: list[tuple[int, int]]) -> None:
    """The page goes on before the server has answered: give the votes time to arrive."""
    deadline = time.monotonic() + PATIENCE / 1000
    while kept(store, link) != votes and time.monotonic() < deadline:
        time.sleep(0.1)
    assert kept(store, link) == votes


def opened(page: Page, server: Server, link: str) -> None:
    page.set_default_timeout(PATIENCE)
    page.goto(f"{server.url}/listen/{link}")


def at(page: Page, number: int) -> None:
    expect(page.locator("#count")).to_have_text(re.compile(rf"^{number} of "), timeout=PATIENCE)
    expect(page.locator("#set")).to_be_visible(timeout=PATIENCE)


def hear_all(page: Page, each: int = 850) -> None:
    """Each sample for `each` ms, of the clock and of the sound; once more if a busy machine made
    the sound stumble."""
    buttons = page.locator("#samples button")
    for _ in range(5):
        for index in range(buttons.count()):
            if buttons.nth(index).get_attribute("aria-pressed") != "true":
                buttons.nth(index).click()
            expect(buttons.nth(index)).to_have_attribute("aria-pressed", "true", timeout=PATIENCE)
            _play_on(page, each)
        page.wait_for_timeout(50)
        if not page.locator("#disturbed").is_visible():
            return


def _play_on(page: Page, each: int) -> None:
    """Until so many ms have passed, and nearly as many of the sound, unless it is disturbed."""
    begun = time.monotonic()
    heard, last = 0.0, place(page)[0]
    while heard < each / 1000 - 0.1 or time.monotonic() - begun < each / 1000:
        page.wait_for_timeout(40)
        at, length = place(page)
        heard, last = heard + (at - last) % length, at
        if page.locator("#disturbed").is_visible():
            return
        assert time.monotonic() - begun < PATIENCE / 1000, "the sound does not go on"


def place(page: Page) -> tuple[float, float]:
    """Where the sound is, and how long it lasts, in s, as the page shows it: “0.6 of 2.0 s”."""
    shown = re.findall(r"\d+\.\d+", page.locator("#time").inner_text())
    return float(shown[0]), float(shown[1])


def answer(page: Page, choice: int) -> None:
    page.locator("#answers input").nth(choice).check()
    page.locator("#keep").click()


def fits(page: Page) -> None:
    arrived(page)
    wide = page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
    assert wide[0] <= wide[1], f"the screen at {page.url} is {wide[0]} px wide in {wide[1]}"
