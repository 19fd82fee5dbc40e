// One level for all samples of all sets, from these buttons or the keys + and −. It only lowers:
// what is louder than the samples as they are would have to be turned up outside.

import { $, link } from "./asking.js";
import { _ } from "./words.js";

const STEP_DB = 2;
const LEAST_DB = -30;
const NAME = `loudness:${link}`;

export function loudness(player) {
  const show = () => {
    const db = player.levelDb;
    $("loudness").textContent = db ? _("{db} dB", { db: `−${-db}` }) : _("full");
    $("louder").disabled = db >= 0;
    $("quieter").disabled = db <= LEAST_DB;
  };
  const move = (by) => {
    player.setLevel(Math.max(LEAST_DB, Math.min(0, player.levelDb + by)));
    keep(player.levelDb);
    show();
  };
  player.setLevel(Math.max(LEAST_DB, kept()));
  show();
  $("quieter").addEventListener("click", () => move(-STEP_DB));
  $("louder").addEventListener("click", () => move(STEP_DB));
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.target.closest("textarea")) return;
    if ($("louder").closest("[hidden]")) return;
    if (event.key === "+" || event.key === "=") move(STEP_DB);
    else if (event.key === "-" || event.key === "−") move(-STEP_DB);
    else return;
    event.preventDefault();
  });
}

function kept() {
  try {
    return Number(localStorage.getItem(NAME)) || 0;
  } catch {
    return 0; // storage is refused: full, as at the first visit
  }
}

function keep(db) {
  try {
    localStorage.setItem(NAME, String(db));
  } catch {
    // It holds until the page is left.
  }
}
