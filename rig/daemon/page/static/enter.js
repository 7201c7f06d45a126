// Gives the token once; the server answers with a cookie that scripts cannot read.

import { order } from "/static/orders.js";

async function enter(token) {
  const answer = await order("enter", { token });
  if (answer.done) {
    location.assign("/");
  } else {
    document.getElementById("answer").textContent = `Not entered: ${answer.why}`;
  }
}

document.getElementById("enter").addEventListener("submit", (event) => {
  event.preventDefault();
  enter(document.getElementById("token").value.trim());
});

// The link that the rig's terminal shows carries the token where it is sent to nobody, and it stays in no history.
const given = location.hash.slice(1);
if (given) {
  history.replaceState(null, "", location.pathname);
  enter(given);
}
