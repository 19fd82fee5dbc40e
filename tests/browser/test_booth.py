"""The booth as a listener meets it: a whole session, and what goes wrong on the way."""

from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from booth_pages import (
    PATIENCE,
    answer,
    at,
    expect_kept,
    fits,
    hear_all,
    kept,
    opened,
    up_to_first_trial,
    votes_of,
)
from playwright.sync_api import Browser, BrowserContext, Page, expect
from real_server import Server
from small_study import FOUR_PROCEDURES, SmallStudy, build
from sqlmodel import select

from panel.store.sealing import code_hash
from panel.store.session import Store
from panel.store.tables import Listener, Vote

pytestmark = pytest.mark.browser


@pytest.fixture
def study(store: Store) -> SmallStudy:
    return build(store, votes=1, listeners=3)


@pytest.fixture
def ready(store: Store, study: SmallStudy) -> Callable[[str], str]:
    """Bring a listener up to the first trial; returns the link."""
    return partial(up_to_first_trial, store)


@pytest.mark.parametrize("width", [1280, 360])
def test_a_whole_session(
    page: Page, server: Server, store: Store, study: SmallStudy, width: int, tmp_path: Path
) -> None:
    page.set_viewport_size({"width": width, "height": 760})
    link = study.links[0]
    opened(page, server, link)

    def looks(name: str) -> None:
        fits(page)
        page.screenshot(path=tmp_path / f"{name}-{width}.png", full_page=True)

    expect(page.get_by_role("heading", level=1)).to_have_text("Zither pickups, autumn")
    looks("welcome")
    page.get_by_role("button", name="I agree").click()
    looks("playback")
    page.get_by_label("Earphones").check()
    page.get_by_role("button", name="Go on").click()
    expect(page.get_by_text("Do not turn it up to hear a difference")).to_be_visible()
    page.get_by_role("button", name="Play the notes").click()
    looks("level")
    page.get_by_role("button", name="It is comfortable").click()
    page.get_by_role("button", name="Begin the check").click()
    page.get_by_role("button", name="Play the three tones").click()
    looks("check")
    for number in range(1, 7):
        expect(page.locator("#count")).to_have_text(f"{number} of 6", timeout=PATIENCE)
        page.get_by_role("button", name="The first").click()
    # Six times the first is right twice on average, so most often the check comes again.
    page.wait_for_selector("#before h1, #begin:enabled, form#onwards", state="attached")
    if page.locator("#begin").count():
        page.get_by_role("button", name="Leave it out").click()

    given, practised, number = [], 0, 1
    while number <= 5:
        page.wait_for_selector("form#onwards, #saved", state="attached")
        if page.locator("form#onwards").count():
            expect(page.locator("#set")).to_be_visible(timeout=PATIENCE)
            while not page.locator("#onwards").is_visible():
                hear_all(page)
                answer(page, 0)
                page.wait_for_timeout(500)
            looks(f"practice-{practised}")
            practised += 1
            page.get_by_role("button", name="Begin").click()
            page.wait_for_selector("#saved", state="attached")
            continue
        at(page, number)
        hear_all(page)
        choice = number % 2
        page.locator("#answers input").nth(choice).check()
        looks(f"trial-{number}")
        page.locator("#keep").click()
        expect(page.locator("#trouble")).to_be_hidden()
        given.append((number, choice))
        number += 1
        page.wait_for_function(
            "n => document.querySelector('#remarks, form#onwards')"
            " || document.querySelector('#count')?.textContent.startsWith(`${n} of`)",
            arg=number, timeout=PATIENCE,
        )  # fmt: skip
    assert practised == len(FOUR_PROCEDURES)
    looks("remarks")
    page.get_by_label("Your remarks").fill("A tram passed.")
    page.get_by_role("button", name="Finish").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Thank you")
    looks("thanks")
    expect_kept(store, link, given)
    with store.session() as s:
        row = s.exec(select(Listener).where(Listener.link_hash == code_hash(link))).one()
        votes = list(s.exec(select(Vote).where(Vote.listener_id == row.id)))
    assert (row.playback, row.remarks) == ("earphones", "A tram passed.")
    assert row.sample_rate
    assert row.finished_at is not None
    assert all(vote.plays >= 2 and vote.seconds >= 1 for vote in votes)
    assert all("unheard" not in vote.notes for vote in votes)


def test_reload_and_another_device_go_on_at_the_same_trial(
    page: Page, chromium: Browser, server: Server, store: Store, study: SmallStudy,
    ready: Callable[[str], str],
) -> None:  # fmt: skip
    link = ready(study.links[0])
    opened(page, server, link)
    at(page, 1)
    hear_all(page)
    answer(page, 1)
    at(page, 2)
    page.reload()
    at(page, 2)
    context = chromium.new_context(viewport={"width": 360, "height": 740}, has_touch=True)
    phone = context.new_page()
    opened(phone, server, link)
    at(phone, 2)
    hear_all(phone)
    answer(phone, 0)
    at(phone, 3)
    expect_kept(store, link, [(1, 1), (2, 0)])
    # The first device still shows the old trial; its answer is the second and does not count.
    hear_all(page)
    answer(page, 1)
    at(page, 3)
    expect_kept(store, link, [(1, 1), (2, 0)])
    context.close()


def test_a_vote_without_a_network_waits_and_goes_out_once(
    page: Page, server: Server, store: Store, study: SmallStudy, ready: Callable[[str], str]
) -> None:
    link = ready(study.links[0])
    opened(page, server, link)
    at(page, 1)
    hear_all(page)
    page.wait_for_load_state("networkidle")  # the next trial has been fetched ahead
    page.context.set_offline(True)
    answer(page, 1)
    expect(page.locator("#saved")).to_have_text(
        "will be sent when the connection is back", timeout=PATIENCE
    )
    at(page, 2)  # and one may go on with what has been fetched
    assert kept(store, link) == []
    page.context.set_offline(False)
    expect(page.locator("#saved")).to_have_text("saved", timeout=PATIENCE)
    expect_kept(store, link, [(1, 1)])
    hear_all(page)
    answer(page, 0)
    at(page, 3)
    expect(page.locator("#saved")).to_have_text("saved", timeout=PATIENCE)
    expect_kept(store, link, [(1, 1), (2, 0)])


def test_a_vote_outlives_the_page_and_the_server(
    page: Page, server: Server, store: Store, study: SmallStudy, ready: Callable[[str], str]
) -> None:
    link = ready(study.links[0])
    opened(page, server, link)
    at(page, 1)
    hear_all(page)
    page.wait_for_load_state("networkidle")
    server.kill()
    answer(page, 1)
    expect(page.locator("#saved")).to_have_text(
        "will be sent when the connection is back", timeout=PATIENCE
    )
    context: BrowserContext = page.context
    page.close()
    server.start()
    later = context.new_page()
    opened(later, server, link)
    at(later, 2)  # the vote of trial 1 went out before anything was asked
    expect_kept(store, link, [(1, 1)])


def test_with_the_keyboard_alone(
    page: Page, server: Server, store: Store, study: SmallStudy, ready: Callable[[str], str]
) -> None:
    link = ready(study.links[0])
    opened(page, server, link)
    for number in range(1, 6):
        at(page, number)
        samples = page.locator("#samples button").count()
        for index in range(samples):
            page.keyboard.press(str(index + 1))
            expect(page.locator("#samples button").nth(index)).to_have_attribute(
                "aria-pressed", "true", timeout=PATIENCE
            )
            page.wait_for_timeout(650)
        page.keyboard.press(" ")
        expect(page.locator("#stop")).to_be_disabled()
        page.keyboard.press("k")
        page.keyboard.press("Enter")
    expect(page.get_by_label("Your remarks")).to_be_visible(timeout=PATIENCE)
    expect_kept(store, link, [(number, 1) for number in range(1, 6)])


def test_whoever_answers_before_listening_is_asked_to_listen_and_it_is_recorded(
    page: Page, server: Server, store: Store, study: SmallStudy, ready: Callable[[str], str]
) -> None:
    link = ready(study.links[0])
    opened(page, server, link)
    at(page, 1)
    page.locator("#keep").click()
    expect(page.locator("#trouble")).to_contain_text("choose an answer")
    answer(page, 0)
    expect(page.locator("#trouble")).to_contain_text(
        "Please listen to these as well before you answer: One and Two"
    )
    assert kept(store, link) == []
    page.locator("#keep").click()
    at(page, 2)
    expect(page.locator("#saved")).to_have_text("saved", timeout=PATIENCE)
    (vote,) = votes_of(store, link)
    assert vote.notes["asked_to_listen"] == 1
    assert vote.notes["unheard"] >= 2
    assert vote.plays == 0


def test_a_double_click_and_a_second_tab_give_one_vote(
    page: Page, server: Server, store: Store, study: SmallStudy, ready: Callable[[str], str]
) -> None:
    link = ready(study.links[0])
    opened(page, server, link)
    other = page.context.new_page()
    opened(other, server, link)
    for tab in (page, other):
        at(tab, 1)
        hear_all(tab)
    page.locator("#answers input").nth(1).check()
    page.locator("#keep").dblclick()
    at(page, 2)
    answer(other, 0)
    at(other, 2)
    expect_kept(store, link, [(1, 1)])


def test_the_open_link_makes_one_listener_of_one_browser(
    page: Page, server: Server, store: Store, study: SmallStudy
) -> None:
    page.set_default_timeout(PATIENCE)
    places = set()
    for _ in range(2):
        page.goto(f"{server.url}/join/{study.open_link}")
        if "/join/" in page.url:
            page.get_by_role("button", name="Go to the first page").click()
        page.wait_for_url("**/listen/*")
        places.add(page.url)
    assert len(places) == 1
    with store.session() as s:
        assert len(list(s.exec(select(Listener).where(Listener.address.is_(None))))) == 1


@pytest.mark.parametrize("path", ["/listen/nobody", "/join/nobody"])
def test_a_wrong_link_gets_a_sentence(page: Page, server: Server, path: str) -> None:
    reply = page.goto(server.url + path)
    assert reply is not None
    assert reply.status == 404
    expect(page.get_by_role("heading", level=1)).to_contain_text("This link leads nowhere")
