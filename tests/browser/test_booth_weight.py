"""What the booth's pages weigh and ask for: little, from nobody else, and no cookie."""

from collections import Counter
from urllib.parse import urlsplit

import pytest
from booth_pages import at, hear_all, opened, up_to_first_trial
from playwright.sync_api import Browser, Page, expect
from real_server import Server
from small_study import build

from panel.store.session import Store

pytestmark = pytest.mark.browser

MOST_FIRST_SCREEN = 60_000  # bytes on the wire, headers included, without audio


def transferred(page: Page) -> Counter[str]:
    """Bytes on the wire by address, as Chromium counts them, filled while the page loads."""
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    session.send("Network.setCacheDisabled", {"cacheDisabled": True})
    names: dict[str, str] = {}
    weighed: Counter[str] = Counter()
    session.on(
        "Network.requestWillBeSent",
        lambda event: names.update({event["requestId"]: event["request"]["url"]}),
    )
    session.on(
        "Network.loadingFinished",
        lambda event: weighed.update(
            {names.get(event["requestId"], "?"): int(event["encodedDataLength"])}
        ),
    )
    return weighed


@pytest.mark.parametrize("first", ["welcome", "trial", "join"])
def test_each_screen_a_listener_can_meet_first_is_light(
    page: Page, server: Server, store: Store, first: str
) -> None:
    study = build(store, procedures=("abx",), votes=1, listeners=1)
    weighed = transferred(page)
    if first == "trial":
        up_to_first_trial(store, study.links[0])
    opened(page, server, study.links[0])
    if first == "trial":
        at(page, 1)
    elif first == "join":
        weighed.clear()
        page.goto(f"{server.url}/join/{study.open_link}")
    page.wait_for_load_state("networkidle")
    silent = {
        urlsplit(address).path: size
        for address, size in weighed.items()
        if "/sound/" not in address
    }
    assert any(path.endswith(".woff2") for path in silent), "the font counts too"
    assert sum(silent.values()) <= MOST_FIRST_SCREEN, silent


def test_nobody_else_is_asked_for_anything_and_no_cookie_is_set(
    chromium: Browser, server: Server, store: Store
) -> None:
    link = build(store, procedures=("preference",), votes=1, listeners=1).links[0]
    context = chromium.new_context()
    page = context.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    opened(page, server, link)
    assert context.cookies() == []
    assert page.evaluate("Object.keys(localStorage).length") == 0, "nothing kept before consent"
    page.get_by_role("button", name="I agree").click()
    page.get_by_label("Headphones").check()
    page.get_by_role("button", name="Go on").click()
    page.get_by_role("button", name="Play the notes").click()
    page.get_by_role("button", name="It is comfortable").click()
    page.get_by_role("button", name="Leave it out").click()
    expect(page.locator("#set")).to_be_visible()
    up_to_first_trial(store, link)
    page.goto(f"{server.url}/listen/{link}")
    at(page, 1)
    hear_all(page)
    page.goto(f"{server.url}/listen/{link}/withdraw")
    assert {urlsplit(address).netloc for address in asked} == {urlsplit(server.url).netloc}
    assert context.cookies() == []
    assert page.evaluate("document.cookie") == ""
    context.close()


def test_the_open_link_sets_its_one_cookie_after_the_press_that_announces_it(
    chromium: Browser, server: Server, store: Store
) -> None:
    study = build(store, procedures=("abx",), votes=1, listeners=1)
    context = chromium.new_context()
    page = context.new_page()
    page.goto(f"{server.url}/join/{study.open_link}")
    assert context.cookies() == []
    expect(page.get_by_text("will keep one cookie")).to_be_visible()
    page.get_by_role("button", name="Go to the first page").click()
    page.wait_for_url("**/listen/*")
    (cookie,) = context.cookies()
    assert cookie["path"] == f"/join/{study.open_link}", "and it goes to no other page"
    assert cookie["httpOnly"]
    context.close()
