// The list: search, narrow down, sort, tick.

import {
  choose, chosen, element, fetched, linkTo, made, quantityHeads, seconds, shown, unitsKnown, whenUnitsChange, withWords,
} from "/static/workbench/frame.js";

const COUNT = 100;
const WAIT_MS = 150;
const NARROWING = ["batch", "state", "method", "rig"];
const STIFFNESS = ["secant_n_per_mm", "Secant stiffness", "N/mm"];
const HEADS = [["started", "Started"], ["specimen", "Specimen"], ["batch", "Batch"], ["state", "State"], ["method", "Method"],
  [null, "Length"], [null, "Ended"], [STIFFNESS[0], STIFFNESS[1]],
  [null, "Flags"], ["id", "Capture"]];

const ticked = chosen();
const asked = { sort: "started", newest_first: true, start: 0, count: COUNT };
let listed = null;
let newest = 0;
let waiting = null;

function remember() {
  choose(ticked);
  element("picked").textContent = ticked.size === 0 ? "None ticked" : `${ticked.size} ticked`;
}

function heads() {
  element("heads").replaceChildren(made("th", "", { scope: "col", class: "pick" }), ...HEADS.map(([column, title]) => {
    const head = made("th", column === null ? title : "", { scope: "col", class: "text" });
    if (column !== null) {
      const button = made("button", title, { type: "button" });
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

function rowOf(row) {
  const line = made("tr");
  line.classList.toggle("out", row.left_out !== "");
  const pick = made("td", "", { class: "pick" });
  const box = made("input", "", { type: "checkbox", "aria-label": `Tick ${row.id}` });
  box.checked = ticked.has(row.id);
  box.disabled = row.problem !== "";
  box.addEventListener("change", () => {
    ticked[box.checked ? "add" : "delete"](row.id);
    remember();
  });
  pick.append(box);
  const place = made("td", "", { class: "text words" });
  place.append(row.problem ? made("span", `${row.id}: ${row.problem}`, { class: "problem" }) : linkTo("/capture", { capture: row.id }, row.id));
  const ended = row.left_out ? `excluded: ${row.left_out}` : row.ended;
  const cells = [row.started.slice(0, 16).replace("T", " "), row.specimen, row.batch, row.state, row.method, seconds(row.duration_s), ended,
    row.secant_n_per_mm === null ? "" : shown(row.secant_n_per_mm, STIFFNESS[2], row.secant_n_per_mm_u), row.flags];
  line.append(pick, ...cells.map((cell) => made("td", String(cell), { class: "text" })), place);
  return line;
}

function narrowing(choices) {
  for (const column of NARROWING) {
    const box = element(column);
    const now = box.value;
    box.replaceChildren(made("option", "any", { value: "" }), ...choices[column].map((value) => made("option", value, { value })));
    box.value = choices[column].includes(now) ? now : "";
  }
}

async function refresh(start) {
  asked.start = start;
  for (const name of ["text", "since", "until", "flagged", ...NARROWING]) {
    asked[name] = element(name).value;
  }
  const number = (newest += 1);
  const found = await fetched("captures", asked);
  if (number !== newest) {
    return; // a later question was asked meanwhile
  }
  if (found.headers !== null) {
    element("count").textContent = `Reading the captures for the first time: ${found.headers[0]} of ${found.headers[1]}`;
    await new Promise((done) => setTimeout(done, WAIT_MS));
    await refresh(start);
    return;
  }
  listed = found;
  heads();
  narrowing(found.choices);
  element("count").textContent = found.total === 0
    ? "No capture here yet. Record one, or import a table."
    : `${found.matching} of ${found.total} captures`;
  element("rows").replaceChildren(...found.rows.map(rowOf));
  const last = asked.start + found.rows.length;
  element("page").textContent = found.matching > COUNT ? `${asked.start + 1} to ${last} of ${found.matching}` : "";
  element("back").hidden = element("on").hidden = found.matching <= COUNT;
  element("back").disabled = asked.start === 0;
  element("on").disabled = last >= found.matching;
}

function soon() {
  clearTimeout(waiting);
  waiting = setTimeout(() => withWords(() => refresh(0)), WAIT_MS);
}

async function tickAll() {
  for (let start = 0; start < listed.matching; start += 500) {
    const part = await fetched("captures", { ...asked, start, count: 500 });
    part.rows.filter((row) => row.problem === "").forEach((row) => ticked.add(row.id));
  }
  remember();
  await refresh(asked.start);
}

element("search").addEventListener("input", soon);
element("search").addEventListener("change", soon);
element("search").addEventListener("submit", (event) => event.preventDefault());
element("back").addEventListener("click", () => withWords(() => refresh(Math.max(0, asked.start - COUNT))));
element("on").addEventListener("click", () => withWords(() => refresh(asked.start + COUNT)));
element("all").addEventListener("click", () => withWords(tickAll));
element("none").addEventListener("click", () => {
  ticked.clear();
  remember();
  withWords(() => refresh(asked.start));
});
element("form").addEventListener("change", (event) => {
  location.assign(`/ask?form=${encodeURIComponent(event.target.value)}`);
});

whenUnitsChange(() => withWords(() => refresh(asked.start)));

withWords(async () => {
  await unitsKnown;
  remember();
  await refresh(0);
  const forms = await fetched("forms");
  element("form").append(...forms.filter((form) => form.takes.includes("capture")).map((form) => made("option", form.title, { value: form.command })));
});
