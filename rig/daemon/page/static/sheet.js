// Fills the words, numbers, bars and the table of the sheet.

import { at, made } from "/static/elements.js";
import { fillHeight } from "/static/height.js";
import { order, rigOf } from "/static/orders.js";
import { besideAs, digitsOf, inBrackets, inUnits, shownAs } from "/static/units.js";

const SHOWN_ROWS = 40;
const NEAR = 0.93;
const NONE = "–";
/** @type {{[state: string]: string}} */
const MARKS = {
  away: "✕",
  idle: "○",
  recording: "●",
  running: "▶",
  "by hand": "☞",
  stopped: "▲",
};
/** @type {{[key: string]: [string, string]}} */
const AUXILIARY = {
  specimen_temperature: ["specimen", "°C"],
  ambient_temperature: ["air", "°C"],
  humidity: ["humidity", "%"],
};

/**
 * @param {keyof Elements} name
 * @param {string} text
 */
function put(name, text) {
  const place = at(name);
  if (place.textContent !== text) {
    place.textContent = text;
  }
}

/**
 * @param {number | null | undefined} value
 * @param {number} digits
 */
export function number(value, digits) {
  if (value === null || value === undefined) {
    return NONE;
  }
  const text = value.toFixed(digits);
  return (Number(text) === 0 ? text.replace("-", "") : text).replace("-", "−");
}

/**
 * A value kept in a unit of the metre, in the unit that is shown, or in both.
 * @param {number | null | undefined} value
 * @param {string} unit
 * @param {number} digits
 * @param {boolean} [named] with the names of the units
 */
function measured(value, unit, digits, named = false) {
  return value === null || value === undefined ? NONE
    : inBrackets(unit, (factor, name) => `${number(value * factor, digitsOf(factor, digits))}${named ? ` ${name}` : ""}`);
}

/**
 * A large number, and below it the same in the other unit where both are shown.
 * @param {"force" | "position"} name
 * @param {number | null} value
 * @param {string} unit
 */
function putLarge(name, value, unit) {
  /** @param {number} factor */
  const large = (factor) => (value === null ? NONE : number(value * factor, digitsOf(factor, 2)));
  const beside = besideAs(unit);
  put(name, large(shownAs(unit)[0]));
  at(`${name}-beside`).hidden = beside === null;
  put(`${name}-beside`, beside === null ? NONE : `${large(beside[0])} ${beside[1]}`);
}

/**
 * What an auxiliary quantity is called, and its unit.
 * @param {string} key
 */
export function auxiliaryWords(key) {
  return AUXILIARY[key] ?? [key.replaceAll("_", " "), ""];
}

/**
 * An auxiliary quantity as it is shown. Of one that only the device knows, its name and unit are the device's.
 * @param {string} key
 * @param {number} value
 * @param {string} unit
 */
function auxiliaryShown(key, value, unit) {
  const [words, known] = auxiliaryWords(key);
  if (known) {
    return `${words} ${number(value, 1)} ${known}`;
  }
  if (unit === "N") {
    return `${words} ${measured(value, "N", 2, true)}`;
  }
  const digits = String(Number(value.toPrecision(4))).replace("-", "−");
  return `${words} ${digits} ${unit === "degC" ? "°C" : unit}`;
}

/** @param {number} seconds */
export function duration(seconds) {
  const whole = Math.max(0, Math.round(seconds));
  const [hours, minutes, rest] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60];
  if (hours > 0) {
    return `${hours} h ${minutes} min`;
  }
  return minutes > 0 ? `${minutes} min ${rest} s` : `${rest} s`;
}

/**
 * @param {"force-bar" | "position-bar"} name
 * @param {number | null} value
 * @param {number} low
 * @param {number} high
 * @param {string} unit
 */
function fillBar(name, value, low, high, unit) {
  const [words, mark, zero, track, left, right] = [".words", ".mark", ".zero", ".track", ".ends span", ".ends span:last-child"].map(
    (part) => /** @type {HTMLElement} */ (at(name).querySelector(part)));
  /** @param {number} place */
  const part = (place) => (high > low ? Math.min(1, Math.max(0, (place - low) / (high - low))) : 0);
  left.textContent = measured(low, unit, 0, true);
  right.textContent = measured(high, unit, 0, true);
  zero.hidden = low >= 0 || high <= 0;
  zero.style.left = `${100 * part(0)}%`;
  mark.hidden = value === null;
  if (value === null) {
    words.textContent = "not measured";
    return;
  }
  mark.style.left = `${100 * part(value)}%`;
  const nearLow = low < 0 ? value < NEAR * low : part(value) < 1 - NEAR;
  const near = part(value) > NEAR || nearLow;
  const outside = value > high || value < low;
  const remark = outside ? ", beyond the limit" : near ? ", near the limit" : "";
  words.textContent = `${measured(value, unit, 1, true)}${remark}`;
  for (const [key, place] of Object.entries({ now: value, min: low, max: high })) {
    track.setAttribute(`aria-value${key}`, String(place));
  }
}

/** @param {Api.RigStatus} status */
function fillDevice(status) {
  const device = status.device;
  put("device", device ? `${device.name}, ${status.port}` : status.port);
  fillDrive(status);
  const cause = device?.stop_cause ?? null;
  put("stop", cause ? inUnits(`Stopped: ${cause}`) : status.state === "away" ? "The port is lost." : "none");
  at("release").hidden = status.state !== "stopped";
  at("stop").classList.toggle("alarm", cause !== null || status.state === "away");
  const lost = status.samples_lost > 0 ? `, ${status.samples_lost} lost` : "";
  put("samples", status.samples_per_s === null ? NONE : `${number(status.samples_per_s, 0)} a second${lost}`);
}

/**
 * What is not known reads as armed.
 * @param {Api.RigStatus} status
 */
function fillDrive({ armed, device, limits }) {
  const homed = device?.homed ? "homed" : "not homed";
  put("drive", device && !device.drives ? "none; a person moves the platen"
    : !device && limits ? "not known: treat it as armed"
    : !device ? NONE
    : armed ? `ARMED: the platen may move; ${homed}` : `not armed, ${homed}`);
  at("drive").classList.toggle("alarm", armed);
  const big = at("armed");
  put("armed", !armed ? "" : device ? "ARMED: the platen may move" : "not known whether armed");
  big.hidden = !armed;
}

// The page no longer sees the rig.
export function doubtArming() {
  put("drive", "not known: treat it as armed");
  put("armed", "not known whether armed");
  at("armed").hidden = false;
}

/** @param {{kind: string} | null} job */
const counted = (job) => (job?.kind === "height" ? "contact checks" : "cycles");

// The curves of a job stay when it has ended, and so does what was squeezed.
let lastSpecimen = NONE;

/** @param {Api.RigStatus} status */
function fillJob(status) {
  const { job, last } = status;
  if (job) {
    lastSpecimen = job.specimen;
  }
  put("specimen", lastSpecimen);
  put("job", job ? job.name : last ? `${last.name} (ended)` : "none under way");
  const wanted = job?.cycles_wanted ? ` of ${job.cycles_wanted}` : "";
  put("cycle-label", counted(job ?? last) === "contact checks" ? "Contact check" : "Cycle");
  put("cycle", job ? `${job.cycles}${wanted}` : last ? String(last.cycles) : NONE);
  put("step", job ? inUnits(job.step) : "");
  const done = at("done");
  if (job?.done === null) {
    done.removeAttribute("value");
  } else {
    done.value = job?.done ?? 0;
  }
  const share = job?.done == null ? "" : `${Math.floor(job.done * 100)} % done. `;
  const left = job?.left_s == null ? "" : `, about ${duration(job.left_s)} left`;
  put("progress-words", job ? `${share}${duration(job.elapsed_s)} gone${left}.` : "Nothing is under way.");
  put("last", last ? `${last.name}: ${inUnits(last.reason)}, ${last.cycles} ${counted(last)}${last.capture ? `, ${last.capture.split("/").at(-1)}` : ""}` : "none");
  at("stop-box").hidden = job?.kind !== "recording";
  at("last-capture").hidden = !(last?.capture && job === null);
  at("last-capture").href = `/capture?${new URLSearchParams({ capture: last?.capture?.split("/").at(-1) ?? "" })}`;
  // Where a person moves the platen, each step is theirs; only a step off the rig waits for a button.
  const waits = job?.asks ?? null;
  const asks = waits ?? (status.guided && job?.step ? job.step : null);
  at("asks").hidden = asks === null;
  at("proceed-box").hidden = waits === null;
  put("asks-text", inUnits(asks ?? ""));
  document.title = status.state === "running" && job ? `${job.cycles} · ${status.rig}` : status.rig;
}

/**
 * What the person sees is what the orders are for.
 * @type {Api.RigStatus}
 */
let shown;

/** @param {Api.RigStatus} status */
export function fillStatus(status) {
  shown = status;
  put("rig", status.rig);
  put("state", status.state);
  put("state-mark", MARKS[status.state] ?? "");
  at("state-cell").dataset.state = status.state;
  putLarge("force", status.force_n, "N");
  putLarge("position", status.position_mm, "mm");
  fillDevice(status);
  fillJob(status);
  fillHeight(status);
  const limits = status.limits;
  if (limits) {
    fillBar("force-bar", status.force_n, limits.min_force_n, limits.max_force_n, "N");
    fillBar("position-bar", status.position_mm, limits.min_travel_mm, limits.max_travel_mm, "mm");
    put("speed", measured(limits.speed_mm_per_s, "mm/s", 1, true));
  }
  const auxiliary = Object.entries(status.auxiliary).map(([key, value]) => auxiliaryShown(key, value, status.auxiliary_units[key] ?? ""));
  put("auxiliary", auxiliary.length > 0 ? auxiliary.join(", ") : "not measured");
  const warnings = at("warnings");
  warnings.hidden = status.warnings.length === 0;
  const sentences = status.warnings.map(inUnits);
  if (warnings.dataset.said !== sentences.join("\n")) {
    warnings.dataset.said = sentences.join("\n");
    warnings.replaceChildren(...sentences.map((text) => made("li", text)));
  }
}

export class CycleTable {
  #body = /** @type {HTMLTableElement} */ (at("cycles")).tBodies[0];
  #count = 0;
  /** @type {Api.CycleRow[]} */
  #rows = [];

  clear() {
    this.#count = 0;
    this.#rows = [];
    this.#body.replaceChildren();
    put("cycles-words", "None yet.");
  }

  /** @param {Api.CycleRow[]} rows */
  add(rows) {
    if (rows.length === 0) {
      return;
    }
    this.#count += rows.length;
    this.#rows = this.#rows.concat(rows).slice(-SHOWN_ROWS);
    for (const row of rows.slice(-SHOWN_ROWS)) {
      this.#body.prepend(this.#line(row));
    }
    while (this.#body.rows.length > SHOWN_ROWS) {
      this.#body.deleteRow(-1);
    }
    put("cycles-words", this.#count > SHOWN_ROWS ? `Newest first: the last ${SHOWN_ROWS}.` : "Newest first.");
  }

  // The same rows in the units chosen now.
  redraw() {
    this.#body.replaceChildren(...this.#rows.map((row) => this.#line(row)).reverse());
  }

  /** @param {Api.CycleRow} row */
  #line(row) {
    const line = made("tr");
    const texts = [
      String(row.cycle), measured(row.peak_force_n, "N", 2), measured(row.peak_deflection_mm, "mm", 2),
      measured(row.secant_n_per_mm, "N/mm", 3), measured(row.energy_absorbed_mj, "mJ", 0), number(row.hysteresis_pct, 1),
      measured(row.set_mm, "mm", 2), row.flags.join(", "),
    ];
    texts.forEach((text, place) => line.append(made("td", text, place === texts.length - 1 ? { class: "text" } : {})));
    line.classList.toggle("flagged", row.flags.length > 0);
    return line;
  }
}

at("release").addEventListener("click", async () => {
  const sees = window.confirm(
    "If a person is trapped, press the emergency stop first and leave it pressed: free them with the motor's power off. "
    + "This moves the platen by its motor, away from what it presses. Is no one trapped, do you see the platen, and can "
    + "no one be hurt if it moves? Has the cause of the stop been removed?",
  );
  if (sees) {
    const answer = await order("start", { rig: rigOf(shown), order: { kind: "release", confirmed: true } });
    at("release").title = answer.done ? "" : answer.why;
    put("said", answer.done ? "The platen is being released." : inUnits(`Not released: ${answer.why}`));
  }
});

at("proceed").addEventListener("click", async () => {
  const answer = await order("proceed", { rig: rigOf(shown) });
  put("proceed-answer", answer.done ? "" : inUnits(`Not continued: ${answer.why}`));
});
