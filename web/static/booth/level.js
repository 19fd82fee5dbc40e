// The level reference: plucked notes as loud as the samples will be, starting softly.

import { $, ask, calm, canPlay, CANNOT_PLAY, patiently, trouble } from "./asking.js";
import { loudness } from "./loudness.js";
import { fetched, Player } from "./player.js";
import { _ } from "./words.js";

const player = new Player();
loudness(player);

async function ready() {
  const buffers = await patiently(async () => {
    const { rate, samples } = await ask("reference");
    return fetched(samples, rate);
  });
  player.load(buffers);
  calm();
  $("status").textContent = "";
  $("play").disabled = false;
}

$("play").addEventListener("click", async () => {
  if (player.playing) {
    player.stop();
  } else {
    await player
      .play(0)
      .catch(() => trouble(_("This browser would not let the sound out. Press once more.")));
    $("onwards").disabled = false;
  }
});
player.addEventListener("change", () => {
  $("play").setAttribute("aria-pressed", String(player.playing));
  $("play").textContent = player.playing ? _("Stop the notes") : _("Play the notes");
});

if (canPlay) await ready().catch((error) => trouble(error.message));
else trouble(CANNOT_PLAY);
