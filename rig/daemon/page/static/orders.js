// Sends an order to the page's process, and gives back what came of it in words.

const PATIENCE_MS = 12000;

// Resolves to {done: true, and what was said} or {done: false, why}; never throws, since somebody waits for the words.
export async function order(name, body = {}, patienceMs = PATIENCE_MS) {
  try {
    const answer = await fetch(`/api/${name}`, {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-Pressrig": "page" },
      body: JSON.stringify(body),
      signal: AbortSignal.timeout(patienceMs),
    });
    const said = await answer.json();
    if (answer.status === 401 && name !== "enter" && location.pathname !== "/enter") {
      location.assign("/enter");
    }
    return answer.ok ? { ...said, done: true } : { done: false, why: said.refused };
  } catch {
    return { done: false, why: "no answer came" };
  }
}

export async function ask(name, patienceMs = PATIENCE_MS) {
  const answer = await fetch(`/api/${name}`, { signal: AbortSignal.timeout(patienceMs) });
  if (answer.status === 401) {
    location.assign("/enter");
  }
  if (!answer.ok) {
    throw new Error((await answer.json()).refused);
  }
  return answer.json();
}

// Which rig an order is for: the one that the person saw. A daemon that holds another refuses it.
export function rigOf(status) {
  return { name: status.rig, port: status.port };
}
