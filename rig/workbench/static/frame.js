// What every page of the workbench shares: the links on top, questions to the server, the captures that are ticked.

import { ask } from "/static/orders.js";
import { offerUnits, shownAs } from "/static/units.js";

const CHOSEN = "pressrig chosen captures";
const POLL_MS = 400;
const PATIENCE_MS = 120000; // A long recording is read once as a whole.

export const element = (name) => document.getElementById(name);

// An element with text; text is always text, never markup.
export function made(tag, text = "", attributes = {}) {
  const made = document.createElement(tag);
  made.textContent = text;
  for (const [name, value] of Object.entries(attributes)) {
    made.setAttribute(name, value);
  }
  return made;
}

export function linkTo(page, parameters, text) {
  const search = new URLSearchParams();
  for (const [name, values] of Object.entries(parameters)) {
    for (const value of [values].flat()) {
      search.append(name, value);
    }
  }
  return made("a", text, { href: `${page}?${search}` });
}

export function fetched(name, parameters = {}) {
  const given = Object.entries(parameters).filter(([, value]) => value !== "" && value !== null && value !== undefined);
  return ask(`${name}?${new URLSearchParams(given)}`, PATIENCE_MS);
}

// Asks again until a command beside the page has ended; `told` hears how long it has been at work.
export async function analysed(capture, conditioning, told, start = 0) {
  for (;;) {
    const found = await fetched("analysis", { capture, conditioning, start });
    if (found.capture !== null) {
      return found;
    }
    told(`Measuring ${capture}: ${found.progress.seconds.toFixed(0)} s`);
    await new Promise((done) => setTimeout(done, POLL_MS));
  }
}

export function chosen() {
  try {
    return new Set(JSON.parse(sessionStorage.getItem(CHOSEN) ?? "[]"));
  } catch {
    return new Set();
  }
}

export function choose(names) {
  sessionStorage.setItem(CHOSEN, JSON.stringify([...names]));
}

// A value to four figures, as far as its standard uncertainty leaves them a meaning.
export function figures(value, u = null) {
  if (value === null || value === undefined) {
    return "–";
  }
  if (u === null || u === undefined || !(u > 0)) {
    return Number(value.toPrecision(4)).toString();
  }
  const places = Math.max(0, Math.min(8, 1 - Math.floor(Math.log10(u))));
  return value.toFixed(places);
}

// The same of a value kept in a unit, in the unit that is shown.
export function shown(value, unit, u = null) {
  const [factor] = shownAs(unit);
  return value === null || value === undefined ? figures(value) : figures(value * factor, u === null || u === undefined ? null : u * factor);
}

// A mean with its 95 % interval.
export function shownMean(mean, unit) {
  if (!mean || mean.mean === null) {
    return figures(null);
  }
  const u = mean.half95 ? mean.half95 / 2 : null;
  return mean.half95 ? `${shown(mean.mean, unit, u)} ± ${shown(mean.half95, unit, u)}` : shown(mean.mean, unit);
}

// The heads of columns of quantities, each with the unit that is shown.
export function quantityHeads(columns) {
  return columns.map(([, title, unit]) => {
    const head = made("th", title, { scope: "col" });
    head.append(made("small", shownAs(unit)[1]));
    return head;
  });
}

// What a page draws anew when the person chooses other units.
let inOtherUnits = () => {};
export function whenUnitsChange(again) {
  inOtherUnits = again;
}

export function seconds(value) {
  return value === null ? "" : value < 120 ? `${value.toFixed(1)} s` : `${(value / 60).toFixed(1)} min`;
}

export function say(text, bad = false) {
  const said = element("said");
  said.textContent = text;
  said.classList.toggle("bad", bad);
}

export async function withWords(work) {
  try {
    await work();
  } catch (problem) {
    say(problem.message || String(problem), true);
  }
}

// The live page is there where a daemon serves this one. Pages that are themselves live have no such line.
const links = document.getElementById("links");
export const unitsKnown = ask("pages").then((pages) => {
  offerUnits(element("units"), () => inOtherUnits(), pages.units);
  if (pages.live && links !== null) {
    links.prepend(made("a", "Live", { href: "/" }));
  }
}).catch(() => {});
