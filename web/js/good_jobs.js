/** What good jobs had that this one had not: three things of few jobs, or what goes with flaws in many. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { get } from "./ask.js";
import { first } from "./first_steps.js";
import { html } from "./html.js";
import { S } from "./strings.js";
import { duration, words } from "./units.js";

/** @typedef {import("./types.js").Unit} Unit */

const T = S.good_jobs;

/**
 * @typedef {{figure: string, said: string, unit: string, value: number, median: number, lowest: number, highest: number, sound: number}} Unlike
 * @typedef {{figure: string, said: string, unit: string, effect: number, chance: number, told: boolean, flawed_median: number, sound_median: number, flawed: number, sound: number}} Difference
 * @typedef {{material: string, built: boolean, lasted_s: number | null, figures: Record<string, number>, sound: number, judged: number, unlike: Unlike[], many: boolean, differences: Difference[]}} Compared
 */

/** A figure as people read it. @param {number} value @param {string} of @param {Unit} unit */
function amount(value, of, unit) {
  if (of === "s") return duration(value);
  return words(`${Number(value.toFixed(1))} ${of}`, unit).replace(/ (h|%)$/, "\u00a0$1");
}

/** What sound jobs had, its unit said once. @param {Unlike} each  @param {Unit} unit */
function range({ lowest, highest, unit: of }, unit) {
  const [low, high] = [lowest, highest].map((value) => amount(value, of, unit));
  const ending = of === "s" ? "" : (high.match(/[\s\u00a0][^\d.]+$/)?.[0] ?? "");
  return low === high ? high : T.range(ending && low.endsWith(ending) ? low.slice(0, -ending.length) : low, high);
}

/** @param {number} effect  @returns {number} of 100 pairs of a flawed and a sound job */
const pairs = (effect) => Math.round(50 + 50 * Math.abs(effect));

/**
 * One line of what goes with flaws; what this job had comes first.
 * @param {Difference} each  @param {number | undefined} here  @param {Unit} unit
 */
export function differs(each, here, unit) {
  const said = (/** @type {number} */ value) => amount(value, each.unit, unit);
  const [bad, good] = [each.flawed_median, each.sound_median];
  return (
    T.difference(words(each.said, unit), here === undefined ? "" : said(here), each.flawed, said(bad), each.sound, said(good), nearer(here, bad, good)) +
    T.pairs(pairs(each.effect), each.effect > 0, pairs(each.chance))
  );
}

/** To which of the two a figure is nearer by far; "" where it stands between them. @param {number | undefined} here  @param {number} bad  @param {number} good */
function nearer(here, bad, good) {
  if (here === undefined || bad === good) return "";
  const share = (here - good) / (bad - good); // 0: as the sound ones, 1: as the flawed ones
  return share <= 0.25 ? "sound" : share >= 0.75 ? "flawed" : "";
}

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
  if (found?.built === false) return html`<section class="stories good-jobs"><h2>${T.heading}</h2><p>${T.brief(duration(found.lasted_s ?? 0))}</p></section>`;
  if (!found || (found.sound === 0 && !found.many)) return null;
  const told = found.differences.filter((/** @type {Difference} */ each) => each.told);
  const many = html`<ul>
      ${told.map((/** @type {Difference} */ each) => html`<li key=${each.figure}>${first(differs(each, found.figures[each.figure], unit))}</li>`)}
    </ul>
    <p class="small">${T.no_cause}</p>`;
  const goes = told.length === 0 ? T.nothing(found.judged) : T.goes(found.judged);
  return html`<section class="stories good-jobs">
    <h2>${T.heading}</h2>
    ${found.sound > 0 &&
    html`<p>${found.unlike.length === 0 ? T.alike(found.sound, found.material) : T.unlike(found.unlike.length, found.sound, found.material)}</p>
      <ul>
        ${found.unlike.map((/** @type {Unlike} */ each) => html`<li key=${each.figure}>${T.here(first(words(each.said, unit)), amount(each.value, each.unit, unit), range(each, unit))}</li>`)}
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
