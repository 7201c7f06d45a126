// What every page of the workbench shares: the links on top, questions to the server, the captures that are ticked.

import { at, made } from "/static/elements.js";
import { ask } from "/static/orders.js";
import { inBrackets, offerUnits, unitName } from "/static/units.js";

const CHOSEN = "pressrig chosen captures";
const POLL_MS = 400;
const PATIENCE_MS = 120000; // A long recording is read once as a whole.

/**
 * @param {string} page
 * @param {{[name: string]: string | number | string[]}} parameters
 * @param {string} text
 */
export function linkTo(page, parameters, text) {
  const search = new URLSearchParams();
  for (const [name, values] of Object.entries(parameters)) {
    for (const value of [values].flat()) {
      search.append(name, String(value));
    }
  }
  return made("a", text, { href: `${page}?${search}` });
}

/**
 * @template {keyof Api.Answers} Name
 * @param {Name} name
 * @param {Record<string, unknown>} [parameters]
 */
export function fetched(name, parameters) {
  return ask(name, parameters, PATIENCE_MS);
}

/**
 * @param {string} capture
 * @returns {Promise<About>}
 */
export async function aboutOf(capture) {
  return /** @type {About} */ (await fetched("capture", { capture }));
}

/**
 * Asks again until a command beside the page has ended; `told` hears how long it has been at work.
 * @param {string} capture
 * @param {string} conditioning as many as the method says, if empty
 * @param {(words: string) => void} told
 * @returns {Promise<Measured>}
 */
export async function analysed(capture, conditioning, told) {
  for (;;) {
    const found = await fetched("analysis", conditioning === "" ? { capture } : { capture, conditioning });
    if (found.capture !== null) {
      return { capture: /** @type {CaptureResult} */ (/** @type {unknown} */ (found.capture)), cycles: found.cycles };
    }
    told(`Measuring ${capture}: ${found.progress.seconds.toFixed(0)} s`);
    await new Promise((done) => setTimeout(done, POLL_MS));
  }
}

/** @returns {Set<string>} the captures that are ticked */
export function chosen() {
  try {
    return new Set(JSON.parse(sessionStorage.getItem(CHOSEN) ?? "[]"));
  } catch {
    return new Set();
  }
}

/** @param {Set<string>} names */
export function choose(names) {
  sessionStorage.setItem(CHOSEN, JSON.stringify([...names]));
}

/**
 * A value kept in a unit, in the unit that is shown, or in both: with two digits of its standard uncertainty, or else four figures.
 * @param {number | null | undefined} value
 * @param {string} unit
 * @param {number | null} [u]
 * @param {boolean} [named] with the names of the units
 */
export function shown(value, unit, u, named = false) {
  if (value === null || value === undefined) {
    return "–";
  }
  return inBrackets(unit, (factor, name) => `${written(value * factor, u ? u * factor : 0)}${named ? ` ${name}` : ""}`);
}

/**
 * @param {number} value
 * @param {number} u
 */
function written(value, u) {
  return u ? value.toFixed(Math.max(0, Math.min(8, 1 - Math.floor(Math.log10(u))))) : Number(value.toPrecision(4)).toString();
}

/**
 * A mean and half its 95 % interval, with two digits of the latter, times a factor.
 * @param {Mean} mean
 * @param {number} factor
 */
export function writtenMean({ mean, half95 }, factor) {
  if (mean === null || mean === undefined) {
    return "–";
  }
  const half = (half95 ?? 0) * factor;
  return written(mean * factor, half) + (half ? ` ± ${written(half, half)}` : "");
}

/**
 * A mean with its interval in the unit that is shown, or in both.
 * @param {Mean} mean
 * @param {string} unit
 */
export function shownMean(mean, unit) {
  return mean.mean === null || mean.mean === undefined ? "–" : inBrackets(unit, (factor) => writtenMean(mean, factor));
}

/**
 * The heads of columns of quantities, each with the unit that is shown.
 * @param {Column[]} columns
 */
export function quantityHeads(columns) {
  return columns.map(([, title, unit]) => {
    const head = made("th", title, { scope: "col" });
    head.append(made("small", unitName(unit)));
    return head;
  });
}

/** @type {() => unknown} what a page draws anew when the person chooses other units, or light or dark colours */
let inAnotherLook = () => null;

/** @param {() => unknown} again */
export function whenLookChanges(again) {
  inAnotherLook = again;
}

/** @param {number | null} value */
export function seconds(value) {
  return value === null ? "" : value < 120 ? `${value.toFixed(1)} s` : `${(value / 60).toFixed(1)} min`;
}

/** @param {string} text */
export function say(text, bad = false) {
  const said = at("said");
  said.textContent = text;
  said.classList.toggle("bad", bad);
}

/** @param {() => unknown} work */
export async function withWords(work) {
  try {
    await work();
  } catch (problem) {
    say(problem instanceof Error ? problem.message : String(problem), true);
  }
}

// The live page is there where a daemon serves this one. Pages that are themselves live have no such line.
export const unitsKnown = ask("pages").then((pages) => {
  offerUnits(() => inAnotherLook(), pages.units);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => inAnotherLook());
  if (pages.live) {
    document.getElementById("links")?.prepend(made("a", "Live", { href: "/" }));
  }
}).catch(() => {});
