"""The booth for whoever cannot see it well, cannot use a mouse, or wants no motion: what a program
like axe does not notice. WCAG 2.2's numbers stand beside the checks."""

from collections.abc import Callable, Iterator

import pytest
from booth_pages import PATIENCE, at, expect_kept, fits, opened, up_to_first_trial, votes_of
from playwright.sync_api import Browser, BrowserContext, Page, expect
from real_server import Server
from small_study import build

from panel.stages.listen import visit
from panel.store.session import Store

pytestmark = pytest.mark.browser

# Whatever is rendered and may be pressed, typed into or moved.
CONTROLS = "button, input, textarea, select, summary, a[href]"
FOCUSED = """() => {
  const on = document.activeElement;
  const style = getComputedStyle(on);
  const around = on.closest("label") ?? on;
  return {
    name: on.value && on.type === "radio" ? `answer ${on.value}` : on.id || on.innerText.trim(),
    ring: [style, getComputedStyle(around)].some((one) => parseFloat(one.outlineWidth) >= 2
      && one.outlineStyle !== "none"),
  };
}"""
MOVING = """() => [...document.querySelectorAll("*")].flatMap((one) =>
  ["", "::before", "::after"].map((part) => getComputedStyle(one, part || null))
    .filter((style) => style.transitionDuration.split(", ").some((time) => parseFloat(time) > 0)
      || style.animationName !== "none" || style.scrollBehavior === "smooth")
    .map(() => one.outerHTML.slice(0, 80)))"""
SMALL = """(controls) => [...document.querySelectorAll(controls)]
  .map((one) => [one.closest(".choices label, .answers label") ?? one, one])
  .filter(([target]) => target.checkVisibility())
  .map(([target, one]) => [target.getBoundingClientRect(), one])
  .filter(([box]) => box.width < 24 || box.height < 24)
  .map(([, one]) => one.outerHTML.slice(0, 80))"""


@pytest.fixture
def window(chromium: Browser) -> Iterator[Callable[..., Page]]:
    """A function that opens an empty page in a window of its own."""
    contexts: list[BrowserContext] = []

    def make(**more: object) -> Page:
        contexts.append(chromium.new_context(**more))  # type: ignore[arg-type]
        return contexts[-1].new_page()

    yield make
    for context in contexts:
        context.close()


def first_trial(store: Store, procedure: str = "abx", **more: object) -> str:
    study = build(store, procedures=(procedure,), votes=1, listeners=1, length_s=1.0, **more)  # type: ignore[arg-type]
    return up_to_first_trial(store, study.links[0])


def tab_to(page: Page, name: str) -> list[str]:
    """Press Tab until the control of that name has the focus; what was passed on the way."""
    passed: list[str] = []
    for _ in range(40):
        page.keyboard.press("Tab")
        on = page.evaluate(FOCUSED)
        passed.append(on["name"])
        assert on["ring"], f"nothing shows that {on['name']} has the focus (2.4.7)"
        if on["name"] == name:
            return passed
    raise AssertionError(f"{name} cannot be reached by Tab: {passed}")


def test_a_whole_trial_by_keyboard_alone(
    window: Callable[..., Page], server: Server, store: Store
) -> None:
    """2.1.1, 2.4.3, 2.4.7: by Tab, Space and Enter only, none of the shortcuts."""
    link = first_trial(store)
    page = window()
    opened(page, server, link)
    at(page, 1)
    for _ in range(5):  # a busy machine may make the sound stumble: then all are heard again
        for name in ("One", "Two", "Three"):
            page.locator("#question").focus()
            tab_to(page, name)
            button = page.get_by_role("button", name=name, exact=True)
            if button.get_attribute("aria-pressed") != "true":
                page.keyboard.press("Space")
            expect(button).to_have_attribute("aria-pressed", "true", timeout=PATIENCE)
            page.wait_for_timeout(850)
        if not page.locator("#disturbed").is_visible():
            break
    tab_to(page, "stop")
    page.keyboard.press("Enter")
    expect(page.locator("#playing")).to_have_text("Stopped.")
    passed = tab_to(page, "Repeat a part")
    assert passed[0] == "quieter", "the order on the page is the order of Tab"
    page.keyboard.press("Enter")
    tab_to(page, "from")
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    expect(page.locator("#from-time")).to_have_text("0.3 s")
    tab_to(page, "answer one")
    page.keyboard.press("Space")
    page.keyboard.press("ArrowDown")
    expect(page.get_by_role("radio", name="Three is the same as two")).to_be_checked()
    tab_to(page, "keep")
    page.keyboard.press("Enter")
    at(page, 2)
    expect_kept(store, link, [(1, 1)])
    assert votes_of(store, link)[0].plays >= 3
    assert page.evaluate("document.activeElement.id") == "question", "the next set is read out"


def test_every_control_has_a_role_and_a_name(
    window: Callable[..., Page], server: Server, store: Store
) -> None:
    """4.1.2, 2.5.3: what a screen reader says of the deck, written out, and nothing beside it."""
    page = window()
    ask = {"ties": True, "reasons": True, "attributes": ["attack", "sustain"]}
    opened(page, server, first_trial(store, "preference", preference=ask))
    at(page, 1)
    for summary in page.locator("summary").all():
        summary.click()
    page.locator("#samples button").first.click()
    page.locator("#from").fill("0.2")
    expect(page.locator("#restart")).to_be_visible()
    said = [
        ("button", "One"), ("button", "Two"), ("button", "Stop"), ("button", "From the start"),
        ("button", "Quieter"), ("button", "Louder"), ("slider", "From"), ("slider", "To"),
        ("button", "Back to the whole"), ("button", "take a break"),
        ("button", "Keep this answer"), ("radio", "I prefer sample one"),
        ("radio", "I prefer sample two"), ("radio", "Neither: I like both equally"),
        ("checkbox", "attack"), ("checkbox", "sustain"),
        ("textbox", "Why, in your own words (if you like; leave out names)"),
        ("link", "Take back my consent"),
    ]  # fmt: skip
    snapshot = page.locator("body").aria_snapshot()
    for role, name in said:
        found = page.get_by_role(role, name=name, exact=True)  # type: ignore[arg-type]
        assert found.count() == 1, f"{role} “{name}” is not there once:\n{snapshot}"
    # A summary is a disclosure: Chromium gives it no role that could be asked for.
    summaries = page.locator("summary").all_inner_texts()
    assert [text.strip("+− ") for text in summaries] == ["Repeat a part", "Keys"]
    rendered = page.evaluate(
        "c => [...document.querySelectorAll(c)].filter((one) => one.checkVisibility()).length",
        CONTROLS,
    )
    assert rendered == len(said) + len(summaries), snapshot
    expect(page.get_by_role("group", name="Samples", exact=True)).to_be_visible()
    expect(page.get_by_role("group", name="Volume of all samples")).to_be_visible()
    expect(page.get_by_role("group", name="Your answer")).to_be_visible()
    expect(page.get_by_role("heading", level=1)).to_have_count(1)
    assert page.get_by_role("slider", name="From").get_attribute("aria-valuetext") == "0.2 seconds"
    # The samples' own names say the place and nothing else.
    assert page.locator("#samples button").evaluate_all(
        "all => all.flatMap((one) => one.getAttributeNames())"
        ".filter((name) => !['type', 'class', 'aria-pressed'].includes(name))"
    ) == []  # fmt: skip


def test_what_changes_by_itself_is_read_out(
    window: Callable[..., Page], server: Server, store: Store
) -> None:
    """4.1.3: playing, saved, volume and what goes wrong are live regions, there from the start."""
    link = first_trial(store)
    page = window()
    opened(page, server, link)
    at(page, 1)
    live = page.evaluate(
        """() => Object.fromEntries(["playing", "saved", "loudness", "disturbed", "trouble"].map(
          (id) => [id, document.getElementById(id).getAttribute("aria-live")
            ?? document.getElementById(id).role]))"""
    )
    assert live == {
        "playing": "status", "saved": "status", "loudness": "polite", "disturbed": "alert",
        "trouble": "alert",
    }  # fmt: skip
    page.locator("#samples button").nth(1).click()
    expect(page.get_by_role("status").filter(has_text="Playing: Two.")).to_be_visible()
    page.wait_for_timeout(300)
    page.evaluate("navigator.mediaDevices.dispatchEvent(new Event('devicechange'))")
    expect(page.get_by_role("alert").filter(has_text="Something interrupted")).to_be_visible()
    page.get_by_role("button", name="Keep this answer").click()
    expect(page.get_by_role("alert").filter(has_text="Please choose an answer")).to_be_visible()
    expect(page.get_by_role("radio").first).to_be_focused()


def screens(page: Page, server: Server, store: Store, look: Callable[[], None]) -> None:
    """Level, check and trial, with everything on them opened."""
    study = build(store, procedures=("triangle",), votes=1, listeners=1, length_s=1.0)
    link = study.links[0]
    visit.consent(store, link)
    visit.declare_playback(store, link, "headphones", 48_000)
    opened(page, server, link)
    expect(page.locator("#play")).to_be_enabled(timeout=PATIENCE)
    look()
    visit.mark_done(store, link, "level")
    page.reload()
    look()
    page.locator("#begin").click()
    expect(page.locator("#during")).to_be_visible(timeout=PATIENCE)
    look()
    up_to_first_trial(store, link)
    page.reload()
    at(page, 1)
    for summary in page.locator("summary").all():
        if summary.is_visible():
            summary.click()
    page.locator("#keep").click()
    expect(page.locator("#trouble")).to_be_visible()
    look()


def test_nothing_moves_for_whoever_wants_no_motion(
    window: Callable[..., Page], server: Server, store: Store
) -> None:
    """2.3.3, and that the question is asked at all: with motion allowed something does move."""
    calm = window(reduced_motion="reduce")
    screens(calm, server, store, lambda: _none(calm.evaluate(MOVING)))
    lively = window(reduced_motion="no-preference")
    opened(lively, server, first_trial(store))
    at(lively, 1)
    assert lively.evaluate(MOVING) != []


def _none(found: list[str]) -> None:
    assert found == []


@pytest.mark.parametrize(
    ("width", "scale"), [(640, 2), (320, 4)], ids=["200 % of 1280", "400 % of 1280"]
)
def test_the_screens_fit_when_enlarged(
    window: Callable[..., Page], server: Server, store: Store, width: int, scale: int
) -> None:
    """1.4.4, 1.4.10: no scrolling sideways; 2.5.8: no target below 24 px by 24 px."""
    page = window(viewport={"width": width, "height": 256 * 4 // scale},
                  device_scale_factor=scale)  # fmt: skip

    def look() -> None:
        fits(page)
        clipped = page.evaluate("""() => [...document.querySelectorAll("main *")]
          .filter((one) => one.checkVisibility() && !one.closest(".visually-hidden"))
          .filter((one) => one.scrollWidth > one.clientWidth + 1 && one.clientWidth > 0
            && !["inline"].includes(getComputedStyle(one).display))
          .map((one) => one.outerHTML.slice(0, 80))""")
        assert clipped == []
        assert page.evaluate(SMALL, CONTROLS) == []

    screens(page, server, store, look)
