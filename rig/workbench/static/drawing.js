// Plots of the workbench: the library from the installed package, colours and rules from the sheet.

import { library } from "/static/library.js";

const CONFIG = { displaylogo: false, responsive: true, scrollZoom: true, toImageButtonOptions: { format: "svg" },
  modeBarButtons: [["toImage"], ["zoom2d", "pan2d"], ["zoomIn2d", "zoomOut2d", "resetScale2d"]] };

const DARK = matchMedia("(prefers-color-scheme: dark)");
const ON_DARK = ["#7fb8ee", "#f0a060", "#9fce7a", "#d894c4", "#6fcaca", "#d8c350", "#b0a4f0", "#ee8aa4"];
const ON_LIGHT = ["#0a4f8c", "#b0500a", "#4b7a2a", "#7a2a66", "#157a7a", "#8a7400", "#5b4bb0", "#a03050"];
export let COLOURS = DARK.matches ? ON_DARK : ON_LIGHT;
DARK.addEventListener("change", () => {
  COLOURS = DARK.matches ? ON_DARK : ON_LIGHT;
});
export const DASHES = ["solid", "9px,3px", "3px,3px", "9px,3px,2px,3px"];

/** @param {string} name */
function ink(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
}

/**
 * @param {string} title
 * @param {object} [more]
 */
function axis(title, more = {}) {
  return { title: { text: title, standoff: 8 }, gridcolor: ink("grid"), linecolor: ink("ink"), zerolinecolor: ink("rule"),
    ticks: "outside", tickcolor: ink("soft"), automargin: true, ...more };
}

/**
 * A range with room at both ends: lines alone would reach the edge of the plot.
 * @param {(number | null)[][]} columns
 */
export function roomy(columns) {
  const values = columns.flat().filter((value) => value !== null);
  const [low, high] = [Math.min(...values), Math.max(...values)];
  const room = 0.03 * (high - low || 1);
  return values.length > 0 ? [low - room, high + room] : [0, 1];
}

/**
 * @param {HTMLElement} place
 * @param {Line[]} data
 * @param {{[name: string]: [string, object?]}} axes titles, and what else is set
 */
export async function draw(place, data, axes) {
  const plotly = await library();
  place.querySelector(".empty")?.remove();
  /** @type {PlotLayout} */
  const layout = {
    paper_bgcolor: ink("paper"), plot_bgcolor: ink("paper"), font: { color: ink("ink"), family: "system-ui, sans-serif", size: 13 },
    margin: { l: 64, r: 16, t: 34, b: 52 }, showlegend: data.some((line) => line.showlegend !== false && line.name), hovermode: "closest",
    legend: { orientation: "h", y: -0.18, yanchor: "top", x: 0 }, uirevision: "kept",
    modebar: { bgcolor: "rgba(0,0,0,0)", color: ink("soft"), activecolor: ink("ink") },
  };
  for (const [name, [title, settings]] of Object.entries(axes)) {
    layout[name] = axis(title, settings);
  }
  return plotly.react(place, data, layout, CONFIG);
}
