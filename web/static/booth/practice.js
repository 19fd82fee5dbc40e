// Practice: an example that is in no study, and whether the answer was right.

import { $, ask, calm, canPlay, CANNOT_PLAY, patiently, trouble } from "./asking.js";
import { Deck } from "./deck.js";
import { fetched, Player } from "./player.js";
import { _, list } from "./words.js";

const player = new Player();
const deck = new Deck(player);
const kind = $("set").dataset.kind;
let example = null;

async function deal() {
  const dealt = await patiently(async () => {
    const made = await ask("practice", { kind });
    return { ...made, buffers: await fetched(made.samples, made.rate) };
  });
  example = dealt;
  $("question").textContent = dealt.question;
  deck.deal(dealt.buffers, dealt.answers, dealt.names);
  calm();
  $("feedback").hidden = true;
  $("onwards").hidden = true;
  $("set").hidden = false;
  $("keep").hidden = false;
  $("question").focus({ preventScroll: true });
}

async function keep() {
  if (!example) return;
  const { answer } = deck;
  if (!answer) {
    trouble(_("Please choose an answer first."));
    return;
  }
  const unheard = deck.unheard();
  if (unheard.length) {
    trouble(
      _("Please listen to these as well before you answer: {names}.", { names: list(unheard) }),
    );
    return;
  }
  calm();
  const asked = example;
  example = null;
  const outcome = await patiently(() => ask("practice/answer", { id: asked.id, answer })).catch(
    (error) => {
      trouble(error.message);
      return null;
    },
  );
  if (!outcome) return;
  const rightly = asked.answers.find(({ value }) => value === outcome.right)?.text;
  const words =
    outcome.correct === null
      ? _("There is no right or wrong here: what you like is the answer.")
      : outcome.correct
        ? _("That is right.")
        : _("Not this time. Right would have been: {rightly}. Play them again and listen for it.", {
            rightly,
          });
  $("feedback").querySelector("p").textContent = words;
  $("feedback").hidden = false;
  $("keep").hidden = true;
  $("onwards").hidden = false;
  $("onwards").querySelector("button").focus();
}

$("answer").addEventListener("submit", (event) => {
  event.preventDefault();
  keep();
});
$("more").addEventListener("click", () => {
  player.stop();
  deal().catch((error) => trouble(error.message));
});

if (canPlay) await deal().catch((error) => trouble(error.message));
else trouble(CANNOT_PLAY);
