// The form that starts a job, with the cautions of the day.

import { at, made } from "/static/elements.js";
import { ask, order, rigOf } from "/static/orders.js";

const RECORDING = "recording";
const HEIGHT = "height";
/** @type {{[kind: string]: string}} */
const PURPOSES = {
  [RECORDING]: "No drive is moved; the recording ends when enough is there, or at halt.",
  [HEIGHT]: "The platen checks the contact slowly, several times. Clear the platens and lay the piece in when you are asked to.",
};
/** @typedef {Extract<keyof Elements, `f-${string}`>} Entry */
/** @type {{[name: string]: Entry}} */
const CHECKS = {
  contact_n: "f-contact", top_n: "f-top", contact_checks: "f-checks", expected_mm: "f-expected", speed_mm_per_s: "f-speed",
  gap_mm: "f-gap", rest_s: "f-rest", platen_stiffness_n_per_mm: "f-platen",
};
/** @type {{[state: string]: string}} */
const WAITS = {
  running: "A job is under way; one at a time.",
  recording: "A recording is under way; one at a time.",
  "by hand": "A job waits for a person; one at a time.",
  away: "The rig is not there.",
  stopped: "The rig has stopped; see to the cause first.",
};

/**
 * An entry as it was typed, a size perhaps with its unit: the daemon's side reads it whole or refuses it.
 * @param {Entry} name
 */
const text = (name) => at(name).value.trim() || null;
/** @type {{[name: string]: Entry}} */
const FIELDS = {
  free_height_mm: "f-height", area_mm2: "f-area", stiffness_n_per_mm: "f-stiffness", cycles: "f-cycles", seconds: "f-seconds",
};

/**
 * A refusal names a field as programs know it; the person knows it by its label.
 * @param {string} why
 */
function labelled(why, focus = true) {
  const named = Object.entries({ ...FIELDS, ...CHECKS }).find(([name]) => why.split(": found")[0].split(".").includes(name));
  if (!named) {
    return why;
  }
  const input = at(named[1]);
  if (focus) {
    input.setAttribute("aria-invalid", "true");
    input.closest("details")?.setAttribute("open", "");
    input.focus();
  }
  return `${input.closest("label")?.firstChild?.textContent?.trim()}: ${why.slice(why.indexOf("found"))}`;
}

export class StartForm {
  /** @type {Api.MethodText[]} */
  #methods = [];
  #cautions = "";
  /** @type {Api.RigStatus | null} */
  #status = null;
  #sending = false;
  #previews = 0;

  constructor() {
    at("start").addEventListener("change", () => this.#preview());
    at("preview-box").addEventListener("toggle", () => this.#preview());
    at("method").addEventListener("change", () => this.#choose());
    at("f-surface").addEventListener("change", () => this.#choose());
    at("next").addEventListener("click", () => this.#next());
    at("end-recording").addEventListener("click", () => order("halt", {}));
    window.addEventListener("keydown", (event) => {
      const types = event.target instanceof Element && event.target.closest("input, select, textarea");
      if (event.key.toLowerCase() === "n" && !types && !event.ctrlKey && !event.altKey && !event.metaKey && !event.repeat) {
        this.#next();
      }
    });
    at("start").addEventListener("submit", (event) => {
      event.preventDefault();
      this.#send();
    });
  }

  async refresh() {
    try {
      this.#methods = (await ask("methods")).methods;
    } catch {
      return; // The banner says already that the rig is not seen.
    }
    const chosen = at("method").value;
    const choices = this.#methods.map((method, index) =>
      new Option(method.kind === "endurance" ? `${method.name} (endurance)` : method.name, String(index)));
    at("method").replaceChildren(...choices, new Option("free height of a piece", HEIGHT),
      new Option("record while a person moves the platen", RECORDING));
    if (chosen) {
      at("method").value = chosen;
    }
    this.#choose();
  }

  /** @param {Api.RigStatus} status */
  follow(status) {
    this.#status = status;
    at("start-why").textContent = WAITS[status.state] ?? "Stand clear: the platen may move as soon as you press Start.";
    at("go").disabled = status.state !== "idle" || this.#sending;
    this.#showCautions(status);
  }

  // The next piece has the next number, and the batch, height and operator of the one before. A recording by hand
  // begins at once; what moves a platen waits for a person who presses Start.
  #next() {
    if (at("go").disabled) {
      return;
    }
    const specimen = at("f-specimen");
    specimen.value = specimen.value.replace(/\d+(?=\D*$)/, (digits) => String(Number(digits) + 1).padStart(digits.length, "0"));
    if (this.#kind() === RECORDING && at("start").reportValidity()) {
      this.#send();
    } else {
      at("go").focus();
    }
  }

  /** @param {Api.RigStatus} status */
  #showCautions({ cautions, cautions_read_today: read }) {
    at("cautions").hidden = read || at("method").value === RECORDING || cautions.length === 0;
    for (const box of at("cautions").querySelectorAll("input")) {
      box.required = !at("cautions").hidden;
    }
    const now = cautions.join("\n");
    if (now === this.#cautions) {
      return;
    }
    this.#cautions = now;
    at("cautions").querySelectorAll("label").forEach((line) => line.remove());
    for (const words of cautions) {
      const line = made("label");
      line.append(made("input", "", { type: "checkbox", required: "" }), words);
      at("cautions").append(line);
    }
  }

  /**
   * What is chosen: a method of the list, a recording or a height.
   * @returns {string}
   */
  #kind() {
    return this.#methods[Number(at("method").value)]?.kind ?? at("method").value;
  }

  #choose() {
    const method = this.#methods[Number(at("method").value)];
    const kind = this.#kind();
    at("purpose").textContent = method ? method.purpose : PURPOSES[kind];
    at("text").textContent = method ? method.text : "";
    at("text-box").hidden = !method;
    at("preview-box").hidden = kind === RECORDING;
    for (const line of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll("#start [data-for]"))) {
      line.hidden = !line.dataset.for?.split(" ").includes(kind);
      // A hidden field must not keep the form from being sent.
      line.querySelectorAll("input").forEach((input) => { input.disabled = line.hidden; });
    }
    at("f-specimen").required = kind !== HEIGHT || at("f-surface").value !== "bare";
    if (this.#status) {
      this.#showCautions(this.#status);
    }
  }

  /** @returns {Exclude<Api.StartOrder["order"], Api.ReleaseOrder>} */
  #wish(unnamed = "") {
    const kind = this.#kind();
    const about = { batch: text("f-batch"), operator: text("f-operator"), notes: text("f-notes") ?? "" };
    if (kind === HEIGHT) {
      return this.#heightWish({ ...about, specimen: text("f-specimen") ?? "bare platens" });
    }
    const card = {
      ...about, specimen: text("f-specimen") ?? unnamed, free_height_mm: text("f-height"), area_mm2: text("f-area"),
      stiffness_n_per_mm: text("f-stiffness"),
    };
    const method = this.#methods[Number(at("method").value)];
    if (!method) {
      return { kind: RECORDING, card, cycles: text("f-cycles"), seconds: text("f-seconds") };
    }
    return { kind: method.kind, text: method.text, source: method.source, card };
  }

  /**
   * What is left empty is as usual.
   * @param {Api.SpecimenCard} card
   */
  #heightWish(card) {
    const checks = Object.entries(CHECKS).map(([name, field]) => [name, text(field)]).filter(([, value]) => value !== null);
    return /** @type {Api.HeightOrder} */ ({ kind: HEIGHT, card, surface: at("f-surface").value, ...Object.fromEntries(checks) });
  }

  // Asked anew with each entry while it is open, so that depths and forces are those of this specimen.
  async #preview() {
    if (!at("preview-box").open || this.#status === null) {
      return;
    }
    const number = (this.#previews += 1);
    // without a name yet: it changes nothing about the motion
    const answer = await order("preview", { rig: rigOf(this.#status), order: this.#wish("piece") });
    if (number === this.#previews) {
      const lines = answer.done ? answer.lines : [`It would be refused: ${labelled(answer.why, false)}`];
      at("preview").replaceChildren(...lines.map((words) => made("li", words)));
    }
  }

  async #send() {
    const status = this.#status;
    if (status === null) {
      return;
    }
    this.#sending = true;
    document.querySelectorAll("#start [aria-invalid]").forEach((input) => input.removeAttribute("aria-invalid"));
    at("go").disabled = true;
    const rig = rigOf(status);
    const read = at("cautions").hidden ? null : await order("acknowledge", { rig });
    const answer = read?.done === false ? read : await order("start", { rig, order: this.#wish() });
    at("start-answer").textContent = answer.done ? `Started: job ${answer.job}.` : `Not started: ${labelled(answer.why)}`;
    at("start-answer").classList.toggle("bad", !answer.done);
    this.#sending = false;
    if (answer.done && at("start-section").contains(document.activeElement)) {
      // from here on what happens comes first, and the form moves below it
      at("sheet").focus({ preventScroll: true });
      window.scrollTo(0, 0);
    }
  }
}
