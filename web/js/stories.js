/** What happened in the last hour, and what was noted, one line each. */

import { Evidence, isPictured } from "./evidence.js";
import { HOUR_S } from "./hour.js";
import { html } from "./html.js";
import { noteLine } from "./notes.js";
import { pauseStories } from "./past.js";
import { Shape } from "./shapes.js";
import { S } from "./strings.js";
import { moment, words } from "./units.js";

/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Note} Note */
/** @typedef {import("./types.js").Story} Story */
/** @typedef {import("./types.js").Unit} Unit */

/**
 * @typedef {object} Line
 * @property {string} key
 * @property {string} at
 * @property {string} shape
 * @property {string} text
 * @property {number | null} height_mm
 * @property {number} event  0: none
 * @property {string} kind
 * @property {boolean} stands
 */

/**
 * Stories and notes as lines, the newest first.
 * @param {Story[]} stories  @param {Note[]} notes  @param {Unit} unit
 * @param {{ruled?: boolean}} [how]  ruled: the height stands beside the line
 * @returns {Line[]}
 */
export function lines(stories, notes, unit, { ruled = false } = {}) {
  return [
    ...stories.map(({ event, kind, onset_at, began_at, end_at, class: shape, text, height_mm }) => ({
      key: `event ${event}`,
      at: began_at ?? onset_at,
      shape,
      text: words(text, unit),
      height_mm,
      event,
      kind,
      stands: end_at === null,
    })),
    ...notes.map((note) => ({
      key: `note ${note.seq}`,
      at: note.at,
      shape: "note",
      text: noteLine(note, ruled),
      height_mm: note.height_mm,
      event: 0,
      kind: "note",
      stands: false,
    })),
  ].sort((a, b) => b.at.localeCompare(a.at));
}

const MOST_ALIKE = 3; // so many of one trouble stand in a row as lines of their own

/**
 * Lines with those that repeat them: a trouble that comes and goes tells itself once, and hides nothing else.
 * @param {Line[]} told  the newest first
 * @returns {{line: Line, more: Line[]}[]}
 */
export function gathered(told) {
  /** @type {{line: Line, more: Line[]}[]} */
  const runs = [];
  for (const line of told) {
    const last = runs[runs.length - 1];
    const again = last && line.shape === "trouble" && line.kind === last.line.kind && !line.stands;
    if (again) last.more.push(line);
    else runs.push({ line, more: [] });
  }
  return runs.flatMap(({ line, more }) =>
    more.length >= MOST_ALIKE ? [{ line, more }] : [line, ...more].map((each) => ({ line: each, more: [] })),
  );
}

/**
 * The pictures of a line of the story, where such are kept; unfolded by a tap.
 * @param {{line: Line, chamber: string, now: string, may: boolean, when: string}} props
 */
export function Pictured({ line, chamber, now, may, when }) {
  if (line.event <= 0 || !isPictured(line.kind)) return null;
  return html`<${Evidence} chamber=${chamber} event=${line.event} kind=${line.kind} now=${now} may=${may} stands=${line.stands} when=${when} folded />`;
}

/**
 * @param {{chamber: Chamber, unit: Unit, notes: Note[], pauses: import("./types.js").Pause[],
 *   may?: boolean, when?: string}} props
 */
export function Stories({ chamber, unit, notes, pauses, may = false, when = "" }) {
  const since = new Date(Date.parse(chamber.at) - HOUR_S * 1000).toJSON();
  const told = lines(
    [
      ...chamber.stories,
      ...pauseStories(
        pauses.filter(({ to_at }) => !to_at || to_at >= since),
        chamber.at,
      ),
    ],
    notes.filter((note) => note.at >= since),
    unit,
  );
  return html`<section class="stories">
    <h2>${S.stories.heading}</h2>
    ${told.length === 0
      ? html`<p>${S.stories.none}</p>`
      : html`<ol>
          ${gathered(told).map(
            ({ line, more }) =>
              html`<li key=${line.key}>
                <${When} line=${line} now=${chamber.at} />
                <span>
                  ${line.text}
                  ${more.length > 0 &&
                  html`<details>
                    <summary>${S.stories.more(more.length, moment(more[more.length - 1].at, chamber.at))}</summary>
                    <ol>
                      ${more.map((each) => html`<li key=${each.key}><${When} line=${each} now=${chamber.at} /><span>${each.text}</span></li>`)}
                    </ol>
                  </details>`}
                  ${chamber.camera?.watched && html`<${Pictured} line=${line} chamber=${chamber.chamber} now=${chamber.at} may=${may} when=${when} />`}
                </span>
              </li>`,
          )}
        </ol>`}
  </section>`;
}

/** @param {{line: Line, now: string}} props */
function When({ line, now }) {
  return html`<time datetime=${line.at}>${moment(line.at, now)}</time> <${Shape} kind=${line.shape} />`;
}
