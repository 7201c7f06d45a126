// Shows the free height that the last job has found.

import { at, made } from "/static/elements.js";
import { inBrackets, inUnits, system } from "/static/units.js";

const MOST_DIGITS = 5;
/** @type {string | null} */
let shown = null;

/**
 * As many digits as leave two of the uncertainty.
 * @param {number | null} uncertainty
 */
function digits(uncertainty) {
  return uncertainty !== null && uncertainty > 0 ? Math.min(MOST_DIGITS, Math.max(0, 1 - Math.floor(Math.log10(uncertainty)))) : 3;
}

/** @param {Api.HeightLine} height */
function line(height) {
  const row = made("tr");
  /** @param {number[]} values */
  const shownMm = (...values) => inBrackets("mm", (factor) => {
    const places = digits(height.u_mm === null ? null : height.u_mm * factor);
    return values.map((value) => (value * factor).toFixed(places)).join(" to ");
  });
  const interval = height.low_mm === null || height.high_mm === null ? "not known" : shownMm(height.low_mm, height.high_mm);
  const texts = [
    height.force_n > 0 ? inUnits(`${height.force_n} N`) : "no load (extra\u00adpolated)", shownMm(height.height_mm),
    height.u_mm === null ? "not known" : shownMm(height.u_mm), interval,
  ];
  texts.forEach((text, place) => row.append(made("td", text, place === 0 ? { class: "text" } : {})));
  return row;
}

/**
 * It stays while the next piece is measured, and goes when another job has ended.
 * @param {Api.RigStatus} status
 */
export function fillHeight({ job, last }) {
  const height = last?.height ?? null;
  at("height").hidden = height === null;
  if (last && height !== null) {
    const capture = last.capture ? `, ${last.capture.split("/").at(-1)}` : "";
    const checks = height.heights.length > 0 ? `, mean of ${height.heights[0].contact_checks} contact checks` : "";
    at("height-from").textContent = `${job ? "From the job before this one: job" : "Job"} ${last.number}${checks}${capture}`;
  }
  // A daemon that was started anew counts its jobs from one again.
  const now = `${last?.number} ${last?.capture} ${system()}`;
  if (height === null || shown === now) {
    return;
  }
  shown = now;
  at("height-title").textContent = `Free height of ${height.specimen}`;
  at("heights").hidden = height.heights.length === 0;
  at("heights").tBodies[0].replaceChildren(...height.heights.map(line));
  at("height-notes").replaceChildren(...height.notes.map((text) => made("li", inUnits(text))));
}
