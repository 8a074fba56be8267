/** One chamber on the first page: its sentence first, then all that belongs to it. */

import { useRef } from "../vendor/preact-hooks.js";
import { Alarms } from "./alarms.js";
import { Nearby } from "./attendance.js";
import { foremost } from "./foremost.js";
import { html } from "./html.js";
import { JobPart } from "./job.js";
import { later } from "./later.js";
import { useNear } from "./near.js";
import { useNotes } from "./notes.js";
import { fetchPauses, useOfJob } from "./past.js";
import { Picture } from "./picture.js";
import { Opening, SwitchedOff } from "./quiet.js";
import { Section } from "./section.js";
import { Shape } from "./shapes.js";
import { StopNow, StopReady } from "./stop.js";
import { Stories } from "./stories.js";
import { S } from "./strings.js";
import { words } from "./units.js";

/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Unit} Unit */

/** @type {import("./types.js").Pause[]} */
const NONE = [];

const LastHour = later(() => import("./last_hour.js"), "LastHour", "hour");

/** The shape for each tone of the sentence; a calm one has none. */
export const SHAPES = { danger: "alarm", caution: "supervisory", trouble: "trouble", good: "notice" };

/** Whether somebody near is asked for by now, or nobody is though they should be. @param {Chamber} chamber */
export function isDue({ attendance }) {
  return attendance !== null && (attendance.stage > 0 || attendance.unattended !== null);
}

/**
 * @param {{chamber: Chamber, unit: Unit, dark: boolean, may: boolean, owner: boolean, in_touch: boolean,
 *   joined: number, when: string, steps: unknown}} props
 */
export function ChamberPart({ chamber, unit, dark, may, owner, in_touch, joined, when, steps }) {
  const notes = useNotes(chamber.job?.id ?? "", when);
  const pauses = useOfJob(chamber.job?.id ?? "", when, fetchPauses, NONE);
  const shape = SHAPES[/** @type {keyof typeof SHAPES} */ (chamber.tone)];
  // Then nobody opens the door.
  const danger = chamber.tone === "danger";
  // Whoever is asked by now stands above the picture, who is asked later below it: the focus goes along.
  const place = useNear((gone) => gone.closest(".attendance") && place.current?.querySelector(".attendance .act"));
  const due = isDue(chamber);
  const must = foremost(chamber);
  const nearby = html`<${Nearby} chamber=${chamber} may=${may} must=${must} />`;
  return html`<article class="chamber" ref=${place} aria-labelledby=${`says-${chamber.chamber}`}>
    <p class="place">
      ${chamber.name} <${Unreal} chamber=${chamber} />
    </p>
    <h1 class=${`sentence ${chamber.tone}`} id=${`says-${chamber.chamber}`} tabindex="-1">
      ${shape && html`<${Shape} kind=${shape} />`}<span>${words(chamber.sentence, unit)}</span>
    </h1>
    ${chamber.sub && html`<p class="sub">${words(chamber.sub, unit)}</p>`}
    <${Said} chamber=${chamber} unit=${unit} />
    <${StopNow} chamber=${chamber} may=${may} owner=${owner} must=${must} />
    <div class="needs">
      ${due && nearby}
      <${Alarms} chamber=${chamber} unit=${unit} may=${may} when=${when} must=${must} />
    </div>
    <${SwitchedOff} chamber=${chamber} may=${may} />
    <div class="spread">
      <${Section} chamber=${chamber} unit=${unit} dark=${dark} joined=${joined} />
      <${Picture} chamber=${chamber} in_touch=${in_touch} may=${may} />
      <${JobPart} chamber=${chamber} unit=${unit} may=${may} notes=${notes} when=${when} />
      <div class="abreast">
        ${!due && nearby}
        ${may && (!danger || chamber.opening?.until_at) && html`<${Opening} chamber=${chamber} must=${must} />`}
      </div>
    </div>
    ${steps}
    <${StopReady} chamber=${chamber} may=${may} owner=${owner} />
    <${LastHour} chamber=${chamber} unit=${unit} dark=${dark} joined=${joined} />
    <${Stories} chamber=${chamber} unit=${unit} notes=${notes} pauses=${pauses} may=${may} when=${when} />
  </article>`;
}

/** Said wherever what is shown isn't real or isn't now. @param {{chamber: Chamber}} props */
export function Unreal({ chamber }) {
  const told = [
    chamber.simulated && S.head.simulated,
    chamber.recorded && S.head.recorded,
    chamber.speed !== 1 && S.head.speed(chamber.speed),
  ].filter(Boolean);
  return told.length ? html`<strong class="unreal">${told.join(" ")}</strong>` : null;
}

/**
 * The same for those who listen, and only when it changes: figures that tick
 * each second are no news.
 * @param {{chamber: Chamber, unit: Unit}} props
 */
export function Said({ chamber, unit }) {
  const calm = useRef({ key: "", text: "" });
  const key = chamber.sentence.replace(/[\d.]+/g, "");
  if (key !== calm.current.key) calm.current = { key, text: words(chamber.sentence, unit) };
  const unseen = chamber.alarms.filter(
    (a) => a.suppression === "none" && a.annunciation.endsWith("unacknowledged"),
  );
  return html`<div class="unseen" aria-live="polite" aria-atomic="true">${calm.current.text}</div>
    <div class="unseen" aria-live="assertive">
      ${unseen.map((a) => html`<p key=${a.id}>${S.alarms.class[a.class]}: ${opening(a.text)}</p>`)}
    </div>`;
}

/** Its first sentence. @param {string} text */
function opening(text) {
  return text.split(". ")[0];
}
