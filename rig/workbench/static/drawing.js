// Plots of the workbench: the library from the installed package, colours and rules from the sheet.

import { library } from "/static/library.js";

const CONFIG = { displaylogo: false, responsive: true, scrollZoom: true, toImageButtonOptions: { format: "svg" },
  modeBarButtonsToRemove: ["select2d", "lasso2d", "autoScale2d"] };

const DARK = matchMedia("(prefers-color-scheme: dark)").matches;
export const COLOURS = DARK ? ["#7fb8ee", "#f0a060", "#9fce7a", "#d894c4", "#6fcaca", "#d8c350", "#b0a4f0", "#ee8aa4"]
  : ["#0a4f8c", "#b0500a", "#4b7a2a", "#7a2a66", "#157a7a", "#8a7400", "#5b4bb0", "#a03050"];
export const DASHES = ["solid", "9px,3px", "3px,3px", "9px,3px,2px,3px"];

function ink(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
}

function axis(title, more = {}) {
  return { title: { text: title, standoff: 8 }, gridcolor: ink("grid"), linecolor: ink("ink"), zerolinecolor: ink("rule"),
    ticks: "outside", tickcolor: ink("soft"), automargin: true, ...more };
}

export async function draw(place, data, axes, more = {}) {
  const plotly = await library();
  place.querySelector(".empty")?.remove();
  const layout = {
    paper_bgcolor: ink("paper"), plot_bgcolor: ink("paper"), font: { color: ink("ink"), family: "system-ui, sans-serif", size: 13 },
    margin: { l: 64, r: 16, t: 16, b: 52 }, showlegend: data.some((line) => line.showlegend !== false && line.name), hovermode: "closest",
    legend: { orientation: "h", y: 1.02, yanchor: "bottom", x: 0 }, uirevision: "kept",
    modebar: { bgcolor: "rgba(0,0,0,0)", color: ink("soft"), activecolor: ink("ink") }, ...more,
  };
  for (const [name, [title, settings]] of Object.entries(axes)) {
    layout[name] = axis(title, settings);
  }
  await plotly.react(place, data, layout, CONFIG);
  return plotly;
}
