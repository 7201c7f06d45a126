// Gives the token once; the server answers with a cookie that scripts cannot read.

import { order } from "/static/orders.js";

document.getElementById("enter").addEventListener("submit", async (event) => {
  event.preventDefault();
  const answer = await order("enter", { token: document.getElementById("token").value.trim() });
  if (answer.done) {
    location.assign("/");
  } else {
    document.getElementById("answer").textContent = `Not entered: ${answer.why}`;
  }
});
