/** What good jobs had that this one had not: three things of few jobs, or what goes with flaws in many. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { get } from "./ask.js";
import { html } from "./html.js";
import { S } from "./strings.js";
import { duration, words } from "./units.js";

const T = S.good_jobs;

/**
 * @typedef {{figure: string, said: string, unit: string, value: number, median: number, lowest: number, highest: number, sound: number}} Unlike
 * @typedef {{figure: string, said: string, unit: string, effect: number, chance: number, told: boolean, flawed_median: number, sound_median: number, flawed: number, sound: number}} Difference
 * @typedef {{material: string, sound: number, judged: number, unlike: Unlike[], many: boolean, differences: Difference[]}} Compared
 */

/** A figure as people read it. @param {number} value @param {string} of @param {import("./types.js").Unit} unit */
function amount(value, of, unit) {
  if (of === "s") return duration(value);
  return words(`${Number(value.toFixed(of === "degrees a minute" ? 2 : 1))} ${of}`, unit);
}

/** @param {number} effect  @returns {number} of 100 pairs of a flawed and a sound job */
const pairs = (effect) => Math.round(50 + 50 * Math.abs(effect));

/** `when` changes when it may have changed. @param {{job: import("./types.js").Job, unit: import("./types.js").Unit, when: string}} props */
export function GoodJobs({ job, unit, when }) {
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
  const told = found.differences.filter((each) => each.told);
  return html`<section class="stories">
    <h2>${T.heading}</h2>
    ${found.sound > 0 &&
    html`<p>${found.unlike.length === 0 ? T.alike(found.sound, found.material) : T.unlike(found.unlike.length, found.sound, found.material)}</p>
      <ul>
        ${found.unlike.map((each) => html`<li key=${each.figure}>${T.here(each.said, amount(each.value, each.unit, unit), amount(each.lowest, each.unit, unit), amount(each.highest, each.unit, unit))}</li>`)}
      </ul>`}
    ${found.many &&
    html`<p>${told.length === 0 ? T.nothing(found.judged) : T.goes(found.judged)}</p>
      <ul>
        ${told.map((each) => html`<li key=${each.figure}>${T.difference(each.said, each.flawed, amount(each.flawed_median, each.unit, unit), each.sound, amount(each.sound_median, each.unit, unit))}${T.pairs(pairs(each.effect), pairs(each.chance))}</li>`)}
      </ul>
      <p class="small">${T.no_cause}</p>`}
  </section>`;
}
