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
 * The factor and the name of a unit that stands beside the one that is shown; null where none does.
 * @param {string} unit
 */
export function besideAs(unit) {
  return system() === "both" && unit in US ? US[unit] : null;
}

/**
 * What is written with the factor and the name of the unit that is shown and, in brackets, with those of the other.
 * @param {string} unit
 * @param {(factor: number, name: string) => string} write
 */
export function inBrackets(unit, write) {
  const other = besideAs(unit);
  return `${write(...shownAs(unit))}${other === null ? "" : ` [${write(...other)}]`}`;
}

/**
 * The name of a unit as it is shown, or of both.
 * @param {string} unit
 */
export function unitName(unit) {
  return inBrackets(unit, (_, name) => name);
}

// What stands in quotes was typed, or is to be typed: it stays, as in texts on a terminal.
const NUMBER = "[+\\-−]?\\d+(?:\\.\\d+)?";
const QUANTITIES = new RegExp(
  `(?<quoted>\`[^\`]*\`|'[^'\\n]*'|"[^"\\n]*")`
  + `|(?<![\\w.=/-])(?<numbers>${NUMBER}(?:(?: to | and |, | of )${NUMBER})*) (?<unit>N/mm|mm/s|mm²|mm|mJ|N)(?![\\w/²°])`,
  "g",
);
const FEWEST_DIGITS = 3;

/**
 * A number times a factor, with a step close to that of the number as it was written.
 * @param {string} number
 * @param {number} factor
 */
function converted(number, factor) {
  const value = Number(number.replace("−", "-")) * factor;
  const decimals = (number.split(".")[1] ?? "").length;
  const size = value === 0 ? 0 : Math.floor(Math.log10(Math.abs(value)));
  // a whole number may be exact: it keeps its value, not the coarse step of its last digit
  const least = decimals > 0 ? 2 : FEWEST_DIGITS;
  const places = Math.max(Math.round(decimals - Math.log10(factor)), least - 1 - size, 0);
  return value.toFixed(Math.min(places, 9));
}

/**
 * A sentence that was written in N and mm, with its quantities in the units that are shown.
 * @param {string} text
 */
export function inUnits(text) {
  return system() === "metric" ? text : text.replace(QUANTITIES, (found, ...rest) => {
    const { quoted, numbers, unit } = rest[rest.length - 1];
    if (quoted) {
      return found;
    }
    const [factor, name] = US[unit];
    const us = `${numbers.replace(new RegExp(NUMBER, "g"), (/** @type {string} */ each) => converted(each, factor))} ${name}`;
    return system() === "both" ? `${found} [${us}]` : us;
  });
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
 * @param {number} factor
 * @param {number} digits
 */
export function digitsOf(factor, digits) {
  return Math.max(0, digits - Math.round(Math.log10(factor)));
}

/**
 * Fills the choice of units, and every element that only names one; `again` draws what is shown anew.
 * @param {() => void} again
 * @param {string} serverUsual
 */
export function offerUnits(again, serverUsual) {
  const choice = at("units");
  usual = ["us", "both"].includes(serverUsual) ? serverUsual : "metric";
  const name = () => {
    document.body.classList.toggle("both-units", system() === "both");
    for (const place of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll("[data-unit]"))) {
      const unit = place.dataset.unit ?? "";
      place.textContent = place.dataset.alone === undefined ? unitName(unit) : shownAs(unit)[1];
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
