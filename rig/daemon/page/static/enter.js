// Gives the token once; the server answers with a cookie that scripts cannot read.

import { at } from "/static/elements.js";
import { order } from "/static/orders.js";

/** @param {string} token */
async function enter(token) {
  const answer = await order("enter", { token });
  if (answer.done) {
    location.assign("/");
  } else {
    at("answer").textContent = `Not entered: ${answer.why}`;
  }
}

at("enter").addEventListener("submit", (event) => {
  event.preventDefault();
  enter(at("token").value.trim());
});

// The link that the rig's terminal shows carries the token where it is not sent, and it stays in no history.
const given = location.hash.slice(1);
if (given) {
  history.replaceState(null, "", location.pathname);
  enter(given);
}
