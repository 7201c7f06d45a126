// The last loop of a kept capture, for the live page.

import { drawnName } from "/static/library.js";
import { aboutOf, analysed, fetched } from "/static/workbench/frame.js";

/**
 * @param {string} capture
 * @returns {Promise<Curve>}
 */
export async function keptLoop(capture) {
  const about = await aboutOf(capture);
  const found = await analysed(capture, "", () => {});
  const row = found.capture.cycles.at(-1);
  if (row === undefined) {
    throw new Error(`${capture}: found no cycle to compare with`);
  }
  const part = await fetched("trace", { capture, from_s: row.start_s, to_s: row.end_s, points: 800 });
  return { name: drawnName(`${about.header.specimen}, kept`), deflection_mm: part.position_mm.map((value) => value - (row.contact_mm ?? 0)),
    force_n: part.force_n.map((value) => value - (row.zero_n ?? 0)) };
}
