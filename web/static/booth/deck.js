// The deck: buttons for the samples, the time bar, the part to repeat, and the keys.

import { mediaKeys, watch } from "./disturbance.js";
import { loudness } from "./loudness.js";
import { _, decimal } from "./words.js";

const SHORTEST_S = 0.5; // least part to repeat
const HEARD_S = 0.7; // a sample audible for so long counts as listened to
const $ = (id) => document.getElementById(id);
const seconds = (value) => _("{seconds} s", { seconds: decimal(value) });

export class Deck {
  #player;
  #buttons = [];
  #names = [];
  #frame = 0;
  #wasPlaying = false;

  constructor(player) {
    this.#player = player;
    player.addEventListener("change", () => this.#show());
    player.addEventListener("disturbed", () => this.#again());
    watch(player);
    mediaKeys(player, () => this.#mute());
    loudness(player);
    $("stop").addEventListener("click", () => player.stop());
    $("restart").addEventListener("click", () => player.restart().catch(() => this.#mute()));
    $("whole").addEventListener("click", () => this.#whole());
    for (const id of ["from", "to"]) {
      $(id).addEventListener("input", () => this.#drag(id));
      $(id).addEventListener("change", () => player.choose(this.#marked()));
    }
    document.addEventListener("keydown", (event) => this.#key(event));
  }

  // Shows a fresh set of samples under their names, and its answers.
  deal(buffers, answers, names) {
    this.#player.load(buffers);
    this.#calm();
    this.#names = names;
    this.#buttons = names.map((name, index) => {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "button sample";
      button.textContent = name;
      button.setAttribute("aria-pressed", "false");
      button.addEventListener("click", () => this.#press(index));
      return button;
    });
    $("samples").replaceChildren(...this.#buttons);
    const legend = $("answers").querySelector("legend");
    const choices = answers.map(({ value, text }) => {
      const label = document.createElement("label");
      const input = document.createElement("input");
      input.type = "radio";
      input.name = "answer";
      input.value = value;
      const words = document.createElement("span");
      words.textContent = text;
      label.append(input, words);
      return label;
    });
    $("answers").replaceChildren(legend, ...choices);
    const length = this.#player.length;
    for (const id of ["from", "to"]) $(id).max = (Math.floor(length * 10) / 10).toString();
    this.#whole();
    $("playing").textContent = _("Press a sample to hear it. Switching keeps the place.");
  }

  get answer() {
    return $("answers").querySelector("input:checked")?.value ?? null;
  }

  // What was heard counts no more: says so until all have been heard again.
  #again() {
    $("disturbed").textContent = _(
      "Something interrupted the sound. Please listen to all samples again before you answer.",
    );
    $("disturbed").hidden = false;
  }

  #calm() {
    $("disturbed").hidden = true;
    $("disturbed").textContent = "";
  }

  // Names of samples that have hardly been audible yet.
  unheard() {
    const enough = Math.min(HEARD_S, 0.8 * this.#player.length);
    const { heard } = this.#player;
    return this.#names.filter((_name, index) => heard[index] < enough);
  }

  #press(slot) {
    if (this.#player.slot === slot) this.#player.stop();
    else this.#player.play(slot).catch(() => this.#mute());
  }

  #mute() {
    $("playing").textContent = _(
      "This browser would not let the sound out. Press a sample once more, or try another browser.",
    );
  }

  #marked() {
    const from = Number($("from").value);
    const atEnd = $("to").value === $("to").max;
    return { from, to: atEnd ? this.#player.length : Number($("to").value) };
  }

  #drag(moved) {
    const [from, to] = [$("from"), $("to")];
    const most = Number(to.max);
    const gap = Math.min(SHORTEST_S, most);
    if (Number(to.value) - Number(from.value) < gap - 1e-9) {
      if (moved === "from") to.value = Math.min(most, Number(from.value) + gap);
      else from.value = Math.max(0, Number(to.value) - gap);
      if (Number(to.value) - Number(from.value) < gap - 1e-9) {
        if (moved === "from") from.value = Number(to.value) - gap;
        else to.value = Number(from.value) + gap;
      }
    }
    this.#mark(this.#marked());
  }

  #whole() {
    $("from").value = 0;
    $("to").value = $("to").max;
    this.#mark(this.#marked());
    this.#player.choose(null);
  }

  #mark({ from, to }) {
    const length = this.#player.length || 1;
    for (const [id, at] of [
      ["from", from],
      ["to", to],
    ]) {
      $(`${id}-time`).textContent = seconds(at);
      $(id).setAttribute("aria-valuetext", _("{seconds} seconds", { seconds: decimal(at) }));
    }
    $("part").style.insetInlineStart = `${(100 * from) / length}%`;
    $("part").style.insetInlineEnd = `${100 - (100 * to) / length}%`;
    $("whole").disabled = from <= 0 && to >= length;
    this.#place();
  }

  #show() {
    const { slot, playing } = this.#player;
    this.#buttons.forEach((button, index) => {
      button.setAttribute("aria-pressed", String(index === slot));
    });
    $("stop").disabled = !playing;
    $("restart").hidden = !playing;
    if (playing) {
      $("playing").textContent = _("Playing: {name}. Switching keeps the place.", {
        name: this.#names[slot],
      });
    } else if (this.#wasPlaying) {
      $("playing").textContent = _("Stopped.");
    }
    this.#wasPlaying = playing;
    cancelAnimationFrame(this.#frame);
    if (playing) this.#follow();
    else this.#place();
  }

  #follow() {
    this.#place();
    if (!$("disturbed").hidden && !this.unheard().length) this.#calm();
    this.#frame = requestAnimationFrame(() => this.#follow());
  }

  #place() {
    const length = this.#player.length || 1;
    const at = this.#player.position();
    $("hand").style.insetInlineStart = `${(100 * at) / length}%`;
    const words = _("{at} of {length} s", { at: decimal(at), length: decimal(length) });
    if ($("time").textContent !== words) $("time").textContent = words;
  }

  #key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
    if ($("samples").closest("[hidden]")) return;
    const on = event.target.closest("button, summary, input, textarea, a, select");
    const digit = ["1", "2", "3", "4"].indexOf(event.key);
    const letter = ["j", "k", "l"].indexOf(event.key.toLowerCase());
    if (digit >= 0 && this.#buttons[digit]) {
      this.#player.play(digit).catch(() => this.#mute());
    } else if (event.key.toLowerCase() === "r") {
      this.#player.restart().catch(() => this.#mute());
    } else if (letter >= 0) {
      const choice = $("answers").querySelectorAll("input")[letter];
      if (choice) {
        choice.checked = true;
        choice.focus();
      }
    } else if (event.key === " " && (!on || on.type === "radio")) {
      if (this.#player.playing) this.#player.stop();
      else this.#player.play(this.#player.lastSlot).catch(() => this.#mute());
    } else if (event.key === "Enter" && !on) {
      $("answer").requestSubmit();
    } else {
      return;
    }
    event.preventDefault();
  }
}
