// A question as a form, its answer below, and the command that gives the same.

import { chosen, element, fetched, linkTo, made, say, unitsKnown, whenUnitsChange, withWords } from "/static/workbench/frame.js";
import { order } from "/static/orders.js";
import { system } from "/static/units.js";

const POLL_MS = 400;
const UNITS = "--units";
const MEANINGS = { 0: "Done.", 1: "The answer is no: see the report.", 2: "Refused: the message below says what to correct.", 3: "The disk or the rig failed." };

const parameters = new URLSearchParams(location.search);
const captures = parameters.has("capture") ? parameters.getAll("capture") : [...chosen()];
let form = null;
let task = null;

function fieldOf(field) {
  const label = made("label", field.required ? `${field.label} (needed)` : field.label);
  const entry = field.kind === "choice" ? made("select") : made("input", "", { type: "text", maxlength: 200, placeholder: field.hint });
  if (field.kind === "choice") {
    entry.append(made("option", "default", { value: "" }), ...field.choices.map((value) => made("option", value, { value })));
  }
  entry.name = field.option;
  entry.required = field.required;
  entry.value = parameters.get(field.option) ?? (field.option === UNITS && system() === "us" ? "us" : "");
  label.append(entry);
  return label;
}

function entries() {
  return Object.fromEntries([...new FormData(element("form"))].filter(([, value]) => value !== ""));
}

function show(forms) {
  element("forms").replaceChildren(...forms.map((each) => {
    const link = linkTo("/ask", { form: each.command, capture: parameters.has("capture") ? captures : [] }, each.title);
    link.classList.add("plain");
    if (each.command === form?.command) {
      link.setAttribute("aria-current", "page");
    }
    return link;
  }));
  if (form === null) {
    return;
  }
  element("form").hidden = false;
  element("question").textContent = form.question;
  element("caution").textContent = form.caution;
  element("caution").hidden = form.caution === "";
  element("fields").append(...form.fields.map(fieldOf));
  const about = form.takes.includes("capture");
  element("about").hidden = !about;
  element("about-words").textContent = captures.length === 0 ? "No capture is ticked. Tick some in the list first." : captures.length === 1 ? "About one capture" : `About ${captures.length} captures`;
  element("about").open = captures.length <= 30;
  element("names").replaceChildren(...captures.map((capture) => {
    const item = made("li");
    item.append(linkTo("/capture", { capture }, capture));
    return item;
  }));
}

function remember() {
  const search = new URLSearchParams([["form", form.command], ...captures.map((capture) => ["capture", capture]), ...Object.entries(entries())]);
  history.replaceState(null, "", `/ask?${search}`);
}

function answered(progress) {
  element("answer").hidden = false;
  element("command").textContent = progress.command;
  element("words").textContent = progress.words;
  const running = progress.state === "running" || progress.state === "waiting";
  element("stop").hidden = !running;
  element("go").disabled = running;
  element("how").textContent = running ? `${progress.state === "waiting" ? "Waiting" : "Running"}: ${progress.seconds.toFixed(0)} s`
    : progress.state === "stopped" ? "Stopped." : MEANINGS[progress.exit_code] ?? `It failed with exit code ${progress.exit_code}.`;
  const address = (file) => `/answer/${progress.id}/${encodeURIComponent(file)}`;
  const report = running ? undefined : progress.pages.find((file) => file.endsWith(".html"));
  element("written").replaceChildren(...(running ? [] : progress.pages.map((file) => {
    const link = made("a", file.endsWith(".html") ? `open ${file}` : file, { href: address(file), target: "_blank", class: "plain" });
    return link;
  })));
  element("page").hidden = report === undefined;
  if (report !== undefined && element("page").getAttribute("src") !== address(report)) {
    element("page").setAttribute("src", address(report));
  }
  element("words-box").open = report === undefined;
}

async function follow(name) {
  task = name;
  while (task === name) {
    const progress = await fetched("answer", { task: name });
    answered(progress);
    if (progress.state === "done" || progress.state === "stopped") {
      say(progress.state === "done" ? "Done." : "Stopped.");
      await earlier();
      return;
    }
    await new Promise((done) => setTimeout(done, POLL_MS));
  }
}

async function earlier() {
  const known = await fetched("answers");
  element("earlier").replaceChildren(...(known.length === 0 ? [made("li", "Nothing yet.")] : known.map((each) => {
    const item = made("li");
    const again = made("button", each.command.length > 110 ? `${each.command.slice(0, 110)} …` : each.command, { type: "button", class: "plain" });
    again.addEventListener("click", () => withWords(() => follow(each.id)));
    item.append(again, made("span", ` ${each.state}`));
    return item;
  })));
}

async function send() {
  const answer = await fetch("/api/ask", { method: "POST", headers: { "Content-Type": "application/json", "X-Pressrig": "page" },
    body: JSON.stringify({ form: form.command, values: entries(), captures: form.takes.includes("capture") ? captures : [] }) });
  const said = await answer.json();
  if (!answer.ok) {
    throw new Error(said.refused);
  }
  say("");
  remember();
  await follow(said.id);
}

element("form").addEventListener("submit", (event) => {
  event.preventDefault();
  withWords(send);
});
element("stop").addEventListener("click", () => order("stop", { task }));

whenUnitsChange(() => {
  const entry = element("form").elements[UNITS];
  if (entry) {
    entry.value = system() === "us" ? "us" : "";
  }
});

withWords(async () => {
  await unitsKnown;
  const forms = await fetched("forms");
  form = forms.find((each) => each.command === parameters.get("form")) ?? null;
  show(forms);
  await earlier();
});
