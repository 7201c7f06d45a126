// One capture: its figures, loops, trace, cycles, and what it says about itself.

import { at, made } from "/static/elements.js";
import { ask } from "/static/orders.js";
import { COLOURS, draw, roomy } from "/static/workbench/drawing.js";
import {
  aboutOf, analysed, choose, chosen, fetched, linkTo, quantityHeads, say, seconds, shown, unitsKnown, whenLookChanges, withWords, writtenMean,
} from "/static/workbench/frame.js";
import { besideAs, shownAs, titled } from "/static/units.js";

const LOOPS = 12;
/** @type {Column[]} */
const COLUMNS = [["peak_force_n", "Peak force", "N"], ["peak_deflection_mm", "Peak deflection", "mm"], ["secant_n_per_mm", "Secant stiffness", "N/mm"],
  ["energy_absorbed_mj", "Energy absorbed", "mJ"], ["hysteresis_pct", "Hysteresis", "%"], ["set_mm", "Permanent set", "mm"]];
/** @type {Column[]} */
const HEADLINE = [["secant_n_per_mm", "Secant stiffness", "N/mm"], ["peak_force_n", "Peak force", "N"], ["hysteresis_pct", "Hysteresis", "%"],
  ["energy_return_pct", "Energy return", "%"], ["set_mm", "Permanent set", "mm"]];

const capture = new URLSearchParams(location.search).get("capture") ?? "";
let start = 0;

/** @param {CaptureResult} found */
function headline(found) {
  at("headline").replaceChildren(...HEADLINE.map(([name, title, unit]) => {
    const mean = found.summary[name];
    const cell = made("div", "", { class: "cell" });
    const [factor, word] = shownAs(unit);
    const beside = besideAs(unit);
    const big = made("span", `${writtenMean(mean, factor)} `, { class: "big" });
    big.append(made("small", word));
    cell.append(made("span", title, { class: "label" }), big, ...(beside ? [made("span", `${writtenMean(mean, beside[0])} ${beside[1]}`, { class: "beside" })] : []), made("span", mean.n ? `${mean.n} cycles, 95 % interval` : "no cycle counts", { class: "small" }));
    return cell;
  }));
}

/**
 * @param {Measured} found
 * @param {About["left_out_cycles"]} outside
 */
function cycles(found, outside) {
  at("heads").replaceChildren(made("th", "Cycle", { scope: "col" }), ...quantityHeads(COLUMNS),
    made("th", "Flags", { scope: "col", class: "text" }), made("th", "", { scope: "col" }));
  at("cycles").replaceChildren(...found.capture.cycles.map((row) => {
    const line = made("tr");
    const reason = outside[row.cycle];
    line.classList.toggle("out", reason !== undefined);
    line.classList.toggle("flagged", row.flags.length > 0);
    const form = reason === undefined ? "exclude" : "restore";
    const act = made("td", "", { class: "words" });
    act.append(linkTo("/ask", { form, capture, "--cycles": row.cycle }, reason === undefined ? "exclude" : "restore"));
    const words = [...row.flags, ...(reason === undefined ? [] : [`excluded: ${reason}`])].join(", ");
    line.append(made("td", row.cycle), ...COLUMNS.map(([name, , unit]) => made("td", shown(row[name], unit, row[`${name}_u`]))), made("td", words, { class: "text words" }), act);
    return line;
  }));
  const more = found.cycles > found.capture.cycles.length ? `, the first ${found.capture.cycles.length} shown` : "";
  at("cycles-words").textContent = `${found.cycles} cycles${more}. Digits follow the standard uncertainty of each value.`;
  at("warnings").replaceChildren(...found.capture.warnings.map((warning) => made("li", warning)));
}

/** @param {CaptureResult} found */
async function loops(found) {
  const all = found.cycles.filter((row) => row.start_s !== null && row.end_s !== null);
  const drawn = all.length <= LOOPS ? all : [...all.slice(0, 1), ...all.slice(1 - LOOPS)];
  const [perMm, lengthUnit] = shownAs("mm");
  const [perN, forceUnit] = shownAs("N");
  const lines = await Promise.all(drawn.map(async (row, place) => {
    const part = await fetched("trace", { capture, from_s: row.start_s, to_s: row.end_s, points: 1200 });
    const zero = row.contact_mm ?? part.position_mm[0];
    const first = place === 0 && drawn.length > 1;
    return { x: part.position_mm.map((value) => (value - zero) * perMm), y: part.force_n.map((value) => (value - (row.zero_n ?? 0)) * perN), mode: "lines", name: `cycle ${row.cycle}`, showlegend: false,
      line: { color: COLOURS[0], width: place === drawn.length - 1 ? 2.4 : 1, dash: first ? "dot" : "solid" }, opacity: place === drawn.length - 1 ? 1 : 0.6,
      hovertemplate: `%{x:.3~f} ${lengthUnit}, %{y:.3~f} ${forceUnit}` };
  }));
  if (lines.length > 0) {
    await draw(at("loops"), lines, { xaxis: [titled("Deflection", "mm"), { range: roomy(lines.map(({ x }) => x)) }], yaxis: [titled("Force", "N")] });
  } else {
    at("loops").replaceChildren(made("p", "No cycle was found.", { class: "empty" }));
  }
}

/** @type {[number?, number?]} the whole where there is none */
let shownInterval = [];

/**
 * @param {number} [from]
 * @param {number} [to]
 */
async function trace(from, to) {
  shownInterval = [from, to];
  const part = await fetched("trace", { capture, from_s: from, to_s: to, points: 3000 });
  const time = part.time_s.map((value) => value - (part.timed ? start : 0));
  at("thinned").textContent = part.thinned
    ? `${part.time_s.length} of ${part.samples} samples, extremes kept; as recorded, zero not subtracted.` : "Every sample; as recorded, zero not subtracted.";
  return draw(at("trace"), [
    { x: time, y: part.force_n.map((value) => value * shownAs("N")[0]), mode: "lines", name: titled("force", "N"), line: { color: COLOURS[0], width: 1.4 } },
    { x: time, y: part.position_mm.map((value) => value * shownAs("mm")[0]), mode: "lines", name: titled("position", "mm"), line: { color: COLOURS[1], width: 1.4, dash: "6px,2px" }, yaxis: "y2" },
  ], { xaxis: [part.timed ? "Time, s" : "Sample", { anchor: "y2" }], yaxis: [titled("Force", "N"), { domain: [0.54, 1] }], yaxis2: [titled("Position", "mm"), { domain: [0, 0.46] }] });
}

/** @param {PlotElement} plot */
function followZoom(plot) {
  let asked = 0;
  plot.on("plotly_relayout", (change) => withWords(async () => {
    const from = change["xaxis.range[0]"];
    const to = change["xaxis.range[1]"];
    const whole = change["xaxis.autorange"] === true;
    if (from === undefined && !whole) {
      return;
    }
    const number = (asked += 1);
    await new Promise((done) => setTimeout(done, 120));
    if (number === asked) {
      await (whole ? trace() : trace(Number(from) + start, Number(to) + start));
    }
  }));
}

/**
 * How counts became newtons and millimetres.
 * @param {About["header"]["calibration"]} calibration
 * @returns {[string, string][]}
 */
function calibrated(calibration) {
  if (calibration === null) {
    return [["calibration", "none: raw counts"]];
  }
  const { name, force, position, force_delay_s, compliance_mm_per_n } = calibration;
  /** @type {[string, string][]} */
  const known = name ? [["calibration", name]] : [];
  if (force) {
    known.push(["force scale", `${force.per_count_n} N per count, zero at ${force.zero_counts} counts`]);
  }
  if (position) {
    known.push(["position scale", `${position.per_count_mm} mm per count, zero at ${position.zero_counts} counts`]);
  }
  known.push(["force-position time offset", force_delay_s ? `${force_delay_s * 1000} ms` : "0 s assumed"],
    ["frame compliance", compliance_mm_per_n ? `${compliance_mm_per_n} mm/N` : "0 mm/N assumed"]);
  return known;
}

let eventsShown = 0;

// What happened while it was recorded, a part at a time: a long run has hundreds of thousands of events.
async function events() {
  const found = await fetched("events", { capture, start: eventsShown });
  eventsShown += found.events.length;
  at("events").append(...found.events.map(({ time, kind, about }) => {
    const line = made("tr");
    line.append(made("td", time.slice(0, 19).replace("T", " "), { class: "text" }), made("td", kind, { class: "text" }), made("td", about, { class: "text words" }));
    return line;
  }));
  at("more-events").hidden = !found.more;
  at("events-words").textContent = eventsShown === 0 ? "None recorded." : `${found.more ? "The first " : ""}${eventsShown} events, by the clock of the computer (UTC).`;
}

/** @param {About} about */
function facts({ header, duration_s: length_s, ended, amendments }) {
  /**
   * @param {number | null} value
   * @param {string} unit
   */
  const sized = (value, unit) => value && shown(value, unit, null, true);
  /** @type {[string, string | number | null | undefined][]} */
  const places = [
    ["specimen", header.specimen], ["batch", header.batch], ["free height", sized(header.free_height_mm, "mm")],
    ["loaded area", sized(header.area_mm2, "mm²")], ...Object.entries(header.conditions),
    ["started", header.started.replace("T", " ").replace("+00:00", " UTC")], ["length", seconds(length_s)], ["ended", ended],
    ["operator", header.operator], ["notes", header.notes], ["rig", header.rig.name], ["method", header.method?.name],
    ...calibrated(header.calibration), ["source", header.source], ["software", header.software],
  ];
  places.push(...header.warnings.map((words) => /** @type {[string, string]} */ (["warning", words])),
    ...amendments.map((words) => /** @type {[string, string]} */ (["amended", words])));
  at("facts").replaceChildren(...places.filter(([, value]) => value).map(([name, value]) => {
    const line = made("div");
    line.append(made("dt", name), made("dd", String(value)));
    return line;
  }));
}

/** @param {About} about */
async function actions(about) {
  const tick = made("button", chosen().has(capture) ? "Untick" : "Tick for overlay and questions", { type: "button", class: "plain" });
  tick.addEventListener("click", () => {
    const names = chosen();
    names[names.has(capture) ? "delete" : "add"](capture);
    choose(names);
    tick.textContent = names.has(capture) ? "Untick" : "Tick for overlay and questions";
  });
  const links = [linkTo("/overlay", { capture: [...new Set([...chosen(), capture])] }, "Overlay with the ticked"),
    linkTo("/ask", { form: "amend", capture }, "Amend"),
    linkTo("/ask", { form: about.left_out ? "restore" : "exclude", capture }, about.left_out ? "Restore" : "Exclude")];
  if ((await ask("pages")).live) {
    links.push(linkTo("/", { with: capture }, "Compare live with this"));
  }
  links.forEach((link) => link.classList.add("plain"));
  at("actions").replaceChildren(tick, ...links);
  standing(about);
}

/** @param {About} about */
function standing(about) {
  say(about.left_out ? `Excluded from every result: ${about.left_out}`
    : about.still_recording ? "Still recording: reload the page to see what came since." : "", Boolean(about.left_out));
}

/** @param {About} about */
async function measure(about) {
  const left = at("conditioning").value;
  const found = await analysed(capture, left, (words) => say(words));
  standing(about);
  const fill = () => {
    facts(about);
    headline(found.capture);
    cycles(found, about.left_out_cycles);
    return loops(found.capture);
  };
  whenLookChanges(() => withWords(async () => {
    await fill();
    await trace(...shownInterval);
  }));
  await fill();
}

withWords(async () => {
  await unitsKnown;
  const about = await aboutOf(capture);
  at("title").textContent = [about.header.specimen, about.header.batch].filter(Boolean).join(", ");
  document.title = `${about.header.specimen} – press rig`;
  facts(about);
  await actions(about);
  at("settings").addEventListener("submit", (event) => event.preventDefault());
  at("conditioning").addEventListener("change", () => withWords(() => measure(about)));
  try {
    const whole = await fetched("trace", { capture, points: 16 });
    start = whole.timed ? whole.start_s : 0;
    whenLookChanges(() => withWords(() => trace(...shownInterval)));
    followZoom(await trace());
  } catch (problem) {
    at("trace").replaceChildren(made("p", problem instanceof Error ? problem.message : "", { class: "empty" }));
  }
  at("more-events").addEventListener("click", () => withWords(events));
  await Promise.all([measure(about), events()]);
});
