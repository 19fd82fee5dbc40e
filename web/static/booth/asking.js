// Talks to the server in JSON, and shows trouble in a sentence.

import { _ } from "./words.js";

export const link = location.pathname.replace(/\/+$/, "");
export const $ = (id) => document.getElementById(id);

const PATIENCE_MS = 30_000;
const DECODINGS = 3; // a spoilt download is fetched anew so often, then it is the browser

export class Refused extends Error {
  constructor(status, message) {
    super(message);
    this.status = status;
  }
}

// Sound came that this browser cannot decode.
export class Unplayable extends Error {
  constructor() {
    super(
      _(
        "The sound cannot be played here: this browser could not decode it. Reload the page; if that does not help, open your link in another browser. Nothing is lost.",
      ),
    );
  }
}

// Posts to an address under this listener's link. Throws Refused with the server's own sentence,
// or another error when the network is away.
export async function ask(what, body = {}) {
  const answer = await fetch(`${link}/${what}`, {
    method: "POST",
    headers: { "Content-Type": "application/json", Accept: "application/json" },
    body: JSON.stringify(body),
    cache: "no-store",
    signal: AbortSignal.timeout(PATIENCE_MS),
  });
  const content = await answer.json().catch(() => ({}));
  if (!answer.ok) {
    const { message = _("Something went wrong."), hint = "" } = content.error ?? {};
    throw new Refused(answer.status, `${message} ${hint}`.trim());
  }
  return content;
}

export function trouble(sentence) {
  $("trouble").querySelector("p").textContent = sentence;
  $("trouble").hidden = false;
}

export function calm() {
  $("trouble").hidden = true;
}

export const canPlay = "AudioContext" in window && "OfflineAudioContext" in window;
export const CANNOT_PLAY = _(
  "This browser cannot play the samples. Please open your link in a current browser.",
);
export const AWAY = _("The connection is away. Trying again …");
export const wait = (ms) =>
  new Promise((resolve) => {
    setTimeout(resolve, ms);
  });

// Repeats `work` while the network is away, ever more patiently.
export async function patiently(work) {
  let spoilt = 0;
  for (let delay = 1000; ; delay = Math.min(15_000, delay * 2)) {
    try {
      const result = await work();
      calm();
      return result;
    } catch (error) {
      if (error instanceof Refused && error.status < 500) throw error;
      if (error instanceof Unplayable) spoilt += 1;
      if (error instanceof Unplayable && spoilt >= DECODINGS) throw error;
      trouble(AWAY);
      await Promise.race([
        wait(delay),
        new Promise((resolve) => {
          addEventListener("online", resolve, { once: true });
        }),
      ]);
    }
  }
}
