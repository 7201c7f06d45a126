// Keeps the live socket, and says when the page no longer sees the rig.

const SILENCE_MS = 2500;
const AGAIN_MS = 1000;
const WATCH_MS = 250;

/**
 * Calls `began` before everything is sent again, `news`, and `lost` with the reason, if there is one.
 * @param {{began: () => void, news: (value: Api.News) => void, lost: (why: string | null) => void}} told
 */
export function watch({ began, news, lost }) {
  let heardAt = performance.now();
  function open() {
    const socket = new WebSocket(`ws://${location.host}/api/live`);
    let first = true;
    socket.addEventListener("message", (event) => {
      const value = JSON.parse(event.data);
      if (value.refused !== undefined) {
        lost(value.refused);
      } else {
        heardAt = performance.now();
        if (first) {
          began();
          first = false;
        }
        news(value);
      }
      // The next news comes only after this, so that none queue for a slow page.
      socket.send("next");
    });
    socket.addEventListener("close", () => {
      lost("The connection is lost; trying again.");
      setTimeout(reopen, AGAIN_MS);
    });
  }

  async function reopen() {
    // A browser does not say why a socket was refused; a question does.
    const answer = await fetch("/api/status").catch(() => null);
    if (answer !== null && answer.status === 401) {
      location.assign("/enter");
      return;
    }
    open();
  }

  setInterval(() => {
    if (performance.now() - heardAt > SILENCE_MS) {
      lost(null);
    }
  }, WATCH_MS);
  open();
}
