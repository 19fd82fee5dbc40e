"""What comes between a listener and the sound is noticed, recorded, and the set offered again."""

import re
from collections.abc import Callable, Iterator

import pytest
from booth_pages import (
    PATIENCE,
    answer,
    at,
    expect_kept,
    hear_all,
    opened,
    up_to_first_trial,
    votes_of,
)
from playwright.sync_api import Browser, Page, expect
from real_server import Server
from small_study import build

from panel.store.session import Store

pytestmark = pytest.mark.browser

# Keeps the sound engines that a page makes, for the test to lay hands on.
KEEP_CONTEXTS = """
  window.contexts = [];
  const Kept = window.AudioContext;
  window.AudioContext = class extends Kept {
    constructor(...options) { super(...options); window.contexts.push(this); }
  };
"""
# A node in the sound's own thread that does nothing for half a second.
STALL = """
async () => {
  const context = contexts.at(-1);
  const code = `registerProcessor("stall", class extends AudioWorkletProcessor {
    process() { const begun = Date.now(); while (Date.now() - begun < 500); return false; }
  })`;
  const address = URL.createObjectURL(new Blob([code], { type: "text/javascript" }));
  await context.audioWorklet.addModule(address);
  new AudioWorkletNode(context, "stall").connect(context.destination);
}
"""


@pytest.fixture
def first_trial(
    chromium: Browser, server: Server, store: Store
) -> Iterator[Callable[..., tuple[Page, str]]]:
    """A function that opens the first of two trials of a new study, the given script run before
    the page's own."""
    contexts = []

    def open_it(script: str = KEEP_CONTEXTS) -> tuple[Page, str]:
        link = build(store, procedures=("preference",), votes=1, listeners=1).links[0]
        up_to_first_trial(store, link)
        context = chromium.new_context(bypass_csp=True)  # the stall is the test's, not the page's
        contexts.append(context)
        page = context.new_page()
        page.add_init_script(script)
        opened(page, server, link)
        return page, link

    yield open_it
    for context in contexts:
        context.close()


def suspend(page: Page) -> None:
    page.evaluate("contexts.at(-1).suspend()")


def change_device(page: Page) -> None:
    page.evaluate("navigator.mediaDevices.dispatchEvent(new Event('devicechange'))")


def put_away(page: Page) -> None:
    """As a tab in the background; headless Chromium has no background to put a page into."""
    page.evaluate("""
      Object.defineProperty(document, "hidden", { get: () => true, configurable: true });
      document.dispatchEvent(new Event("visibilitychange"));
      delete document.hidden;
    """)


def stall(page: Page) -> None:
    page.evaluate(STALL)


@pytest.mark.parametrize(
    ("disturb", "note"),
    [
        (suspend, "interruptions"),
        (change_device, "device_changed"),
        (put_away, "hidden"),
        (stall, "glitches"),
    ],
)
def test_a_disturbed_set_is_offered_again_and_it_is_recorded(
    first_trial: Callable[..., tuple[Page, str]],
    store: Store,
    disturb: Callable[[Page], None],
    note: str,
) -> None:
    page, link = first_trial()
    at(page, 1)
    hear_all(page)
    disturb(page)
    expect(page.locator("#disturbed")).to_contain_text("interrupted the sound", timeout=PATIENCE)
    # An answer now would be one before listening: the booth asks first.
    page.locator("#answers input").nth(0).check()
    page.locator("#keep").click()
    expect(page.locator("#trouble")).to_contain_text(
        "Please listen to these as well before you answer: One and Two"
    )
    assert votes_of(store, link) == []
    hear_all(page)
    expect(page.locator("#disturbed")).to_be_hidden()
    page.locator("#keep").click()
    at(page, 2)
    expect_kept(store, link, [(1, 0)])
    notes = votes_of(store, link)[0].notes
    assert notes[note] >= 1
    assert notes["heard_before"] > 0.5
    assert "unheard" not in notes
    assert min(notes["heard"]) > 0.3


def test_media_keys_stop_and_go_on_and_tell_nothing(
    first_trial: Callable[..., tuple[Page, str]], store: Store
) -> None:
    page, link = first_trial("""
      window.keys = {};
      const take = MediaSession.prototype.setActionHandler;
      MediaSession.prototype.setActionHandler = function (action, handler) {
        window.keys[action] = handler;
        return take.call(this, action, handler);
      };
    """)
    at(page, 1)
    playing = page.locator("#samples [aria-pressed=true]")
    page.evaluate("keys.play()")
    expect(playing).to_have_text("One")
    page.evaluate("keys.play()")  # again: nothing starts a second time
    page.keyboard.press("2")
    expect(playing).to_have_text("Two")
    page.evaluate("keys.pause()")
    expect(playing).to_have_count(0)
    page.evaluate("keys.play()")
    expect(playing).to_have_text("Two")
    assert page.evaluate("navigator.mediaSession.metadata") is None
    assert re.fullmatch(r"1 of 2 · Fair Hearing", page.title())
    hear_all(page)
    page.evaluate("keys.stop()")
    answer(page, 1)
    at(page, 2)
    expect_kept(store, link, [(1, 1)])


def test_a_browser_that_blocks_sound_is_told_of_and_the_press_tried_again(
    first_trial: Callable[..., tuple[Page, str]],
) -> None:
    page, _ = first_trial("""
      window.blocked = true;
      const state = Object.getOwnPropertyDescriptor(BaseAudioContext.prototype, "state").get;
      Object.defineProperty(BaseAudioContext.prototype, "state", {
        get() { return window.blocked ? "suspended" : state.call(this); },
      });
      const resume = AudioContext.prototype.resume;
      AudioContext.prototype.resume = function () {
        return window.blocked ? new Promise(() => {}) : resume.call(this);
      };
    """)
    at(page, 1)
    page.locator("#samples button").first.click()
    expect(page.locator("#playing")).to_contain_text(
        "would not let the sound out", timeout=PATIENCE
    )
    page.evaluate("window.blocked = false")
    page.locator("#samples button").first.click()
    expect(page.locator("#samples [aria-pressed=true]")).to_have_text("One")


def test_a_browser_without_the_rate_resamples_and_it_is_recorded(
    first_trial: Callable[..., tuple[Page, str]], store: Store
) -> None:
    page, link = first_trial("""
      const Kept = window.AudioContext;
      window.AudioContext = class extends Kept {
        constructor(options) {
          if (options?.sampleRate) throw new DOMException("no such rate", "NotSupportedError");
          super({ sampleRate: 44100 });
        }
      };
    """)
    at(page, 1)
    hear_all(page)
    answer(page, 0)
    at(page, 2)
    expect_kept(store, link, [(1, 0)])
    assert votes_of(store, link)[0].notes["resampled_to"] == 44_100


def test_sound_that_cannot_be_decoded_gets_a_sentence_and_loses_nothing(
    first_trial: Callable[..., tuple[Page, str]], store: Store
) -> None:
    page, link = first_trial("""
      const ask = window.fetch;
      window.fetch = async (...all) => {
        const spoilt = !location.search && String(all[0]).includes("/sound/");
        return spoilt ? new Response(new Uint8Array(50000)) : ask(...all);
      };
    """)
    expect(page.locator("#trouble")).to_contain_text("could not decode it", timeout=PATIENCE)
    assert votes_of(store, link) == []
    page.goto(page.url + "?again")
    at(page, 1)


def test_a_browser_without_a_sound_engine_gets_a_sentence(
    first_trial: Callable[..., tuple[Page, str]],
) -> None:
    page, _ = first_trial("delete window.AudioContext; delete window.OfflineAudioContext;")
    expect(page.locator("#trouble")).to_contain_text("cannot play the samples", timeout=PATIENCE)
    expect(page.locator("#set")).to_be_hidden()
