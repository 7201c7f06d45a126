// Sends an order to the page's process, and gives back what came of it in words.

const PATIENCE_MS = 12000;

/**
 * Resolves to the answer, or why it was refused; never throws, since somebody waits for the words.
 * @template {keyof Api.Orders} Name
 * @param {Name} name
 * @param {Api.Orders[Name]["takes"]} body
 * @returns {Promise<({done: true} & Api.Orders[Name]["gives"]) | {done: false, why: string}>}
 */
export async function order(name, body, patienceMs = PATIENCE_MS) {
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

/**
 * What the server answers to a question; throws its refusal.
 * @template {keyof Api.Answers} Name
 * @param {Name} name
 * @param {Record<string, unknown>} [parameters] those without a value are left out
 * @returns {Promise<Api.Answers[Name]>}
 */
export async function ask(name, parameters = {}, patienceMs = PATIENCE_MS) {
  const given = Object.entries(parameters).filter(([, value]) => value !== "" && value !== null && value !== undefined);
  const search = new URLSearchParams(given.map(([key, value]) => [key, String(value)]));
  const answer = await fetch(`/api/${name}?${search}`, { signal: AbortSignal.timeout(patienceMs) });
  if (answer.status === 401) {
    location.assign("/enter");
  }
  if (!answer.ok) {
    throw new Error((await answer.json()).refused);
  }
  return answer.json();
}

/**
 * Which rig an order is for: the one that the person saw. A daemon that holds another refuses it.
 * @param {Api.RigStatus} status
 */
export function rigOf(status) {
  return { name: status.rig, port: status.port };
}
