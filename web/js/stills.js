/** A job's pictures by the height of the part: a lifted corner can be looked up where it began. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { get } from "./ask.js";
import { Chapter } from "./chapters.js";
import { Kept } from "./evidence.js";
import { html } from "./html.js";
import { nearestOf, useShown } from "./one_height.js";
import { S } from "./strings.js";
import { height, moment } from "./units.js";

/** @typedef {import("./types.js").KeptPicture} KeptPicture */

const T = S.stills;
const FIRST_LAYER_MM = 1;

/**
 * The picture nearest to the moment that the page shows; one that is chosen here is shown elsewhere, too.
 * @param {{job: string, began: string, when: string, pointed?: {current: import("./axis.js").Pointed}}} props
 */
export function Stills({ job, began, when, pointed }) {
  const pictures = useStills(job, when);
  const [chosen, setChosen] = useState("");
  const shown_s = useShown(pointed);
  useEffect(() => {
    if (shown_s !== null && pictures.length) setChosen(pictures[nearestOf(pictures.map(({ at }) => Date.parse(at) / 1000), shown_s)].id);
  }, [shown_s, pictures]);
  if (pictures.length === 0) return null;
  const found = pictures.findIndex((p) => p.id === chosen);
  const place = found < 0 ? pictures.length - 1 : found;
  const picture = pictures[place];
  const go = (/** @type {number} */ step) => () => {
    const next = pictures[Math.min(pictures.length - 1, Math.max(0, place + step))];
    if (next) show(next.id);
  };
  const show = (/** @type {string} */ id) => {
    setChosen(id);
    const at = pictures.find((each) => each.id === id)?.at;
    if (at) pointed?.current.mark?.(Date.parse(at) / 1000);
  };
  const choose = (/** @type {Event} */ event) => show(/** @type {HTMLSelectElement} */ (event.target).value);
  return html`<${Chapter} name="pictures" kind="stills" heading=${T.heading} gist=${T.many(pictures.length)}>
    <div class="acts">
      <button type="button" class="act" aria-disabled=${place === 0} onClick=${go(-1)}>${T.earlier}</button>
      <label class="at">
        <span class="unseen">${T.at}</span>
        <select value=${picture.id} onChange=${choose}>
          ${pictures.map((p) => html`<option key=${p.id} value=${p.id}>${named(p)}, ${moment(p.at, began)}</option>`)}
        </select>
      </label>
      <button type="button" class="act" aria-disabled=${place === pictures.length - 1} onClick=${go(1)}>${T.later}</button>
    </div>
    <${Kept} key=${picture.id} picture=${picture} alt=${T.alt(named(picture))} words=${T.told(named(picture), moment(picture.at, began))} />
  <//>`;
}

/** @param {KeptPicture} picture */
function named({ height_mm }) {
  const high = height(height_mm ?? 0);
  return (height_mm ?? 0) < FIRST_LAYER_MM ? T.first(high) : high;
}

/** @param {string} job  @param {string} when  @returns {KeptPicture[]} */
function useStills(job, when) {
  const [known, setKnown] = useState(/** @type {{job: string, items: KeptPicture[]}} */ ({ job: "", items: [] }));
  useEffect(() => {
    let over = false;
    get(`/api/jobs/${encodeURIComponent(job)}/pictures`).then(
      ({ items }) => over || setKnown({ job, items }),
      () => undefined, // the page of the job says itself when it can't be fetched
    );
    return () => {
      over = true;
    };
  }, [job, when]);
  return known.job === job ? known.items : [];
}
