"""What the booth costs a listener's browser: figures, in real Chromium on a real server.

    PYTHONPATH=tests/booth:tests/browser python tests/bench/booth.py

- time to the first playable trial: from opening the link until the samples can be pressed, 10 s
  stereo clips at 48 kHz, a line of 10 Mbit/s with 40 ms there and back (Chromium's own throttle).
  Peer: the time its bytes of sound alone take on that line;
- switching: from the press (the event's own time) to the middle of the crossfade in what Chromium
  plays, by a tap beside the output. Peer: one block of 128 frames, the grain of Web Audio;
- memory: the page's heap after 10 and after 100 trials, rubbish collected. The ratio is the figure.

Nothing is asserted: read the figures.
"""

from __future__ import annotations

import shutil
import statistics
import tempfile
import time
from pathlib import Path

from booth_pages import at, up_to_first_trial
from playwright.sync_api import Browser, Page, sync_playwright
from real_server import Server
from small_study import RATE, build

from panel.settings import load
from panel.store.opening import open_store
from panel.store.session import Store

LINE = {"offline": False, "latency": 40, "downloadThroughput": 10e6 / 8,
        "uploadThroughput": 10e6 / 8}  # fmt: skip
SWITCHES = 15

TAP = """
async () => {
  const code = `registerProcessor("tap", class extends AudioWorkletProcessor {
    process(inputs) {
      const sound = inputs[0].length ? inputs[0][0].slice() : new Float32Array(128);
      this.port.postMessage([currentFrame, sound]);
      return true;
    }
  })`;
  const address = URL.createObjectURL(new Blob([code], { type: "text/javascript" }));
  const connect = AudioNode.prototype.connect;
  window.blocks = [];
  window.presses = [];
  const Kept = window.AudioContext;
  window.AudioContext = class extends Kept {
    constructor(...all) { super(...all); window.context = this; }
  };
  window.tapped = async () => {
    await context.audioWorklet.addModule(address);
    const tap = new AudioWorkletNode(context, "tap");
    connect.call(tap, context.destination);
    tap.port.onmessage = ({ data }) => blocks.push(data);
    AudioNode.prototype.connect = function (to, ...more) {
      if (to === context.destination) connect.call(this, tap);
      return connect.call(this, to, ...more);
    };
  };
  addEventListener("keydown", (event) => {
    // Where the sound is at the moment of the press: its clock now, less the time since.
    presses.push(context.currentTime - (performance.now() - event.timeStamp) / 1000);
  }, true);
}
"""
# Levels of the two samples differ, so that the envelope tells which is heard.
LATENCIES = """
() => {
  const length = blocks.at(-1)[0] + 128 - blocks[0][0];
  const first = blocks[0][0];
  const sound = new Float32Array(length);
  for (const [frame, block] of blocks) sound.set(block, frame - first);
  const rate = context.sampleRate;
  return presses.map((pressed) => {
    const from = Math.round(pressed * rate) - first;
    const level = (i) => {
      let top = 0;
      for (let k = i; k < i + 96; k += 1) top = Math.max(top, Math.abs(sound[k] ?? 0));
      return top;
    };
    const before = level(from - 480), after = level(from + 4800);
    const middle = (before + after) / 2;
    if (Math.abs(before - after) < 0.02) return null;
    for (let i = from - 96; i < from + 4800; i += 12) {
      if ((level(i) - middle) * (before - middle) < 0) return (i + 48 - from) / rate * 1000;
    }
    return null;
  });
}
"""


def two_levels(take: str, excerpt: str, length_s: float):  # type: ignore[no-untyped-def]
    import numpy as np

    seconds = np.arange(round(length_s * RATE)) / RATE
    level = 0.1 if take in ("t01", "t02") else 0.3
    sound = level * np.sin(2 * np.pi * 1000 * seconds)
    return np.repeat(sound[:, None], 2, axis=1)


def first_playable(browser: Browser, server: Server, store: Store, procedure: str) -> None:
    link = build(store, procedures=(procedure,), votes=1, length_s=10.0).links[0]
    up_to_first_trial(store, link)
    context = browser.new_context()
    page = context.new_page()
    session = context.new_cdp_session(page)
    session.send("Network.enable")
    session.send("Network.emulateNetworkConditions", LINE)
    begun = time.perf_counter()
    page.goto(f"{server.url}/listen/{link}")
    at(page, 1)
    took = time.perf_counter() - begun
    sound = page.locator("#samples button").count() * 10 * RATE * 2 * 3
    ideal = sound * 8 / 10e6
    print(
        f"first playable trial, {procedure}: {took:.1f} s; its {sound / 1e6:.1f} MB of sound alone "
        f"take {ideal:.1f} s on this line: ratio {took / ideal:.2f}"
    )
    context.close()


def switching(browser: Browser, server: Server, store: Store) -> None:
    link = build(store, procedures=("preference",), votes=1, length_s=2.0, sound=two_levels).links[
        0
    ]
    up_to_first_trial(store, link)
    context = browser.new_context(bypass_csp=True)
    page = context.new_page()
    page.add_init_script(f"({TAP})()")
    page.goto(f"{server.url}/listen/{link}")
    at(page, 1)
    page.keyboard.press("1")
    page.wait_for_timeout(300)
    page.evaluate("tapped()")
    page.keyboard.press(" ")
    page.keyboard.press("1")
    page.wait_for_timeout(600)
    page.evaluate("presses.length = 0")
    for i in range(SWITCHES):
        page.keyboard.press("2" if i % 2 == 0 else "1")
        page.wait_for_timeout(250)
    found = [one for one in page.evaluate(LATENCIES) if one is not None]
    context.close()
    if not found:
        print("switching: the two takes of this trial are equally loud; run again")
        return
    middle = statistics.median(found)
    print(
        f"switching: median {middle:.1f} ms, worst {max(found):.1f} ms of {len(found)}; ratio to a "
        f"block of 128 frames ({128e3 / RATE:.1f} ms): {middle / (128e3 / RATE):.1f}"
    )


def heap(page: Page) -> int:
    session = page.context.new_cdp_session(page)
    session.send("HeapProfiler.collectGarbage")
    session.send("HeapProfiler.collectGarbage")
    used = session.send("Runtime.getHeapUsage")
    session.detach()
    return int(used["usedSize"] + used.get("backingStorageSize", 0))


def memory(browser: Browser, server: Server, store: Store) -> None:
    link = build(store, procedures=("preference",), votes=101, length_s=1.0).links[0]
    up_to_first_trial(store, link)
    context = browser.new_context()
    page = context.new_page()
    page.goto(f"{server.url}/listen/{link}")
    sizes = {}
    for number in range(1, 101):
        at(page, number)
        for key in "12":
            page.keyboard.press(key)
            page.wait_for_timeout(60)
        page.locator("#answers input").first.check()
        page.evaluate("document.querySelector('#answer').requestSubmit()")
        while page.locator("#trouble").is_visible():  # asked to listen: hear both for long enough
            for key in "12":
                page.keyboard.press(key)
                page.wait_for_timeout(800)
            page.wait_for_timeout(500)
            page.evaluate("document.querySelector('#answer').requestSubmit()")
            page.wait_for_timeout(50)
            if not page.locator("#count").inner_text().startswith(f"{number} "):
                break
        if number in (10, 100):
            at(page, number + 1)
            sizes[number] = heap(page)
    context.close()
    print(
        f"memory: {sizes[10] / 1e6:.1f} MB after 10 trials, {sizes[100] / 1e6:.1f} MB after 100: "
        f"ratio {sizes[100] / sizes[10]:.2f}"
    )


def main() -> None:
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        server = Server(Path(folder))
        server.start()
        store = open_store(load(data=Path(folder)))
        browser = playwright.chromium.launch(
            executable_path=path, args=["--no-sandbox", "--disable-gpu"]
        )
        for procedure in ("preference", "abx"):
            first_playable(browser, server, store, procedure)
        switching(browser, server, store)
        memory(browser, server, store)
        browser.close()
        server.stop()


if __name__ == "__main__":
    main()
