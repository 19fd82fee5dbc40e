// The trials: fetch a set, let it be heard, keep the answer, go on.

import { $, ask, calm, canPlay, CANNOT_PLAY, link, patiently, Refused, trouble } from "./asking.js";
import { Deck } from "./deck.js";
import { fetched, Player } from "./player.js";
import { newId, Queue } from "./queue.js";

const BREAK_AFTER_MS = 10 * 60 * 1000;
const LISTEN =
  "Listen as often as you like, in any order. If you cannot tell, choose one: a guess is a proper answer.";

const player = new Player();
const deck = new Deck(player);
const queue = new Queue(link);

let set = null; // the trial on screen
let coming = null; // promise of the one after it
let shownAt = 0;
let rested = 0; // ms of this trial spent in a break
let listenedSince = performance.now(); // last break, or the arrival
let notes = {};
let keeping = false;

queue.addEventListener("state", ({ detail }) => {
  const words = {
    sending: "saving …",
    saved: "saved",
    waiting: "will be sent when the connection is back",
  };
  if (words[detail]) $("saved").textContent = words[detail];
  // Answered already (another tab, another device), or the study is closed: ask where we stand.
  if (detail === "refused") location.replace(link);
});

// The trial that is due, or the one with that number.
async function load(number = null) {
  const dealt = await ask("trial", { number });
  if (!dealt.trial) return null;
  return { ...dealt, buffers: await fetched(dealt.samples, dealt.rate) };
}

async function next() {
  const early = coming ? await coming : null;
  coming = null;
  if (early) return early;
  await queue.flush();
  return patiently(async () => {
    if ((await queue.unsent()).length) {
      await queue.flush();
      if ((await queue.unsent()).length) throw new TypeError("away");
    }
    return load();
  });
}

function show(dealt) {
  set = dealt;
  const { number, total, question, instruction, minutes_left: minutes, answers } = dealt.trial;
  const left = minutes === 1 ? "about a minute left" : `about ${minutes} minutes left`;
  $("count").textContent = `${number} of ${total} · ${left}`;
  document.title = `${number} of ${total} · Fair Hearing`;
  $("question").textContent = question;
  $("instruction").textContent = instruction || LISTEN;
  deck.deal(dealt.buffers, answers);
  notes = {};
  shownAt = performance.now();
  rested = 0;
  keeping = false;
  $("keep").disabled = false;
  calm();
  $("break").hidden = true;
  $("set").hidden = false;
  $("question").focus({ preventScroll: true });
  scrollTo(0, 0);
  // The next set comes while this one is heard, once the vote before it has arrived; without a
  // network it waits until it is needed.
  coming = number < total ? queue.flush().then(() => load(number + 1)).catch(() => null) : null;
}

async function go() {
  try {
    const dealt = await next();
    if (!dealt) {
      location.replace(link); // practice for another kind of question, or the end
      return;
    }
    if (performance.now() - listenedSince > BREAK_AFTER_MS) {
      await rest("You have listened for ten minutes. A short break does your ears good.");
    }
    show(dealt);
  } catch (error) {
    if (error instanceof Refused) {
      $("question").textContent = "This is as far as it goes";
      $("set").hidden = true;
      trouble(error.message);
    } else {
      throw error;
    }
  }
}

// Shows the break until the listener comes back.
function rest(words) {
  player.stop();
  const begun = performance.now();
  const heading = $("question").textContent;
  $("question").textContent = "A break";
  $("break-words").textContent = words;
  $("set").hidden = true;
  $("break").hidden = false;
  $("back").focus();
  return new Promise((resolve) => {
    $("back").addEventListener(
      "click",
      () => {
        $("question").textContent = heading;
        $("break").hidden = true;
        $("set").hidden = false;
        rested += performance.now() - begun;
        listenedSince = performance.now();
        resolve();
      },
      { once: true },
    );
  });
}

async function keep() {
  if (keeping || !set) return;
  const answer = deck.answer;
  if (!answer) {
    trouble("Please choose an answer first. If you cannot tell, choose one: a guess is a proper answer.");
    $("answers").querySelector("input").focus();
    return;
  }
  const unheard = deck.unheard();
  if (unheard.length && !notes.asked_to_listen) {
    notes.asked_to_listen = 1;
    const names = unheard.map((name) => name.toLowerCase()).join(" and ");
    trouble(`Please listen to ${names} as well before you answer. If the sound does not play, keep the answer once more.`);
    return;
  }
  keeping = true;
  $("keep").disabled = true;
  calm();
  player.stop();
  const vote = {
    client_id: newId(),
    trial: set.trial.number,
    answer,
    plays: player.plays.reduce((sum, count) => sum + count, 0),
    seconds: Math.max(0, Math.round((performance.now() - shownAt - rested) / 1000)),
    notes: {
      ...notes,
      per_sample: player.plays,
      heard: player.heard.map((time) => Math.round(time * 10) / 10),
      ...(unheard.length ? { unheard: unheard.length } : {}),
      ...(player.interruptions ? { interruptions: player.interruptions } : {}),
      ...(player.glitches ? { glitches: player.glitches } : {}),
    },
  };
  set = null;
  try {
    await queue.add(vote);
  } catch {
    trouble("This browser has no room to keep the answer. Please leave this page open.");
  }
  await go();
}

$("answer").addEventListener("submit", (event) => {
  event.preventDefault();
  keep();
});
$("rest").addEventListener("click", async () => {
  notes.breaks = (notes.breaks ?? 0) + 1;
  await rest("Take your time. Nothing is lost, and this set starts afresh when you come back.");
  $("question").focus();
});
document.addEventListener("visibilitychange", () => {
  if (document.hidden && player.playing) notes.hidden = (notes.hidden ?? 0) + 1;
});
navigator.mediaDevices?.addEventListener?.("devicechange", () => {
  notes.device_changed = (notes.device_changed ?? 0) + 1;
});
// A page brought back by the back button is an old one: ask where we stand.
addEventListener("pageshow", (event) => {
  if (event.persisted) location.reload();
});

if (canPlay) await go();
else trouble(CANNOT_PLAY);
