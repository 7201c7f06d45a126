// The halt button. Stands alone: it works while the plots are still loading and while the page sees nothing.

import { at } from "/static/elements.js";
import { order } from "/static/orders.js";

const TRIES = 3;
const TRY_MS = 4000;
const MOVING = new Set(["running", "recording", "by hand"]);

const button = at("halt");
const label = at("halt-label");
const words = at("halt-words");
/** @type {string | null} */
let takenAt = null;
let under = false;
let moving = false;
let ended = false;

/** @param {string} text */
function say(text, bad = false) {
  words.textContent = text;
  words.classList.toggle("bad", bad);
}

export function clockNow() {
  return new Date().toLocaleTimeString("en-GB");
}

async function halt() {
  if (under) {
    return;
  }
  under = true;
  takenAt = null;
  ended = moving;
  button.dataset.pressed = "";
  label.textContent = "Halting …";
  say("");
  let answer = await order("halt", {}, TRY_MS);
  for (let turn = 1; turn < TRIES && !answer.done; turn += 1) {
    answer = await order("halt", {}, TRY_MS);
  }
  if (answer.done) {
    takenAt = clockNow();
    say(`Halt taken at ${takenAt}.`);
  } else {
    say(`The halt did not get through (${answer.why}). Use the emergency stop.`, true);
  }
  label.textContent = "Halt";
  delete button.dataset.pressed;
  under = false;
}

/**
 * Called with each status: a halt is confirmed by what the rig does, not by what was asked of it.
 * @param {Api.RigStatus} status
 */
export function confirmHalt(status) {
  moving = MOVING.has(status.state);
  if (takenAt !== null && !moving) {
    say(`Halted at ${takenAt}. Rig: ${status.state}${ended && status.last ? `, job ${status.last.reason}` : ""}.`);
    takenAt = null;
  } else if (takenAt === null && moving && words.textContent.startsWith("Halted")) {
    say("");
  }
}

button.addEventListener("click", halt);
window.addEventListener("keydown", (event) => {
  if (event.key === "Escape" && !event.repeat) {
    event.preventDefault();
    halt();
  }
}, { capture: true });
