// Draws loops, trace and trend. All that is kept has a cap; what is drawn is drawn at most once a frame.

import { at } from "/static/elements.js";
import { library } from "/static/library.js";
import { auxiliaryWords } from "/static/sheet.js";
import { besideAs, shownAs, titled } from "/static/units.js";

const TRACE_S = 30;
const TRACE_POINTS = 4000;
const KEPT_LOOPS = 5;
const KEPT_ROWS = 1500;
const MARKED_ROWS = 60; // Beyond that marks would run into one another, and cost too much to draw.
const TREND_MS = 1000;
const SMALLEST_SPAN = { N: 1, mm: 1 }; // An axis no narrower than this: noise of an idle rig is not drawn as a signal.
const DASHES = ["solid", "9px,3px", "6px,3px", "4px,3px", "2px,3px"];
const CONFIG = { modeBarButtons: [["toImage"]], toImageButtonOptions: { format: "svg" }, displaylogo: false, responsive: true, scrollZoom: false, doubleClick: false };

/** @typedef {"loops" | "trace" | "trend"} Plot */
/** @typedef {{data: Line[], layout: PlotLayout} | null} Figure nothing to draw where it is null */

/** @returns {{next: number | null, time: number[], force: (number | null)[], position: (number | null)[]}} a gap is null */
const noTrace = () => ({ next: null, time: [], force: [], position: [] });

export class Plots {
  /** @type {Plotly | null} */
  #plotly = null;
  #trace = noTrace();
  /** @type {Api.LoopCurve[]} */
  #loops = [];
  /** @type {Api.LoopCurve | null} */
  #first = null;
  /** @type {Curve | null} */
  #kept = null;
  /** @type {Api.CycleRow[]} */
  #rows = [];
  #every = 1;
  /** @type {Api.CycleRow | null} */
  #contact = null;
  #pressing = false;
  /** @type {Set<Plot>} */
  #due = new Set();
  #waiting = false;
  #trendAt = -TREND_MS;

  constructor() {
    library().then((plotly) => {
      this.#plotly = plotly;
      this.redraw();
    }).catch((problem) => {
      for (const empty of document.querySelectorAll(".plot .empty")) {
        empty.textContent = `No plot: ${problem.message}.`;
      }
    });
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.redraw());
    at("trend-log").addEventListener("change", () => this.#draw("trend"));
  }

  clear() {
    this.#trace = noTrace();
    this.clearJob();
  }

  clearJob() {
    this.#loops = [];
    this.#first = null;
    this.#rows = [];
    this.#every = 1;
    this.#contact = null;
    this.redraw();
  }

  /**
   * The loop of a kept capture, to look at beside those that happen now.
   * @param {Curve} loop
   */
  compareWith(loop) {
    this.#kept = loop;
    this.#draw("loops");
  }

  /** @param {Api.News} news */
  add(news) {
    const pressing = news.status.job !== null && news.status.job.kind !== "height";
    if (pressing !== this.#pressing) {
      this.#pressing = pressing;
      this.#draw("loops");
    }
    if (news.trace.time_s.length > 0) {
      this.#addTrace(news.trace);
      this.#draw("trace");
      this.#draw("loops");
    }
    if (news.loops.length > 0) {
      this.#first ??= news.loops.find((loop) => loop.cycle === 1) ?? null;
      this.#loops = this.#loops.concat(news.loops).slice(-KEPT_LOOPS);
      this.#draw("loops");
    }
    if (news.cycles.length > 0) {
      this.#contact = news.cycles[news.cycles.length - 1];
      this.#addRows(news.cycles);
      this.#draw("trend");
    }
  }

  /** @param {Api.News["trace"]} trace */
  #addTrace(trace) {
    const kept = this.#trace;
    const gap = kept.next !== null && trace.first !== kept.next;
    kept.time.push(...(gap ? [trace.time_s[0]] : []), ...trace.time_s);
    kept.force.push(...(gap ? [null] : []), ...trace.force_n);
    kept.position.push(...(gap ? [null] : []), ...trace.position_mm);
    kept.next = trace.first + trace.time_s.length;
    const start = kept.time[kept.time.length - 1] - TRACE_S;
    let old = Math.max(0, kept.time.length - TRACE_POINTS);
    while (kept.time[old] < start) {
      old += 1;
    }
    for (const column of [kept.time, kept.force, kept.position]) {
      column.splice(0, old);
    }
  }

  /** @param {Api.CycleRow[]} rows */
  #addRows(rows) {
    this.#rows.push(...rows.filter((row) => row.cycle % this.#every === 0 || row.cycle === 1));
    while (this.#rows.length > KEPT_ROWS) {
      this.#every *= 2;
      this.#rows = this.#rows.filter((row) => row.cycle % this.#every === 0 || row.cycle === 1);
    }
  }

  redraw() {
    /** @type {Plot[]} */ (["loops", "trace", "trend"]).forEach((name) => this.#draw(name));
  }

  /** @param {Plot} name */
  #draw(name) {
    this.#due.add(name);
    if (this.#plotly === null || this.#waiting) {
      return;
    }
    this.#waiting = true;
    requestAnimationFrame(() => {
      this.#waiting = false;
      const due = [...this.#due];
      this.#due.clear();
      for (const each of due) {
        this.#drawNow(each);
      }
    });
  }

  /** @param {Plot} name */
  #drawNow(name) {
    if (name === "trend") {
      const early = TREND_MS - (performance.now() - this.#trendAt);
      if (early > 0 && this.#rows.length > MARKED_ROWS) {
        setTimeout(() => this.#draw("trend"), early);
        return;
      }
      this.#trendAt = performance.now();
    }
    const figures = { loops: () => this.#loopsFigure(), trace: () => this.#traceFigure(), trend: () => this.#trendFigure() };
    const figure = figures[name]();
    if (figure !== null) {
      at(name).querySelector(".empty")?.remove();
      this.#plotly?.react(at(name), figure.data, figure.layout, CONFIG);
    }
  }

  // The press under way: since the position last lay at the contact of the newest cycle, or, before there
  // is one, at the lowest position of the last half minute.
  #now() {
    // a gap ends the press: NaN is not above the contact
    const [force, position] = [this.#trace.force, this.#trace.position].map((values) => values.map((value) => value ?? NaN));
    const contact = this.#contact?.contact_mm ?? Math.min(...position.filter((place) => !Number.isNaN(place)));
    const zero = this.#contact?.zero_n ?? 0;
    const from = position.findLastIndex((place) => !(place > contact)) + 1;
    return { deflection_mm: position.slice(from).map((place) => place - contact), force_n: force.slice(from).map((value) => value - zero) };
  }

  /** @returns {Figure} */
  #loopsFigure() {
    const ink = colours();
    const now = this.#pressing ? this.#now() : { deflection_mm: [], force_n: [] };
    if (this.#loops.length === 0 && this.#kept === null && now.force_n.length === 0) {
      return document.querySelector("#loops .empty") ? null : { data: [], layout: layout(ink) };
    }
    const last = this.#loops.length - 1;
    const [perN, forceUnit] = shownAs("N");
    const [perMm, lengthUnit] = shownAs("mm");
    /**
     * @param {Curve} loop
     * @param {string | undefined} name
     * @param {object} line
     * @param {boolean} [named] in the legend
     */
    const curve = (loop, name, line, named = true) => ({
      x: loop.deflection_mm.map((value) => value * perMm), y: loop.force_n.map((value) => value * perN), mode: "lines", name, line, showlegend: named,
      hovertemplate: `%{x:.3~f} ${lengthUnit}, %{y:.3~f} ${forceUnit}<extra>%{fullData.name}</extra>`,
    });
    const data = this.#loops.map((loop, index) => curve(loop, `cycle ${loop.cycle}`,
      index === last ? { color: ink.blue, width: 3 } : { color: ink.old, width: 1.4, dash: DASHES[last - index] },
      index === last)); // the caption says what thin lines are; their names would cover the curves on a telephone
    if (this.#first !== null && this.#loops[0]?.cycle > 1) {
      data.unshift(curve(this.#first, "cycle 1", { color: ink.orange, width: 2, dash: "2px,4px" }));
    }
    if (this.#kept !== null) {
      data.unshift(curve(this.#kept, this.#kept.name, { color: ink.soft, width: 2, dash: "10px,4px,2px,4px" }));
    }
    if (now.force_n.length > 0) {
      data.push(curve(now, "now", { color: ink.orange, width: 2 }));
    }
    const made = layout(ink);
    made.xaxis = { ...axis(ink, titled("deflection", "mm")), range: roomy(data.map((line) => line.x), SMALLEST_SPAN.mm * perMm) };
    made.yaxis = { ...axis(ink, titled("force", "N")), range: roomy(data.map((line) => line.y), SMALLEST_SPAN.N * perN) };
    beside(made, ink, "xaxis2", "mm", { overlaying: "x", side: "top" });
    beside(made, ink, "yaxis2", "N", { overlaying: "y", side: "right" });
    made.showlegend = true;
    made.legend = { orientation: "h", x: 0, y: -0.3, xanchor: "left", yanchor: "top", bgcolor: "rgba(0,0,0,0)", traceorder: "reversed", itemclick: false, itemdoubleclick: false };
    return { data: [...data, ...carriers(made, { xaxis: "x2", yaxis: "y2" })], layout: made };
  }

  /** @returns {Figure} */
  #traceFigure() {
    const ink = colours();
    const { time, force, position } = this.#trace;
    if (time.length === 0) {
      return document.querySelector("#trace .empty") ? null : { data: [], layout: layout(ink) };
    }
    const now = time[time.length - 1];
    const before = time.map((time_s) => time_s - now);
    const made = layout(ink);
    made.xaxis = { ...axis(ink, "seconds before now"), range: [-TRACE_S, 0.3], anchor: "y2", zeroline: false };
    made.yaxis = { ...axis(ink, ""), domain: [0.54, 0.94], nticks: 5, range: spread(force, "N") };
    made.yaxis2 = { ...axis(ink, ""), domain: [0, 0.4], nticks: 5, range: spread(position, "mm") };
    made.annotations = [heading(ink, titled("force", "N"), 0.94), heading(ink, titled("position", "mm"), 0.4)];
    /**
     * @param {(number | null)[]} values
     * @param {string} color
     * @param {string} dash
     * @param {string} yaxis
     * @param {string} unit
     */
    const line = (values, color, dash, yaxis, unit) => {
      const [factor, shown] = shownAs(unit);
      const y = values.map((value) => (value === null ? null : value * factor));
      return { x: before, y, mode: "lines", yaxis, line: { color, width: 2, dash }, hovertemplate: `%{y:.3~f} ${shown}<extra></extra>` };
    };
    const lines = [line(force, ink.blue, "solid", "y", "N"), line(position, ink.orange, "5px,2px", "y2", "mm")];
    beside(made, ink, "yaxis3", "N", { overlaying: "y", side: "right" });
    beside(made, ink, "yaxis4", "mm", { overlaying: "y2", side: "right" });
    return { data: [...lines, ...carriers(made, { yaxis: "y3" }, { yaxis: "y4" })], layout: made };
  }

  /** @returns {Figure} */
  #trendFigure() {
    const ink = colours();
    if (this.#rows.length < 2) {
      return document.querySelector("#trend .empty") ? null : { data: [], layout: layout(ink) };
    }
    const warm = warmth(this.#rows);
    /**
     * @param {"set_mm" | "secant_n_per_mm" | "peak_force_n"} name
     * @param {string} unit
     * @returns {(row: Api.CycleRow) => number | null}
     */
    const of = (name, unit) => ({ [name]: value }) => (value === null ? null : value * shownAs(unit)[0]);
    const series = [
      { title: titled("permanent set", "mm"), of: of("set_mm", "mm"), color: ink.orange, symbol: "circle" },
      { title: titled("secant stiffness", "N/mm"), of: of("secant_n_per_mm", "N/mm"), color: ink.blue, symbol: "square" },
      { title: titled("peak force", "N"), of: of("peak_force_n", "N"), color: ink.blue, symbol: "diamond" },
    ];
    if (warm !== null) {
      const [words, unit] = auxiliaryWords(warm);
      const title = `temperature of ${words === "air" ? "the air" : "the specimen"}, ${unit}`;
      series.push({ title, of: (row) => row.auxiliary[warm] ?? null, color: ink.ink, symbol: "x-thin-open" });
    }
    const made = layout(ink);
    /** @type {object[]} */
    const annotations = made.annotations = [];
    const logarithmic = at("trend-log").checked;
    const data = series.flatMap(({ title, ...look }, index) => {
      const name = index === 0 ? "" : String(index + 1);
      const height = 1 / series.length;
      const top = 1 - (index + 0.22) * height;
      made[`yaxis${name}`] = { ...axis(ink, ""), domain: [1 - (index + 1) * height, top], nticks: 4, zeroline: false };
      annotations.push(heading(ink, title, top));
      return trendLines(this.#rows, { ...look, yaxis: `y${name}` });
    });
    const whole = logarithmic || this.#rows.length < 8 ? { dtick: 1 } : {}; // There is no half a cycle.
    made.xaxis = { ...axis(ink, "cycle"), anchor: `y${series.length}`, zeroline: false, type: logarithmic ? "log" : "linear", ...whole };
    return { data, layout: made };
  }
}

/**
 * One quantity over the cycles: marks while there is room for them, then a line; flagged cycles are open marks.
 * @param {Api.CycleRow[]} rows
 * @param {{of: (row: Api.CycleRow) => number | null, color: string, symbol: string, yaxis: string}} look
 */
function trendLines(rows, { of, color, symbol, yaxis }) {
  /**
   * @param {Api.CycleRow[]} chosen
   * @param {"lines" | "markers"} mode
   * @param {string | string[]} mark
   */
  const line = (chosen, mode, mark) => ({
    x: chosen.map((row) => row.cycle), y: chosen.map(of), yaxis, mode, line: { color, width: 2 },
    marker: { color, size: 6, symbol: mark }, hovertemplate: "cycle %{x}: %{y:.4g}<extra></extra>",
  });
  const open = symbol.endsWith("open") ? symbol : `${symbol}-open`;
  const flagged = rows.filter((row) => row.flags.length > 0);
  if (rows.length > MARKED_ROWS) {
    return [line(rows, "lines", symbol), line(flagged, "markers", open)];
  }
  return [line(rows, "markers", rows.map((row) => (row.flags.length > 0 ? open : symbol)))];
}

/**
 * The quantity to show beside softening: the temperature of the specimen, or that of the air.
 * @param {Api.CycleRow[]} rows
 */
function warmth(rows) {
  const keys = [...new Set(rows.flatMap((row) => Object.keys(row.auxiliary)))];
  return ["specimen_temperature", "ambient_temperature"].find((key) => keys.includes(key)) ?? null;
}

function colours() {
  const style = getComputedStyle(document.documentElement);
  /** @param {string} name */
  const of = (name) => style.getPropertyValue(`--${name}`).trim();
  return { ink: of("ink"), soft: of("soft"), blue: of("blue"), orange: of("orange"), old: of("old"), grid: of("grid"), paper: of("paper"), words: of("words") };
}

/** @typedef {ReturnType<typeof colours>} Ink */

/**
 * @param {Ink} ink
 * @returns {PlotLayout}
 */
function layout(ink) {
  return {
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", dragmode: false, showlegend: false, hovermode: "closest",
    margin: { l: 62, r: 10, t: 8, b: 44 }, font: { family: ink.words, size: 13, color: ink.ink },
    hoverlabel: { bgcolor: ink.paper, bordercolor: ink.ink, font: { color: ink.ink } },
    modebar: { bgcolor: "rgba(0,0,0,0)", color: ink.soft, activecolor: ink.ink },
    xaxis: axis(ink, ""), yaxis: axis(ink, ""),
  };
}

/**
 * From zero, or what lies below it, to a little beyond the largest value.
 * @param {number[][]} columns
 * @param {number} least of the range
 */
function roomy(columns, least) {
  const values = columns.flat();
  const low = Math.min(0, ...values);
  const high = Math.max(low + least, ...values);
  const room = 0.06 * (high - low);
  return [low - room / 2, high + room];
}

/**
 * A range about the values, in the unit that is shown.
 * @param {(number | null)[]} values
 * @param {"N" | "mm"} unit
 */
function spread(values, unit) {
  const present = values.filter((value) => value !== null);
  const [low, high] = [Math.min(...present), Math.max(...present)];
  const half = Math.max(1.1 * (high - low), SMALLEST_SPAN[unit]) / 2;
  return [(low + high) / 2 - half, (low + high) / 2 + half].map((value) => value * shownAs(unit)[0]);
}

/**
 * Adds an axis of the unit beside the one that is shown, with the same extent as the main axis, where there is one.
 * @param {PlotLayout} made
 * @param {Ink} ink
 * @param {string} name
 * @param {string} unit
 * @param {{overlaying: "x" | "y" | "y2", side: string}} look
 */
function beside(made, ink, name, unit, look) {
  const other = besideAs(unit);
  const main = /** @type {{range: number[], nticks?: number}} */ (made[look.overlaying.replace(/^[xy]/, "$&axis")]);
  if (other !== null) {
    made[name] = { ...axis(ink, other[1]), ...look, range: main.range.map((value) => value * other[0]), nticks: main.nticks ?? 0, tickmode: "auto",
      showgrid: false, zeroline: false, showline: false };
  }
}

/**
 * An axis without a line is not drawn: lines without points, where there are second axes.
 * @param {PlotLayout} made
 * @param {object[]} axes
 * @returns {Line[]}
 */
function carriers(made, ...axes) {
  return made.yaxis3 || made.xaxis2 ? axes.map((each) => ({ ...each, x: [null], y: [null], mode: "lines", hoverinfo: "skip", showlegend: false })) : [];
}

/**
 * The name of a panel, written along its top edge.
 * @param {Ink} ink
 * @param {string} text
 * @param {number} y
 */
function heading(ink, text, y) {
  return { text, x: 0, y, xref: "paper", yref: "paper", xanchor: "left", yanchor: "bottom", showarrow: false, font: { size: 13, color: ink.soft } };
}

/**
 * @param {Ink} ink
 * @param {string} title
 */
function axis(ink, title) {
  return {
    title: { text: title, standoff: 6, font: { size: 13, color: ink.soft } }, gridcolor: ink.grid, linecolor: ink.ink, linewidth: 1.5,
    showline: true, ticks: "outside", ticklen: 4, tickcolor: ink.ink, zeroline: true, zerolinecolor: ink.soft, zerolinewidth: 1,
    fixedrange: true, automargin: true,
  };
}
