// A question as a form, its answer below, and the command that gives the same.

import { at, made } from "/static/elements.js";
import { chosen, fetched, linkTo, say, unitsKnown, whenLookChanges, withWords } from "/static/workbench/frame.js";
import { order } from "/static/orders.js";
import { system } from "/static/units.js";

const POLL_MS = 400;
const UNITS = "--units";
/** @type {{[code: number]: string}} */
const MEANINGS = { 0: "Done.", 1: "Done: a margin or a limit is not met, as the answer below says.", 2: "Refused: the message below says what to correct.", 3: "The disk or the rig failed." };
const CHANGES = new Set(["exclude", "restore", "amend"]);

const parameters = new URLSearchParams(location.search);
const captures = parameters.has("capture") ? parameters.getAll("capture") : [...chosen()];
/** @type {Api.Form | null} */
let form = null;
let task = "";

/** @param {Api.Field} field */
function fieldOf(field) {
  const label = made("label", field.required ? `${field.label} (needed)` : field.label);
  const entry = field.kind === "choice" ? made("select") : made("input", "", { type: "text", maxlength: 200, placeholder: field.hint });
  if (field.kind === "choice") {
    entry.append(made("option", field.hint ? `default: ${field.hint}` : "default", { value: "" }), ...field.choices.map((value) => made("option", value, { value })));
  }
  entry.name = field.option;
  entry.required = field.required;
  entry.value = parameters.get(field.option) ?? (field.option === UNITS && system() !== "metric" ? system() : "");
  label.append(entry);
  return label;
}

/** @returns {{[option: string]: string}} */
function entries() {
  return Object.fromEntries([...new FormData(at("form"))].map(([option, value]) => [option, String(value)]).filter(([, value]) => value !== ""));
}

/** @param {Api.Form[]} forms */
function show(forms) {
  at("forms").classList.toggle("listed", form === null);
  at("forms").replaceChildren(...forms.flatMap(({ command, title, question }) => {
    const link = linkTo("/ask", { form: command, capture: parameters.has("capture") ? captures : [] }, title);
    link.classList.add("plain");
    if (command === form?.command) {
      link.setAttribute("aria-current", "page");
    }
    return form === null ? [link, made("span", question)] : [link];
  }));
  if (form === null) {
    return;
  }
  at("form").hidden = false;
  at("go").textContent = CHANGES.has(form.command) ? form.title : "Get the answer";
  at("title").textContent = form.title;
  document.title = `${form.title} – press rig`;
  at("question").textContent = form.question;
  at("caution").textContent = form.caution;
  at("caution").hidden = form.caution === "";
  at("fields").append(...form.fields.map(fieldOf));
  const about = form.takes.includes("capture");
  at("about").hidden = !about;
  at("about-words").textContent = captures.length === 0 ? "No capture is ticked. Tick some in the list first." : captures.length === 1 ? "For one capture" : `For ${captures.length} captures`;
  at("about").open = captures.length <= 30;
  at("names").replaceChildren(...captures.map((capture) => {
    const item = made("li");
    item.append(linkTo("/capture", { capture }, capture));
    return item;
  }));
}

/** @param {Api.Form} form */
function remember(form) {
  const search = new URLSearchParams([["form", form.command], ...captures.map((capture) => ["capture", capture]), ...Object.entries(entries())]);
  history.replaceState(null, "", `/ask?${search}`);
}

/** @param {Api.CommandProgress} progress */
function answered(progress) {
  at("answer").hidden = false;
  at("command").textContent = progress.command;
  at("words").textContent = progress.words;
  const running = progress.state === "running" || progress.state === "waiting";
  at("stop").hidden = !running;
  at("go").disabled = running;
  at("how").textContent = running ? `${progress.state === "waiting" ? "Waiting" : "Running"}: ${progress.seconds.toFixed(0)} s`
    : progress.state === "stopped" ? "Stopped." : MEANINGS[progress.exit_code ?? NaN] ?? `It failed with exit code ${progress.exit_code}.`;
  /** @param {string} file */
  const address = (file) => `/answer/${progress.id}/${encodeURIComponent(file)}`;
  const report = running ? undefined : progress.pages.find((file) => file.endsWith(".html"));
  /** @param {string} file */
  const linked = (file) => made("a", file === report ? "Open the report in a new tab" : file, { href: address(file), target: "_blank", class: file === report ? "plain" : "" });
  at("written").replaceChildren(...(report === undefined ? [] : [linked(report)]));
  // an answer without a report shows its pictures
  at("pictures").replaceChildren(...(running || report !== undefined ? [] : progress.pages.filter((file) => file.endsWith(".png")).map((file) =>
    made("img", "", { src: address(file), alt: file, class: "drawn" }))));
  const files = running ? [] : progress.pages.filter((file) => file !== report);
  at("files-box").hidden = files.length === 0;
  at("files").replaceChildren(...files.map((file) => {
    const item = made("li");
    item.append(linked(file));
    return item;
  }));
  at("page").hidden = report === undefined;
  if (report !== undefined && at("page").getAttribute("src") !== address(report)) {
    at("page").setAttribute("src", address(report));
  }
  at("words-box").open = report === undefined;
}

/** @param {string} name */
async function follow(name) {
  task = name;
  while (task === name) {
    const progress = await fetched("answer", { task: name });
    answered(progress);
    if (progress.state === "done" || progress.state === "stopped") {
      say("");
      at("answer").scrollIntoView({ block: "start" });
      at("answer-title").focus({ preventScroll: true });
      await earlier();
      return;
    }
    await new Promise((done) => setTimeout(done, POLL_MS));
  }
}

async function earlier() {
  const known = await fetched("answers");
  at("earlier").replaceChildren(...(known.length === 0 ? [made("li", "Nothing yet.")] : known.map(({ id, command, state }) => {
    const item = made("li");
    // the question without where its report and the rig's file lie, and without its captures
    const question = command.replace(/^pressrig /, "").replace(/ --(out|rig)=\S+/g, "").split(" -- ")[0];
    const again = made("button", question, { type: "button", class: "quiet" });
    again.addEventListener("click", () => withWords(() => follow(id)));
    item.append(`${state}: `, again);
    return item;
  })));
}

/** @param {Api.Form} form */
async function send(form) {
  const said = await order("ask", { form: form.command, values: entries(), captures: form.takes.includes("capture") ? captures : [] });
  if (!said.done) {
    throw new Error(said.why);
  }
  say("");
  remember(form);
  await follow(said.id);
}

at("form").addEventListener("submit", (event) => {
  event.preventDefault();
  withWords(() => form && send(form));
});
at("stop").addEventListener("click", () => order("stop", { task }));

whenLookChanges(() => {
  const entry = at("form").elements.namedItem(UNITS);
  if (entry instanceof HTMLSelectElement) {
    entry.value = system() === "metric" ? "" : system();
  }
});

withWords(async () => {
  await unitsKnown;
  const forms = await fetched("forms");
  form = forms.find(({ command }) => command === parameters.get("form")) ?? null;
  show(forms);
  await earlier();
});
