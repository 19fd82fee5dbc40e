// The trials: fetch a set, let it be heard, keep the answer, go on.

import {
  $,
  ask,
  AWAY,
  calm,
  canPlay,
  CANNOT_PLAY,
  link,
  patiently,
  Refused,
  trouble,
  Unplayable,
  wait,
} from "./asking.js";
import { arriving } from "./arriving.js";
import { Deck } from "./deck.js";
import { fetched, Player } from "./player.js";
import { browserMark, newId, Queue } from "./queue.js";
import { _, list, ngettext } from "./words.js";

const ASKED_MS = 2000;
const BREAK_AFTER_MS = 10 * 60 * 1000;
const LISTEN = _(
  "Listen as often as you like, in any order. If you cannot tell, choose one: a guess is a proper answer.",
);

const player = new Player();
const deck = new Deck(player);
const queue = new Queue(link);
const browser = browserMark(link); // so that a link passed on is noticed

let set = null; // the trial on screen
let coming = null; // promise of the one after it
let shownAt = 0;
let rested = 0; // ms of this trial spent in a break
// The last break, or the arrival.
let listenedSince = performance.now() - 1000 * Number($("set").dataset.listened);
let notes = {};
let keeping = false;

queue.addEventListener("state", ({ detail }) => {
  const words = {
    sending: _("saving …"),
    saved: _("saved"),
    waiting: _("will be sent when the connection is back"),
  };
  if (words[detail]) $("saved").textContent = words[detail];
  // Answered already (another tab, another device), or the study is closed: ask where we stand.
  if (detail === "refused") location.replace(link);
});

// The trial that is due, or the one with that number.
async function load(number = null) {
  const dealt = await ask("trial", { number });
  if (!dealt.trial) return null;
  // What is wanted at once may be played while it still arrives; what is fetched ahead has time.
  const take = number === null ? arriving : fetched;
  return { ...dealt, buffers: await take(dealt.samples, dealt.rate) };
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
  const {
    number,
    total,
    question,
    instruction,
    minutes_left: minutes,
    answers,
    names,
  } = dealt.trial;
  const place = _("{number} of {total}", { number, total });
  const left = ngettext("about a minute left", "about {count} minutes left", minutes);
  $("count").textContent = `${place} · ${left}`;
  document.title = `${place} · Fair Hearing`;
  $("question").textContent = question;
  $("instruction").textContent = instruction || LISTEN;
  deck.deal(dealt.buffers, answers, names);
  const { buffers } = dealt;
  buffers.addEventListener?.("lost", () => {
    if (set === dealt) again();
  });
  askWhy(dealt.trial);
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
  coming =
    number < total
      ? Promise.resolve(buffers.whole)
          .then(() => queue.flush())
          .then(() => load(number + 1))
          .catch(() => null)
      : null;
}

// The connection went while the set was arriving: the same set once more.
async function again() {
  player.stop();
  set = null;
  coming = null;
  $("set").hidden = true;
  trouble(AWAY);
  await go();
}

async function go() {
  try {
    const dealt = await next();
    if (!dealt) {
      location.replace(link); // practice for another kind of question, or the end
      return;
    }
    const due = performance.now() - listenedSince > BREAK_AFTER_MS;
    if (due) {
      await rest(_("You have listened for ten minutes. A short break does your ears good."));
    }
    show(dealt);
    if (due) notes.breaks = 1;
  } catch (error) {
    if (error instanceof Refused || error instanceof Unplayable) {
      $("question").textContent = _("This is as far as it goes");
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
  calm();
  const begun = performance.now();
  const heading = $("question").textContent;
  $("question").textContent = _("A break");
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

// Whoever presses on without looking does not get past the request in the same breath.
async function pause() {
  $("keep").disabled = true;
  await wait(ASKED_MS);
  if (!keeping) $("keep").disabled = false;
}

// Where a preference asks for its reasons: words to tick, and room for the listener's own.
function askWhy({ reasons, words }) {
  const legend = $("ticks").querySelector("legend");
  const boxes = words.map((word) => {
    const label = document.createElement("label");
    const box = document.createElement("input");
    box.type = "checkbox";
    box.value = word;
    const text = document.createElement("span");
    text.textContent = word;
    label.append(box, text);
    return label;
  });
  $("ticks").replaceChildren(legend, ...boxes);
  $("ticks").hidden = !words.length;
  $("reason").value = "";
  $("reason-asked").hidden = !reasons;
  showWhy();
}

// Whoever likes both equally has no difference to explain.
function showWhy() {
  if (!set) return; // answered, and the next is on its way
  const { reasons, words } = set.trial;
  $("why").hidden = (!words.length && !reasons) || deck.answer === "neither";
}

$("answers").addEventListener("change", showWhy);

async function keep() {
  if (keeping || !set || $("keep").disabled) return;
  const answer = deck.answer;
  if (!answer) {
    trouble(
      _(
        "Please choose an answer first. If you cannot tell, choose one: a guess is a proper answer.",
      ),
    );
    $("answers").querySelector("input").focus();
    return;
  }
  const unheard = deck.unheard();
  const sounded = player.heard.some((time) => time > 0);
  if (unheard.length && (sounded || !notes.asked_to_listen)) {
    notes.asked_to_listen = (notes.asked_to_listen ?? 0) + 1;
    pause();
    const names = list(unheard);
    trouble(
      sounded
        ? _("Please listen to these as well before you answer: {names}.", { names })
        : _(
            "Please listen to these as well before you answer: {names}. If the sound does not play, keep the answer once more.",
            { names },
          ),
    );
    return;
  }
  keeping = true;
  $("keep").disabled = true;
  calm();
  player.stop();
  const why = !$("why").hidden;
  const vote = {
    client_id: newId(),
    trial: set.trial.number,
    answer,
    plays: player.plays.reduce((sum, count) => sum + count, 0),
    seconds: Math.max(0, Math.round((performance.now() - shownAt - rested) / 1000)),
    notes: {
      ...notes,
      ...player.notes(),
      ...(unheard.length ? { unheard: unheard.length } : {}),
      browser,
    },
    reason: why ? $("reason").value : "",
    ticked: why ? [...$("ticks").querySelectorAll("input:checked")].map((box) => box.value) : [],
  };
  set = null;
  try {
    await queue.add(vote);
  } catch {
    trouble(_("This browser has no room to keep the answer. Please leave this page open."));
  }
  await go();
}

$("answer").addEventListener("submit", (event) => {
  event.preventDefault();
  keep();
});
$("rest").addEventListener("click", async () => {
  notes.breaks = (notes.breaks ?? 0) + 1;
  await rest(_("Take your time. Nothing is lost, and this set starts afresh when you come back."));
  $("question").focus();
});
// A page brought back by the back button is an old one: ask where we stand.
addEventListener("pageshow", (event) => {
  if (event.persisted) location.reload();
});

if (canPlay) await go();
else trouble(CANNOT_PLAY);
