"""What Chromium plays, captured in real time by a worklet beside the sound output."""

from typing import Any

import numpy as np
from playwright.sync_api import Page

CAPTURE = """
async ([play, given]) => {
  const { Player } = await import("/static/booth/player.js");
  const worklet = `registerProcessor("tap", class extends AudioWorkletProcessor {
    process(inputs) {
      const sound = inputs[0].length ? inputs[0][0].slice() : new Float32Array(128);
      this.port.postMessage([currentFrame, sound]);
      return true;
    }
  })`;
  const module = URL.createObjectURL(new Blob([worklet], { type: "text/javascript" }));
  const player = new Player();
  player.load([new AudioBuffer({ length: 4800, sampleRate: given.rate })]);
  await player.play(0);      // makes the sound context
  player.stop();
  await new Promise((done) => setTimeout(done, 200));
  const { context } = player;
  await context.audioWorklet.addModule(module);
  const tap = new AudioWorkletNode(context, "tap");
  const silent = new GainNode(context, { gain: 0 });
  tap.connect(silent).connect(context.destination);
  const blocks = [];
  tap.port.onmessage = ({ data }) => blocks.push(data);
  const connect = AudioNode.prototype.connect;
  AudioNode.prototype.connect = function (to, ...more) {
    if (to === context.destination) connect.call(this, tap);
    return connect.call(this, to, ...more);
  };
  const told = await eval(play)(player, given);
  await new Promise((done) => setTimeout(done, 300));
  const first = blocks[0][0];
  const sound = new Float32Array(blocks.at(-1)[0] - first + 128);
  for (const [frame, block] of blocks) sound.set(block, frame - first);
  return { told, rate: context.sampleRate, sound: Array.from(sound) };
}
"""


def captured(page: Page, play: str, **given: object) -> tuple[dict[str, Any], np.ndarray]:
    """Run `play`, the text of an async function of (the booth's own player, `given`).

    `given` holds at least the clips' `rate`, Hz. Returns what the function returned, with the
    `rate` of the sound engine, Hz; and the first channel of all that was played, shape (frames,),
    single precision. The page must be of a context that bypasses its content security policy.
    """
    got = page.evaluate(CAPTURE, [play, given])
    return got["told"] | {"rate": got["rate"]}, np.array(got["sound"], dtype=np.float32)
