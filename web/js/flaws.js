/** The flaws that a job's log tells of, each with the way to its minute. */

import { get } from "./ask.js";
import { html } from "./html.js";
import { useOfJob } from "./past.js";
import { W } from "./strings_flaws.js";

/** @typedef {import("./types.js").Piece} Piece */
/** @typedef {{kind: string, text: string, height_mm: number | null, pieces: number[]}} Told */

const MOST = 12;
/** @type {Told[]} */
const NONE = [];

/** Flaws of one kind at one height together, with their pieces. @param {Piece[]} pieces @returns {Told[]} */
export function together(pieces) {
  /** @type {Map<string, Told>} */
  const found = new Map();
  for (const { number, flaws } of pieces) {
    for (const { kind, text, height_mm } of flaws) {
      const key = `${kind} ${height_mm} ${text}`;
      const told = found.get(key) ?? { kind, text, height_mm, pieces: [] };
      if (!told.pieces.includes(number)) told.pieces.push(number);
      found.set(key, told);
    }
  }
  return [...found.values()];
}

/** @param {string} job  @returns {Promise<Told[]>} */
async function fetchFlaws(job) {
  return together((await get(`/api/jobs/${encodeURIComponent(job)}/log`)).pieces);
}

/** The heights of the flaws, each to be tapped. @param {{job: string, when: string, look: (height_mm: number) => void, mm: (height_mm: number) => string}} props  `look` finds a height's minute */
export function Flaws({ job, when, look, mm }) {
  const flaws = useOfJob(job, `${job} ${when}`, fetchFlaws, NONE);
  /** @type {Map<number, string[]>} */
  const kinds = new Map();
  for (const { kind, height_mm } of flaws) {
    if (height_mm !== null) kinds.set(height_mm, [...new Set([...(kinds.get(height_mm) ?? []), kind])]);
  }
  if (kinds.size === 0) return null;
  // What each flaw is stands at the top of the page, or in the log: here it is a height to tap.
  return html`<div class="told-heights" role="group" aria-label=${W.heading}>
    <span aria-hidden="true">${W.heading}</span>
    ${[...kinds].slice(0, MOST).map(
      ([height_mm, of]) => html`<button type="button" key=${height_mm} aria-label=${W.at(of.join(", "), mm(height_mm))}
        onClick=${() => look(height_mm)}>${mm(height_mm)}</button>`,
    )}
  </div>`;
}
