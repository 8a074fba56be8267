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

/** @param {{job: string, when: string, look: ((height_mm: number) => void) | null, mm: (height_mm: number) => string}} props  `look` finds a height's minute */
export function Flaws({ job, when, look, mm }) {
  const flaws = useOfJob(job, `${job} ${when}`, fetchFlaws, NONE);
  if (flaws.length === 0) return null;
  return html`<p>${W.heading}</p>
    <ul class="pins">
      ${flaws.slice(0, MOST).map(({ kind, text, height_mm, pieces }) => {
        const whose = `${W.pieces(pieces)}${text && `, ${text}`}`;
        return html`<li key=${`${kind} ${height_mm} ${text}`}>
          ${height_mm === null || !look
            ? height_mm === null
              ? kind
              : W.at(kind, mm(height_mm))
            : html`<button type="button" class="act slight" onClick=${() => look(height_mm)}>${W.at(kind, mm(height_mm))}</button>`}${" "}
          (${whose})
        </li>`;
      })}
    </ul>`;
}
