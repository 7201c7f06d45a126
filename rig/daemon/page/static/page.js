// Joins the live socket to the parts of the sheet.

import { ask } from "/static/orders.js";
import { clockNow, confirmHalt } from "/static/halt.js";
import { watch } from "/static/live.js";
import { Plots } from "/static/plots.js";
import { doubtArming, fillStatus, CycleTable } from "/static/sheet.js";
import { StartForm } from "/static/start.js";

const banner = document.getElementById("lost");
const why = document.getElementById("lost-why");
const said = document.getElementById("said");
const plots = new Plots();
const table = new CycleTable();
const form = new StartForm();
let job = 0;
let state = null;
let lastHeard = null;

function announce(status) {
  if (status.state !== state) {
    state = status.state;
    said.textContent = `Rig: ${state}`;
  }
}

function forget() {
  plots.clear();
  table.clear();
}

ask("pages").then((pages) => {
  document.getElementById("others").hidden = !pages.captures;
}).catch(() => {});

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
    fillStatus(value.status);
    announce(value.status);
    confirmHalt(value.status);
    form.follow(value.status);
    table.add(value.cycles);
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
