"""What Chromium plays is the clip, and switching between samples does not click.

Captured in real time by a worklet beside the sound output, on the booth's own player.
"""

import numpy as np
import pytest
from captured import captured
from playwright.sync_api import Browser
from real_server import Server
from small_study import RATE, build, tone
from sqlmodel import select

from panel.stages.listen import visit
from panel.store.session import Store
from panel.store.tables import Trial

pytestmark = pytest.mark.browser

LENGTH_S = 1.0
LSB = 2.0**-23
DITHERED = 1.5 * LSB  # TPDF dither reaches one LSB either way, rounding half of one

PLAY_BOTH = """
async (player, { addresses, rate }) => {
  const { fetched } = await import("/static/booth/player.js");
  const buffers = await fetched(addresses, rate);
  player.load(buffers);
  await player.play(0);
  await new Promise((done) => setTimeout(done, 2400));
  await player.play(1);
  await new Promise((done) => setTimeout(done, 1600));
  player.stop();
  return { buffers: buffers.map((one) => Array.from(one.getChannelData(0))) };
}
"""


def test_what_is_played_is_the_clip_and_a_switch_does_not_click(
    chromium: Browser, server: Server, store: Store
) -> None:
    link = build(store, procedures=("preference",), votes=1, length_s=LENGTH_S).links[0]
    visit.consent(store, link)
    visit.mark_done(store, link, "practice:preference")
    context = chromium.new_context(bypass_csp=True)  # the tap is the test's, not the page's
    page = context.new_page()
    page.set_default_timeout(90_000)
    page.goto(f"{server.url}/static/mark.svg")
    dealt = page.request.post(f"{server.url}/listen/{link}/trial", data={}).json()
    page.goto(f"{server.url}/listen/{link}")
    page.mouse.click(5, 5)  # a browser lets sound out only after a gesture
    got, sound = captured(page, PLAY_BOTH, addresses=dealt["samples"], rate=dealt["rate"])
    context.close()

    with store.session() as s:
        trial = s.exec(select(Trial).where(Trial.number == 1)).one()
    assert got["rate"] == RATE, "the sound engine must run at the clip's own rate"
    slots = [np.array(one) for one in got["buffers"]]
    for decoded, take in zip(slots, trial.slots, strict=True):
        clip = tone(take, trial.excerpt_key, LENGTH_S)[:, 0]
        assert len(decoded) == len(clip)
        # To within the dither of a 24-bit print, and single precision's own rounding.
        assert np.abs(decoded - clip).max() <= DITHERED + 2**-24

    # Where does it begin? The clips rise from silence: look for the place that fits exactly.
    begin = int(np.flatnonzero(sound)[0])
    first = slots[0].astype(np.float32)
    start = next(
        start
        for start in range(begin - 400, begin + 1)
        if start >= 0 and np.array_equal(sound[start : start + RATE], first)
    )
    frames = np.arange(len(sound) - start)
    looped = [slot[frames % len(slot)] for slot in slots]
    played = sound[start:]
    apart = [np.abs(played - one) for one in looped]
    switched = int(np.flatnonzero(apart[0] > 1e-6)[0])
    assert switched > 2 * RATE, "the first sample is played bit by bit until the switch"
    settled = switched + round(0.022 * RATE)
    stopped = settled + RATE
    assert apart[1][settled:stopped].max() == 0, "then the second, from the very same place"
    # In between: gains that sum to one, so that the sound stays within the two.
    fade = slice(switched, settled)
    low, high = np.minimum(*looped)[fade] - 1e-6, np.maximum(*looped)[fade] + 1e-6
    assert (played[fade] >= low).all()
    assert (played[fade] <= high).all()
    # No jump beyond the material's own: a hard switch would exceed it many times over.
    own = max(np.abs(np.diff(one[switched - RATE // 10 : settled + RATE // 10])).max()
              for one in looped)  # fmt: skip
    assert np.abs(np.diff(played[switched - 10 : settled + 10])).max() <= 1.1 * own
