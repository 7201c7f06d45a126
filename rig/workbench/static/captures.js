// The list: search, narrow down, sort, tick.

import { at, made } from "/static/elements.js";
import {
  choose, chosen, fetched, linkTo, quantityHeads, seconds, shown, unitsKnown, whenLookChanges, withWords,
} from "/static/workbench/frame.js";
import { system } from "/static/units.js";

const COUNT = 100;
const WAIT_MS = 150;
/** @type {("batch" | "state" | "method" | "rig")[]} */
const NARROWING = ["batch", "state", "method", "rig"];
/** @type {Column} */
const STIFFNESS = ["secant_n_per_mm", "Secant stiffness", "N/mm"];
const WIDE = "text wide"; // only where the window is wide
/** @type {[string | null, string, string?][]} */
const HEADS = [["specimen", "Specimen"], ["started", "Started"], ["batch", "Batch"], ["state", "State"], ["method", "Method"],
  [null, "Length"], [null, "Ended"], [STIFFNESS[0], STIFFNESS[1]], [null, "Flags"], ["id", "Folder", WIDE]];

const ticked = chosen();
/** @type {Record<string, unknown> & {sort: string, newest_first: boolean, start: number}} */
const asked = { sort: "started", newest_first: true, start: 0, count: COUNT };
let matching = 0;
let newest = 0;
let waiting = 0;
/** What is on the page now: the answer, and how it was asked for. */
let drawn = "";

function remember() {
  choose(ticked);
  at("picked").textContent = ticked.size === 0 ? "None ticked" : `${ticked.size} ticked`;
}

function heads() {
  at("heads").replaceChildren(made("th", "", { scope: "col", class: "pick" }), ...HEADS.map(([column, title, look]) => {
    const head = made("th", column === null ? title : "", { scope: "col", class: look ?? "text" });
    if (column !== null) {
      const button = made("button", title, { type: "button", id: `by-${column}` });
      button.addEventListener("click", () => {
        asked.newest_first = asked.sort === column ? !asked.newest_first : column === "started";
        asked.sort = column;
        refresh(0);
      });
      head.append(button);
      if (column === STIFFNESS[0]) {
        head.append(...quantityHeads([STIFFNESS])[0].querySelectorAll("small"));
      }
      if (asked.sort === column) {
        head.setAttribute("aria-sort", asked.newest_first ? "descending" : "ascending");
      }
    }
    return head;
  }));
}

/** @param {Api.CatalogueRow} row */
function rowOf(row) {
  const line = made("tr");
  line.classList.toggle("out", row.left_out !== "");
  const pick = made("td", "", { class: "pick" });
  const box = made("input", "", { type: "checkbox", "aria-label": `Tick ${row.id}`, title: row.id });
  box.checked = ticked.has(row.id);
  box.disabled = row.problem !== "";
  box.addEventListener("change", () => {
    ticked[box.checked ? "add" : "delete"](row.id);
    remember();
  });
  pick.append(box);
  if (row.problem) {
    line.append(pick, made("td", `${row.id}: ${row.problem}`, { class: "text words problem", colspan: HEADS.length }));
    return line;
  }
  const name = made("td", "", { class: "text name" });
  name.append(linkTo("/capture", { capture: row.id }, row.specimen || row.id));
  const ended = row.left_out ? `excluded: ${row.left_out}` : row.ended;
  const cells = [row.started.slice(0, 16).replace("T", " "), row.batch, row.state, row.method, seconds(row.duration_s), ended,
    row.secant_n_per_mm === null ? "" : shown(row.secant_n_per_mm, STIFFNESS[2], row.secant_n_per_mm_u), row.flags];
  line.append(pick, name, ...cells.map((cell) => made("td", cell, { class: "text brief", title: cell })), made("td", row.id, { class: WIDE }));
  return line;
}

/** @param {Api.Listing["choices"]} choices */
function narrowing(choices) {
  for (const column of NARROWING) {
    const box = at(column);
    const now = box.value;
    box.replaceChildren(made("option", "any", { value: "" }), ...choices[column].map((value) => made("option", value, { value })));
    box.value = choices[column].includes(now) ? now : "";
  }
}

/** @param {Api.Listing} found */
function counted(found) {
  const matching = found.total === 0
    ? "No capture here yet. Record one, or import a table."
    : `${found.matching} of ${found.total} captures`;
  if (found.headers === null) {
    return matching;
  }
  const [read, all] = found.headers;
  return `Reading the captures${all > 0 ? `: ${read} of ${all}` : ""}${found.total > 0 ? `; ${matching} so far` : ""}`;
}

/** @param {number} start */
async function refresh(start) {
  asked.start = start;
  for (const name of /** @type {const} */ (["text", "since", "until", "flagged", ...NARROWING])) {
    asked[name] = at(name).value;
  }
  const number = (newest += 1);
  const found = await fetched("captures", asked);
  if (number !== newest) {
    return; // a later question was asked meanwhile
  }
  clearTimeout(waiting);
  if (found.looking) {
    waiting = window.setTimeout(() => withWords(() => refresh(start)), WAIT_MS);
  }
  matching = found.matching;
  const answer = JSON.stringify({ ...found, looking: false, units: system(), asked });
  if (answer === drawn) {
    return; // nothing new: the focus and the ticks stay where they are
  }
  drawn = answer;
  const focused = document.activeElement?.id ?? "";
  heads();
  if (focused.startsWith("by-")) {
    document.getElementById(focused)?.focus();
  }
  narrowing(found.choices);
  at("count").textContent = counted(found);
  at("rows").replaceChildren(...found.rows.map(rowOf));
  at("unmeasured").hidden = !found.rows.some((row) => row.secant_n_per_mm === null && !row.problem);
  const last = asked.start + found.rows.length;
  at("shown-rows").textContent = found.matching > COUNT ? `${asked.start + 1} to ${last} of ${found.matching}` : "";
  at("back").hidden = at("on").hidden = found.matching <= COUNT;
  at("back").disabled = asked.start === 0;
  at("on").disabled = last >= found.matching;
}

function soon() {
  clearTimeout(waiting);
  waiting = window.setTimeout(() => withWords(() => refresh(0)), WAIT_MS);
}

async function tickAll() {
  for (let start = 0; start < matching; start += 500) {
    const part = await fetched("captures", { ...asked, start, count: 500 });
    part.rows.filter((row) => row.problem === "").forEach((row) => ticked.add(row.id));
  }
  remember();
  drawn = "";
  await refresh(asked.start);
}

at("search").addEventListener("input", soon);
at("search").addEventListener("change", soon);
at("search").addEventListener("submit", (event) => event.preventDefault());
at("back").addEventListener("click", () => withWords(() => refresh(Math.max(0, asked.start - COUNT))));
at("on").addEventListener("click", () => withWords(() => refresh(asked.start + COUNT)));
at("all").addEventListener("click", () => withWords(tickAll));
at("none").addEventListener("click", () => {
  ticked.clear();
  remember();
  drawn = "";
  withWords(() => refresh(asked.start));
});
whenLookChanges(() => withWords(() => refresh(asked.start)));

withWords(async () => {
  await unitsKnown;
  remember();
  await refresh(0);
});
