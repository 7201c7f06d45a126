// Loops of many captures over one another, and their means side by side.

import { at, made } from "/static/elements.js";
import { drawnName } from "/static/library.js";
import { COLOURS, DASHES, draw, roomy } from "/static/workbench/drawing.js";
import {
  aboutOf, analysed, chosen, fetched, linkTo, quantityHeads, say, shownMean, unitsKnown, whenLookChanges, withWords,
} from "/static/workbench/frame.js";
import { shownAs, titled } from "/static/units.js";

const MOST = 24;
const CYCLES = 12;
const GRID = 161;
/** @type {("draw" | "which" | "against" | "by")[]} */
const SETTINGS = ["draw", "which", "against", "by"];
/** @type {Column[]} */
const COLUMNS = [["secant_n_per_mm", "Secant stiffness", "N/mm"], ["peak_force_n", "Peak force", "N"], ["peak_deflection_mm", "Peak deflection", "mm"],
  ["hysteresis_pct", "Hysteresis", "%"], ["set_mm", "Permanent set", "mm"]];

const parameters = new URLSearchParams(location.search);
const captures = (parameters.has("capture") ? parameters.getAll("capture") : [...chosen()]).slice(0, MOST);
/** @type {Map<string, {about: About, found: Measured}>} */
const kept = new Map();
/** @type {string[]} why some captures cannot be drawn */
const problems = [];

for (const name of SETTINGS) {
  at(name).value = parameters.get(name) ?? at(name).value;
  if (!at(name).value) {
    at(name).selectedIndex = 0;
  }
}

/** @param {About} about */
function groupOf({ id, header: { specimen, batch, conditions } }) {
  const group = { capture: id, batch: batch ?? "no batch", state: conditions.state ?? "no state", specimen }[at("by").value];
  return drawnName(String(group));
}

/** @param {Measured} found */
function cyclesOf(found) {
  const all = found.capture.cycles.filter((row) => row.start_s !== null && row.end_s !== null);
  return { first: all.slice(0, 1), last: all.slice(-1), all: all.slice(0, CYCLES) }[at("which").value] ?? [];
}

/**
 * The loop of a cycle: places along the axis that is chosen, force without its zero.
 * @param {About} about
 * @param {CycleResult} row
 * @returns {Promise<Loop>}
 */
async function loopOf({ id: capture, header }, row) {
  const part = await fetched("trace", { capture, from_s: row.start_s, to_s: row.end_s, points: 1000 });
  const against = at("against").value;
  const zero = against === "position" ? 0 : row.contact_mm ?? part.position_mm[0];
  const scale = against === "percent" ? 100 / (header.free_height_mm ?? NaN) : shownAs("mm")[0];
  return { x: part.position_mm.map((value) => (value - zero) * scale), y: part.force_n.map((value) => (value - (row.zero_n ?? 0)) * shownAs("N")[0]) };
}

/** @typedef {{x: number[], y: number[]}} Loop */

/**
 * Force of the loading stroke at each place of a grid; nothing beyond the depth that was reached.
 * @param {Loop} loop
 * @param {number[]} grid
 */
function loadingAt({ x, y }, grid) {
  const turn = x.indexOf(Math.max(...x));
  let place = 0;
  return grid.map((wanted) => {
    while (place < turn && x[place + 1] < wanted) {
      place += 1;
    }
    const [left, right] = [x[place], x[place + 1]];
    return wanted < left || wanted > x[turn] ? null : right > left ? y[place] + (y[place + 1] - y[place]) * (wanted - left) / (right - left) : y[place];
  });
}

/**
 * Mean force of a group's loading strokes and their range, up to the depth that all of them reached.
 * @param {Loop[]} loops
 * @param {string} name
 * @param {string} colour
 */
function meanAndRange(loops, name, colour) {
  const reached = Math.min(...loops.map(({ x }) => Math.max(...x)));
  const grid = Array.from({ length: GRID }, (_, place) => reached * place / (GRID - 1));
  const strokes = loops.map((loop) => loadingAt(loop, grid));
  const across = grid.map((_, place) => strokes.map((stroke) => stroke[place]).filter((force) => force !== null));
  const places = grid.filter((_, place) => across[place].length === loops.length);
  const full = across.filter((forces) => forces.length === loops.length);
  const line = { mode: "lines", legendgroup: name, x: places };
  const edge = { ...line, line: { width: 0, color: colour }, showlegend: false, hoverinfo: "skip" };
  return [
    { ...edge, y: full.map((forces) => Math.min(...forces)) },
    { ...edge, y: full.map((forces) => Math.max(...forces)), fill: "tonexty", fillcolor: `${colour}33` },
    { ...line, y: full.map((forces) => forces.reduce((sum, force) => sum + force, 0) / forces.length), name: `${name}: mean of ${loops.length}`,
      line: { color: colour, width: 2.4 }, hovertemplate: "%{x:.3~f}, %{y:.3~f}<extra></extra>" },
  ];
}

// What is known of the captures, in the order in which they were chosen.
function inOrder() {
  return captures.flatMap((capture) => kept.get(capture) ?? []);
}

async function loops() {
  const against = at("against").value;
  const usable = inOrder().filter(({ about }) => against !== "percent" || about.header.free_height_mm);
  const drawn = await Promise.all(usable.flatMap(({ about, found }) => cyclesOf(found).map(async (row) => ({
    capture: about.id, row, group: groupOf(about), loop: await loopOf(about, row),
  }))));
  const groups = [...new Set(drawn.map(({ group }) => group))];
  /** @param {string} group */
  const colourOf = (group) => COLOURS[groups.indexOf(group) % COLOURS.length];
  /** @param {string} group */
  const dashOf = (group) => DASHES[Math.floor(groups.indexOf(group) / COLOURS.length) % DASHES.length];
  const lines = at("draw").value === "means"
    ? groups.flatMap((group) => meanAndRange(drawn.filter((line) => line.group === group).map(({ loop }) => loop), group, colourOf(group)))
    : drawn.map(({ capture, row, group, loop }, place) => ({
      ...loop, mode: "lines", name: group, legendgroup: group, showlegend: drawn.findIndex((line) => line.group === group) === place,
      line: { color: colourOf(group), dash: dashOf(group), width: 1.8 },
      hovertemplate: `${drawnName(capture)}, cycle ${row.cycle}: %{x:.3~f}, %{y:.3~f} ${shownAs("N")[1]}<extra></extra>`,
    }));
  at("loops-title").textContent = at("draw").value === "means" ? "Loading curves: mean and range" : "Loops overlaid";
  const without = kept.size - usable.length;
  say([...problems, ...(without > 0 ? [`Not drawn: ${without} without a free height.`] : [])].join(" "), problems.length > 0);
  /** @type {{[against: string]: string}} */
  const titles = { deflection: titled("Deflection", "mm"), percent: "Deflection, % of free height", position: titled("Position", "mm") };
  await draw(at("loops"), lines, { xaxis: [titles[against], { range: roomy(lines.map(({ x }) => x)) }], yaxis: [titled("Force", "N")] });
}

function table() {
  at("heads").replaceChildren(made("th", "Capture", { scope: "col", class: "text" }), made("th", "Batch", { scope: "col", class: "text" }),
    made("th", "State", { scope: "col", class: "text" }), ...quantityHeads(COLUMNS), made("th", "Cycles", { scope: "col" }));
  at("rows").replaceChildren(...inOrder().map(({ about, found }) => {
    const line = made("tr");
    const name = made("td", "", { class: "text" });
    name.append(linkTo("/capture", { capture: about.id }, about.header.specimen));
    line.append(name, made("td", about.header.batch ?? "", { class: "text" }), made("td", about.header.conditions.state ?? "", { class: "text" }), ...COLUMNS.map(([quantity, , unit]) => made("td", shownMean(found.capture.summary[quantity], unit))), made("td", found.cycles));
    return line;
  }));
}

function remember() {
  const search = new URLSearchParams(captures.map((capture) => ["capture", capture]));
  for (const name of SETTINGS) {
    search.append(name, at(name).value);
  }
  history.replaceState(null, "", `/overlay?${search}`);
}

withWords(async () => {
  await unitsKnown;
  const links = ["compare", "sheet"].map((form) => linkTo("/ask", { form, capture: captures }, form === "compare" ? "Compare them" : "Design sheet of them"));
  links.forEach((link) => link.classList.add("plain"));
  if (captures.length === 0) {
    return;
  }
  at("actions").replaceChildren(...links);
  at("settings").addEventListener("change", () => withWords(async () => {
    remember();
    await loops();
  }));
  remember();
  await Promise.all(captures.map(async (capture) => {
    try {
      const [about, found] = await Promise.all([aboutOf(capture), analysed(capture, "", (words) => say(words))]);
      kept.set(capture, { about, found });
    } catch (problem) {
      problems.push(`Not drawn: ${problem instanceof Error ? problem.message : problem}.`);
    }
    say(`${kept.size} of ${captures.length} captures are measured.`);
  }));
  const fill = () => {
    table();
    return loops();
  };
  whenLookChanges(() => withWords(fill));
  await fill();
});
