/** What good jobs had that this one had not: three things of few jobs, or what goes with flaws in many. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { get } from "./ask.js";
import { html } from "./html.js";
import { S } from "./strings.js";
import { duration, words } from "./units.js";

/** @typedef {import("./types.js").Unit} Unit */

const T = S.good_jobs;

/**
 * @typedef {{figure: string, said: string, unit: string, value: number, median: number, lowest: number, highest: number, sound: number}} Unlike
 * @typedef {{figure: string, said: string, unit: string, effect: number, chance: number, told: boolean, flawed_median: number, sound_median: number, flawed: number, sound: number}} Difference
 * @typedef {{material: string, sound: number, judged: number, unlike: Unlike[], many: boolean, differences: Difference[]}} Compared
 */

/**
 * @param {{job: import("./types.js").Job, when: string, unit: Unit, whole?: boolean}} props
 *   `when` changes when it may have changed; `whole`: nothing is folded, as on paper
 */
export function GoodJobs({ job, when, unit, whole = false }) {
  const [found, setFound] = useState(/** @type {Compared | null} */ (null));
  useEffect(() => {
    let over = false;
    if (job.state !== "finished") return undefined;
    get(`/api/jobs/${encodeURIComponent(job.id)}/unlike`).then(
      (told) => over || setFound(told),
      () => over || setFound(null),
    );
    return () => {
      over = true;
    };
  }, [job.id, job.state, when]);
  if (!found || (found.sound === 0 && !found.many)) return null;
  const told = found.differences.filter((/** @type {Difference} */ each) => each.told);
  const many = html`<ul>
      ${told.map((/** @type {Difference} */ each) => html`<li key=${each.figure}>${read(T.difference(each), unit)}</li>`)}
    </ul>
    <p class="small">${T.no_cause}</p>`;
  const goes = told.length === 0 ? T.nothing(found.judged) : T.goes(found.judged);
  return html`<section class="stories good-jobs">
    <h2>${T.heading}</h2>
    ${found.sound > 0 &&
    html`<p>${found.unlike.length === 0 ? T.alike(found.sound, found.material) : T.unlike(found.unlike.length, found.sound, found.material)}</p>
      <ul>
        ${found.unlike.map((/** @type {Unlike} */ each) => html`<li key=${each.figure}>${read(T.here(each), unit)}</li>`)}
      </ul>`}
    ${found.many &&
    (whole || told.length === 0
      ? html`<p>${goes}</p>
          ${many}`
      : html`<details>
          <summary>${goes}</summary>
          ${many}
        </details>`)}
  </section>`;
}

/**
 * As people read it: spans of time, no digit that says nothing, and the reader's own degrees.
 * @param {string} text  @param {Unit} unit
 */
function read(text, unit) {
  const shown = text
    .replace(/^./, (letter) => letter.toUpperCase())
    .replace(/\d{2,}\.\d{2,}/g, (value) => Number(value).toFixed(1))
    .replace(/(\d+(?:\.\d+)?) s\b/g, (_, value) => duration(Number(value)));
  return words(shown, unit);
}
