// Loops of many captures over one another, and their means side by side.

import { COLOURS, DASHES, draw } from "/static/workbench/drawing.js";
import { analysed, chosen, element, fetched, figures, linkTo, made, say, withWords } from "/static/workbench/frame.js";

const MOST = 24;
const CYCLES = 12;
const COLUMNS = [["secant_n_per_mm", "Secant stiffness", "N/mm"], ["peak_force_n", "Peak force", "N"], ["peak_deflection_mm", "Peak deflection", "mm"],
  ["hysteresis_pct", "Hysteresis", "%"], ["energy_return_pct", "Energy return", "%"], ["set_mm", "Permanent set", "mm"]];

const parameters = new URLSearchParams(location.search);
const captures = (parameters.has("capture") ? parameters.getAll("capture") : [...chosen()]).slice(0, MOST);
const kept = new Map();

for (const name of ["which", "against", "by"]) {
  element(name).value = parameters.get(name) ?? element(name).value;
  if (!element(name).value) {
    element(name).selectedIndex = 0;
  }
}

function known(capture) {
  const { about } = kept.get(capture);
  return { capture, batch: about.header.batch ?? "no batch", state: about.header.conditions.state ?? "no state", specimen: about.header.specimen };
}

function cyclesOf(capture) {
  const all = kept.get(capture).found.capture.cycles.filter((row) => row.start_s !== null && row.end_s !== null);
  return { first: all.slice(0, 1), last: all.slice(-1), all: all.slice(0, CYCLES) }[element("which").value];
}

async function loopOf(capture, row, colour, group, isFirst) {
  const part = await fetched("trace", { capture, from_s: row.start_s, to_s: row.end_s, points: 1000 });
  const against = element("against").value;
  const height = kept.get(capture).about.header.free_height_mm;
  const zero = against === "position" ? 0 : row.contact_mm ?? part.position_mm[0];
  const scale = against === "percent" ? 100 / height : 1;
  return { x: part.position_mm.map((value) => (value - zero) * scale), y: part.force_n.map((value) => value - (row.zero_n ?? 0)), mode: "lines",
    name: group, legendgroup: group, showlegend: isFirst, line: { color: COLOURS[colour % COLOURS.length], dash: DASHES[Math.floor(colour / COLOURS.length) % DASHES.length], width: 1.8 },
    hovertemplate: `${capture.replaceAll(/[<&]/g, " ")}, cycle ${row.cycle}: %{x:.2f}, %{y:.2f} N<extra></extra>` };
}

async function loops() {
  const against = element("against").value;
  const usable = captures.filter((capture) => against !== "percent" || kept.get(capture).about.header.free_height_mm);
  const groups = [...new Set(usable.map((capture) => known(capture)[element("by").value]))];
  const seen = new Set();
  const lines = await Promise.all(usable.flatMap((capture) => {
    const group = known(capture)[element("by").value];
    return cyclesOf(capture).map((row) => {
      const isFirst = !seen.has(group);
      seen.add(group);
      return loopOf(capture, row, groups.indexOf(group), group.replaceAll(/[<&]/g, " "), isFirst);
    });
  }));
  say(usable.length < captures.length ? `${captures.length - usable.length} captures have no free height and are not drawn.` : "");
  const titles = { deflection: "Deflection, mm", percent: "Deflection, % of free height", position: "Position, mm" };
  await draw(element("loops"), lines, { xaxis: [titles[against]], yaxis: ["Force, N"] });
}

function table() {
  element("heads").replaceChildren(made("th", "Capture", { scope: "col", class: "text" }), made("th", "Batch", { scope: "col", class: "text" }), ...COLUMNS.map(([, title, unit]) => {
    const head = made("th", title, { scope: "col" });
    head.append(made("small", unit));
    return head;
  }), made("th", "Cycles", { scope: "col" }));
  element("rows").replaceChildren(...captures.map((capture) => {
    const { about, found } = kept.get(capture);
    const line = made("tr");
    const name = made("td", "", { class: "text" });
    name.append(linkTo("/capture", { capture }, about.header.specimen));
    line.append(name, made("td", about.header.batch ?? "", { class: "text" }), ...COLUMNS.map(([quantity]) => {
      const mean = found.capture.summary[quantity];
      const sure = mean?.half95 ? ` ± ${figures(mean.half95, mean.half95 / 2)}` : "";
      return made("td", mean ? `${figures(mean.mean, mean.half95 / 2)}${sure}` : "–");
    }), made("td", found.cycles));
    return line;
  }));
}

function remember() {
  const search = new URLSearchParams(captures.map((capture) => ["capture", capture]));
  for (const name of ["which", "against", "by"]) {
    search.append(name, element(name).value);
  }
  history.replaceState(null, "", `/overlay?${search}`);
}

withWords(async () => {
  const links = ["compare", "sheet"].map((form) => linkTo("/ask", { form, capture: captures }, form === "compare" ? "Compare them" : "Design sheet of them"));
  links.forEach((link) => link.classList.add("plain"));
  if (captures.length === 0) {
    return;
  }
  element("actions").replaceChildren(...links);
  element("settings").addEventListener("change", () => withWords(async () => {
    remember();
    await loops();
  }));
  remember();
  await Promise.all(captures.map(async (capture) => {
    const [about, found] = await Promise.all([fetched("capture", { capture }), analysed(capture, 0, (words) => say(words))]);
    kept.set(capture, { about, found });
    say(`${kept.size} of ${captures.length} captures are measured.`);
  }));
  table();
  await loops();
});
