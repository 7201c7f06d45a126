// The units that a person reads. Every value is kept in N, mm and s; only what is shown is converted.

import { at } from "/static/elements.js";

const KEPT = "pressrig units";
// 1 in is 25.4 mm and 1 lbf is 4.4482216152605 N, both by definition.
const IN_MM = 25.4;
const LBF_N = 4.4482216152605;
/** @type {{[unit: string]: [number, string]}} */
const US = {
  N: [1 / LBF_N, "lbf"],
  mm: [1 / IN_MM, "in"],
  "mm²": [1 / IN_MM ** 2, "in²"],
  "N/mm": [IN_MM / LBF_N, "lbf/in"],
  mJ: [1 / IN_MM / LBF_N, "in·lbf"],
  "mm/s": [1 / IN_MM, "in/s"],
};

let usual = "metric";

export function system() {
  return localStorage.getItem(KEPT) ?? usual;
}

/**
 * The factor and the name of a unit as it is shown; units that both systems share stay.
 * @param {string} unit
 * @returns {[number, string]}
 */
export function shownAs(unit) {
  return system() === "us" && unit in US ? US[unit] : [1, unit];
}

/**
 * A text with units of its own, such as the title of an axis.
 * @param {string} words
 * @param {string} unit
 */
export function titled(words, unit) {
  return `${words}, ${shownAs(unit)[1]}`;
}

/**
 * Digits behind the point that keep the step of a value about as fine as it was.
 * @param {string} unit
 * @param {number} digits
 */
export function digitsOf(unit, digits) {
  return Math.max(0, digits - Math.round(Math.log10(shownAs(unit)[0])));
}

/**
 * Fills the choice of units, and every element that only names one; `again` draws what is shown anew.
 * @param {() => void} again
 * @param {string} serverUsual
 */
export function offerUnits(again, serverUsual) {
  const choice = at("units");
  usual = serverUsual === "us" ? "us" : "metric";
  const name = () => {
    for (const place of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll("[data-unit]"))) {
      place.textContent = shownAs(place.dataset.unit ?? "")[1];
    }
  };
  choice.value = system();
  choice.addEventListener("change", () => {
    localStorage.setItem(KEPT, choice.value);
    name();
    again();
  });
  name();
}
