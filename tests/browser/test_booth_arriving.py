"""Sound that is played while it still arrives is the clip, frame by frame, and what cannot arrive
is fetched anew."""

import io

import numpy as np
import pytest
import soundfile
from booth_pages import answer, at, expect_kept, hear_all, opened, up_to_first_trial
from captured import captured
from playwright.sync_api import Browser
from real_server import Server
from small_study import RATE, build

from panel.store.session import Store

pytestmark = pytest.mark.browser

LENGTH_S = 4.0
LINE = {"offline": False, "latency": 5, "downloadThroughput": 7e6 / 8,
        "uploadThroughput": 7e6 / 8}  # fmt: skip

PLAY_ARRIVING = """
async (player, { addresses, rate, length }) => {
  const { arriving } = await import("/static/booth/arriving.js");
  const samples = await arriving(addresses, rate);
  const early = !samples.complete;
  player.load(samples);
  await player.play(0);
  await new Promise((done) => setTimeout(done, 1000 * (length + 1.5)));
  player.stop();
  return { early, complete: samples.complete, disturbed: player.disturbances };
}
"""


def rising_tone(take: str, excerpt: str, length_s: float) -> np.ndarray:
    """A tone that never repeats a stretch of itself, so that each frame tells its place."""
    seconds = np.arange(round(length_s * RATE)) / RATE
    pitch = 200.0 if take in ("t01", "t02") else 300.0
    sound = 0.2 * np.sin(2 * np.pi * (pitch * seconds + 40 * seconds**2))
    return np.repeat(sound[:, None], 2, axis=1)


def test_what_is_played_while_it_arrives_is_the_clip(
    chromium: Browser, server: Server, store: Store
) -> None:
    study = build(store, procedures=("preference",), votes=1, length_s=LENGTH_S, sound=rising_tone)
    link = up_to_first_trial(store, study.links[0])
    context = chromium.new_context(bypass_csp=True)  # the tap is the test's, not the page's
    page = context.new_page()
    page.set_default_timeout(90_000)
    page.goto(f"{server.url}/listen/{link}/withdraw")
    page.mouse.click(5, 5)  # a browser lets sound out only after a gesture
    address = f"{server.url}/listen/{link}/trial"
    # The same print may be fetched once only: keep what went over the line, as the oracle.
    dealt = page.request.post(address, data={}).json()
    page.evaluate("""
      () => {
        window.went = [];
        const ask = window.fetch;
        window.fetch = async (...all) => {
          const answer = await ask(...all);
          window.went.push(answer.clone().arrayBuffer());
          return answer;
        };
      }
    """)
    session = context.new_cdp_session(page)
    session.send("Network.enable")
    session.send("Network.emulateNetworkConditions", LINE)
    got, sound = captured(
        page, PLAY_ARRIVING,
        addresses=dealt["samples"], rate=dealt["rate"], length=LENGTH_S,
    )  # fmt: skip
    wav = bytes(page.evaluate("async () => Array.from(new Uint8Array(await went[0]))"))
    context.close()
    assert got["early"], "it was played before it was all there"
    assert got["complete"]
    assert got["disturbed"] == {}
    clip = soundfile.read(io.BytesIO(wav), dtype="float32")[0][:, 0]
    begin = int(np.flatnonzero(sound)[0])
    start = next(
        place
        for place in range(max(0, begin - 5), begin + 1)
        if np.array_equal(sound[place : place + RATE // 2], clip[: RATE // 2])
    )
    looped = np.concatenate((clip, clip))[: len(clip) + RATE]
    apart = np.abs(sound[start : start + len(looped)] - looped)
    assert apart.max() <= 1e-9  # far below single precision: where pieces meet, at most


def test_a_line_that_breaks_while_sound_arrives_gives_the_same_set_once_more(
    chromium: Browser, server: Server, store: Store
) -> None:
    study = build(store, procedures=("preference",), votes=1, length_s=LENGTH_S)
    link = up_to_first_trial(store, study.links[0])
    context = chromium.new_context()
    page = context.new_page()
    page.add_init_script("""
      // The first two sounds break off after a bit more than a second, when snap() says so.
      let broken = 0;
      const snapped = new Promise((resolve) => { window.snap = resolve; });
      const ask = window.fetch;
      window.fetch = async (...all) => {
        const answer = await ask(...all);
        if (!String(all[0]).includes("/sound/") || broken >= 2) return answer;
        broken += 1;
        const bytes = await answer.arrayBuffer();
        let sent = false;
        return new Response(new ReadableStream({
          async pull(control) {
            if (sent) {
              await snapped;
              control.error(new TypeError("gone"));
            } else {
              sent = true;
              control.enqueue(new Uint8Array(bytes.slice(0, 400000)));
            }
          },
        }, { highWaterMark: 0 }));
      };
    """)
    opened(page, server, link)
    at(page, 1)
    page.locator("#samples button").first.click()
    page.evaluate("""
      () => {
        window.hidings = 0;
        const set = document.getElementById("set");
        new MutationObserver(() => { if (set.hidden) hidings += 1; })
          .observe(set, { attributeFilter: ["hidden"] });
        snap();
      }
    """)
    page.wait_for_function("() => hidings === 1")
    at(page, 1)
    hear_all(page)
    answer(page, 1)
    at(page, 2)
    expect_kept(store, link, [(1, 1)])
    context.close()
