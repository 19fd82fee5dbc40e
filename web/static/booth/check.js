// The headphone check: six times three sounds, one of which is to be named. All answers go out
// together.

import { $, ask, canPlay, CANNOT_PLAY, link, patiently, trouble } from "./asking.js";
import { contextAt, fetched } from "./player.js";
import { _ } from "./words.js";

let check = null;
let context = null;
let source = null;
const answers = [];

async function begin() {
  $("begin").disabled = true;
  check = await patiently(async () => {
    const made = await ask("check");
    return { ...made, buffers: await fetched(made.samples, made.rate) };
  });
  context ??= contextAt(check.rate);
  $("before").hidden = true;
  $("during").hidden = false;
  $("question").textContent =
    $("during").dataset.kind === "huggins"
      ? _("Which noise holds the faint tone?")
      : _("Which tone is the quietest?");
  $("question").focus({ preventScroll: true });
  show();
}

function show() {
  $("count").textContent = _("{number} of {total}", {
    number: answers.length + 1,
    total: check.buffers.length,
  });
  for (const button of document.querySelectorAll("[data-place]")) button.disabled = true;
  $("status").textContent = _("Play them first.");
}

async function play() {
  await context.resume();
  source?.stop();
  source = new AudioBufferSourceNode(context, { buffer: check.buffers[answers.length] });
  source.connect(context.destination);
  source.start();
  $("status").textContent = _("Playing …");
  const mine = source;
  source.addEventListener("ended", () => {
    if (mine !== source) return;
    $("status").textContent = "";
  });
  for (const button of document.querySelectorAll("[data-place]")) button.disabled = false;
}

async function answer(place) {
  source?.stop();
  source = null;
  answers.push(place);
  if (answers.length < check.buffers.length) {
    show();
    await play();
    return;
  }
  for (const button of document.querySelectorAll("[data-place], #again")) button.disabled = true;
  $("status").textContent = _("Saving …");
  await patiently(() => ask("check/answers", { id: check.id, answers }));
  location.replace(link);
}

const shown = (error) => trouble(error.message);
$("begin").addEventListener("click", () => begin().catch(shown));
$("again").addEventListener("click", () => play().catch(shown));
for (const button of document.querySelectorAll("[data-place]")) {
  button.addEventListener("click", () => answer(Number(button.dataset.place)).catch(shown));
}
document.addEventListener("keydown", (event) => {
  if (event.repeat || $("during").hidden || (event.target.closest("button") && event.key === " "))
    return;
  const place = ["1", "2", "3"].indexOf(event.key);
  const button = document.querySelector(`[data-place="${place}"]`);
  if (place >= 0 && !button.disabled) button.click();
  else if (event.key === " ") {
    $("again").click();
    event.preventDefault();
  }
});
if (!canPlay) {
  $("begin").disabled = true;
  trouble(CANNOT_PLAY);
}
