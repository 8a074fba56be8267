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

/** A figure as people read it. @param {number} value @param {string} of @param {Unit} unit */
function amount(value, of, unit) {
  if (of === "s") return duration(value);
  return words(`${Number(value.toFixed(of === "degrees a minute" ? 2 : 1))} ${of}`, unit);
}

/** @param {number} effect  @returns {number} of 100 pairs of a flawed and a sound job */
const pairs = (effect) => Math.round(50 + 50 * Math.abs(effect));

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
      ${told.map((/** @type {Difference} */ each) => html`<li key=${each.figure}>${T.difference(each.said, each.flawed, amount(each.flawed_median, each.unit, unit), each.sound, amount(each.sound_median, each.unit, unit))}${T.pairs(pairs(each.effect), pairs(each.chance))}</li>`)}
    </ul>
    <p class="small">${T.no_cause}</p>`;
  const goes = told.length === 0 ? T.nothing(found.judged) : T.goes(found.judged);
  return html`<section class="stories good-jobs">
    <h2>${T.heading}</h2>
    ${found.sound > 0 &&
    html`<p>${found.unlike.length === 0 ? T.alike(found.sound, found.material) : T.unlike(found.unlike.length, found.sound, found.material)}</p>
      <ul>
        ${found.unlike.map((/** @type {Unlike} */ each) => html`<li key=${each.figure}>${T.here(each.said, amount(each.value, each.unit, unit), amount(each.lowest, each.unit, unit), amount(each.highest, each.unit, unit))}</li>`)}
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
