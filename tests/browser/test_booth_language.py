"""The booth in other languages: all of it follows the browser's, also one that runs from right to
left. A made-up catalogue puts every marked text in brackets, so whatever a page shows outside of
brackets was forgotten."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from babel.messages.pofile import write_po
from booth_pages import hear_all, up_to_practice
from looks import arrived, check_page
from marked_words import extracted
from playwright.sync_api import Browser, Page, expect
from real_server import Server
from small_study import ALL_PROCEDURES, SmallStudy, build

from panel.settings import load
from panel.stages.listen import visit
from panel.store.opening import open_store

pytestmark = pytest.mark.browser
PATIENCE = 60_000
# The organiser's own words, single keys, units and digits are nobody's to translate.
OWN = re.compile(
    r"Zither pickups, autumn|Larkfield Pickups|top end|Fair Hearing|\bdB\b|\bs\b"
    r"|\b[A-Z]\b"
)
TEXTS = """() => {
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const found = [];
  while (walker.nextNode()) {
    const { parentElement: inside, textContent: text } = walker.currentNode;
    if (!inside.closest("script, noscript") && text.trim()) {
      const whole = inside.closest("p, li, dd")
        ?? inside.closest("h1, h2, button, label, span, legend, summary, dt, a") ?? inside;
      found.push(whole.textContent.trim());
    }
  }
  for (const one of document.querySelectorAll("[aria-label]")) found.push(one.ariaLabel);
  return [...new Set([...found, document.title])];
}"""


def bracketed(folder: Path) -> None:
    """A catalogue for Arabic whose every text is the English one in brackets."""
    made = Catalog(locale="ar")
    for message in extracted():
        if not message.id:
            continue
        if isinstance(message.id, str):
            made.add(message.id, f"⟦{message.id}⟧", message.locations)
        else:
            made.add(message.id, (f"⟦{message.id[1]}⟧",) * made.num_plurals, message.locations)
    (folder / "ar").mkdir(parents=True)
    with (folder / "ar" / "booth.po").open("wb") as out:
        write_po(out, made)


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    words = tmp_path / "words"
    bracketed(words)
    (tmp_path / "data").mkdir()
    running = Server(
        tmp_path / "data",
        "from pathlib import Path\nfrom panel import translation\n"
        f"translation.WORDS = Path({str(words)!r})\ntranslation.languages.cache_clear()",
    )
    running.start()
    yield running
    running.stop()


def unmarked(page: Page) -> list[str]:
    """What is visible and stands in no brackets."""
    left = []
    for text in page.evaluate(TEXTS):
        bare = text
        while (less := re.sub(r"⟦[^⟦⟧]*⟧", "", bare)) != bare:
            bare = less
        if re.search(r"[A-Za-z]{2}", OWN.sub("", bare)):
            left.append(text)
    return left


def test_every_screen_follows_the_language_and_its_direction(
    server: Server, chromium: Browser
) -> None:
    store = open_store(load(data=server.data))
    study = build(store, votes=1, listeners=2)
    context = chromium.new_context(viewport={"width": 360, "height": 740}, locale="ar-EG")
    page = context.new_page()
    page.set_default_timeout(PATIENCE)

    def look() -> None:
        assert page.locator("html").get_attribute("dir") == "rtl"
        assert page.locator("html").get_attribute("lang") == "ar"
        assert unmarked(page) == [], page.url
        check_page(page)

    page.goto(f"{server.url}/join/{study.open_link}")
    look()
    page.goto(f"{server.url}/listen/{study.links[0]}")
    look()
    page.get_by_role("button", name="I agree").click()
    look()
    page.locator("input[value=loudspeakers]").check()
    page.locator(".button.go").click()
    page.locator("#play").click()
    look()
    page.locator("#onwards").click()
    look()
    page.locator("#begin").click()
    expect(page.locator("#during")).to_be_visible()
    look()
    page.goto(f"{server.url}/listen/{study.links[0]}/withdraw")
    look()

    # The second listener comes straight to the practice of each procedure, and its trials.
    link = study.links[1]
    up_to_practice(store, link)
    page.goto(f"{server.url}/listen/{link}")
    seen: set[str] = set()
    for _ in range(4 * len(ALL_PROCEDURES)):
        arrived(page)
        if page.locator("#remarks").count():
            break
        practising = page.locator("#set[data-kind]").count() > 0
        expect(page.locator("#samples button").first).to_be_visible()
        for summary in page.locator("summary").all():
            summary.click()
        hear_all(page)
        page.locator("#stop").click()
        heading = page.locator("#question").inner_text()
        if heading not in seen or practising:
            seen.add(heading)
            look()
        number = page.locator("#count").inner_text() if page.locator("#count").count() else ""
        page.locator("#answers input").first.check()
        page.locator("#keep").click()
        if practising:
            expect(page.locator("#onwards")).to_be_visible()
            look()
            page.locator("#onwards .button.go").click()
            page.wait_for_function("() => !document.querySelector('#set[data-kind]')")
        else:
            page.wait_for_function(
                "before => document.querySelector('#remarks, #set[data-kind]')"
                " || document.querySelector('#count')?.innerText !== before",
                arg=number,
            )
    look()
    page.locator(".button.go").click()
    look()
    page.goto(f"{server.url}/listen/{'x' * 27}")
    look()
    context.close()


def test_a_german_browser_is_met_in_german(tmp_path: Path, chromium: Browser) -> None:
    running = Server(tmp_path)
    running.start()
    context = chromium.new_context(locale="de-DE")
    try:
        store = open_store(load(data=tmp_path))
        study: SmallStudy = build(store, votes=1, listeners=1, procedures=("abx",))
        page = context.new_page()
        page.goto(f"{running.url}/listen/{study.links[0]}")
        expect(page.locator("html")).to_have_attribute("lang", "de")
        page.get_by_role("button", name="Einverstanden, fangen wir an").click()
        expect(page.get_by_role("heading", name="Worüber hören Sie?")).to_be_visible()
        up_to_practice(store, study.links[0])
        visit.mark_done(store, study.links[0], "practice:abx")
        page.goto(f"{running.url}/listen/{study.links[0]}")
        expect(page.locator("#question")).to_have_text("Mit welcher stimmt Probe drei überein?")
        expect(page.locator("#time")).to_have_text("0,0 von 0,5 s")
        page.locator("#keep").click()
        expect(page.locator("#trouble")).to_contain_text("Bitte wählen Sie zuerst eine Antwort")
        # Whoever reads none of our languages is met in English.
        other = chromium.new_context(locale="fi-FI")
        page = other.new_page()
        page.goto(f"{running.url}/listen/{study.links[0]}")
        expect(page.locator("html")).to_have_attribute("lang", "en")
        other.close()
    finally:
        context.close()
        running.stop()
