// Joins the live socket to the parts of the sheet.

import { at } from "/static/elements.js";
import { ask } from "/static/orders.js";
import { clockNow, confirmHalt } from "/static/halt.js";
import { watch } from "/static/live.js";
import { Plots } from "/static/plots.js";
import { doubtArming, fillStatus, CycleTable } from "/static/sheet.js";
import { StartForm } from "/static/start.js";
import { offerUnits } from "/static/units.js";

const banner = at("lost");
const why = at("lost-why");
const said = at("said");
const plots = new Plots();
const table = new CycleTable();
const form = new StartForm();
let job = 0;
/** @type {string | null} */
let lastHeard = null;
/** @type {number | null} */
let underWay = null;
/** @type {Api.RigStatus | null} */
let status = null;
/** @type {string | null} */
let state = null;

/** @param {Api.RigStatus} status */
function announce(status) {
  if (status.state !== state) {
    state = status.state;
    said.textContent = `Rig: ${state}`;
  }
}

/**
 * Where nothing can move the form comes first and the halt is slim; in doubt it is large.
 * @param {Api.RigStatus} status
 */
function arrange({ state, armed, job }) {
  const still = state === "idle" && !armed && job === null;
  if (document.body.classList.contains("still") !== still) {
    document.body.classList.toggle("still", still);
    const section = at("start-section");
    if (!section.contains(document.activeElement)) {
      at(still ? "height" : "cycles-section").after(section); // a height that was just measured comes first
    }
  }
}

/**
 * A job that has just ended: a tone, for whoever stands beside the rig and not before the page.
 * @param {Api.RigStatus} status
 */
function atEnd({ job, last }) {
  if (underWay !== null && job === null && last?.number === underWay && at("sound").checked) {
    const tones = new AudioContext();
    const tone = tones.createOscillator();
    tone.frequency.value = last.failed ? 220 : 660;
    tone.connect(tones.destination);
    tone.start();
    tone.stop(tones.currentTime + 0.6);
  }
  underWay = job?.number ?? null;
}

function forget() {
  plots.clear();
  table.clear();
}

function inOtherUnits() {
  plots.redraw();
  table.redraw();
  if (status !== null) {
    fillStatus(status);
  }
}

ask("pages").then(async (pages) => {
  offerUnits(inOtherUnits, pages.units);
  at("others").hidden = !pages.captures;
  const kept = new URLSearchParams(location.search).get("with");
  if (pages.captures && kept) {
    const { keptLoop } = await import("/static/workbench/kept_loop.js");
    plots.compareWith(await keptLoop(kept));
  }
}).catch((problem) => {
  said.textContent = problem.message;
});

watch({
  began() {
    job = 0;
    forget();
    form.refresh();
  },
  news(value) {
    banner.hidden = true;
    document.body.classList.remove("blind");
    lastHeard = clockNow();
    if (value.seen.job !== job) {
      job = value.seen.job;
      plots.clearJob();
      table.clear();
    }
    status = value.status;
    fillStatus(status);
    announce(value.status);
    arrange(value.status);
    confirmHalt(value.status);
    form.follow(value.status);
    table.add(value.cycles);
    atEnd(value.status);
    plots.add(value);
  },
  lost(reason) {
    const fresh = banner.hidden;
    if (fresh) {
      banner.hidden = false;
      document.body.classList.add("blind");
      state = null;
      doubtArming();
    }
    const since = lastHeard === null ? "Nothing has been heard yet." : `What stands here is from ${lastHeard}.`;
    const words = `${since} Look at the rig itself.${reason ? ` (${reason})` : ""}`;
    if (reason || fresh) {
      why.textContent = words;
    }
  },
});
