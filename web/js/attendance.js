/** Somebody near a box that can burn: the tap that says so, and what else can be done about it. */

import { useId, useLayoutEffect, useRef, useState } from "../vendor/preact-hooks.js";
import { Act, Refused, useWork } from "./act.js";
import { post } from "./ask.js";
import { nameOf } from "./guessed.js";
import { html } from "./html.js";
import { useNear } from "./near.js";
import { Shape } from "./shapes.js";
import { N } from "./strings_attendance.js";
import { moment } from "./units.js";

/** @typedef {import("./types.js").Attendance} Attendance */
/** @typedef {import("./types.js").Chamber} Chamber */

const REASON_LENGTH = 10;
const AT_A_TAP = 1; // so many people have a button of their own at once
const BURNING = ["fire", "flame", "smoke", "detector_contact"];

/** @param {{chamber: Chamber, may: boolean, must: string}} props  `must`: which button stands out (`foremost`) */
export function Nearby({ chamber, may, must }) {
  const place = useNear(() => place.current?.querySelector(".words"));
  const told = chamber.attendance;
  // Nobody is asked to go to a box that may be burning.
  const dangers = chamber.alarms.filter((alarm) => alarm.class === "alarm");
  const burns = dangers.some((alarm) => alarm.condition && BURNING.includes(alarm.kind));
  const shown = told && !burns && (told.asks ? told.needed : chamber.speed === 1); // else it is listed
  const first = shown && told.asks && told.stage > 0 && dangers.length === 0; // one element, wherever it stands: the focus stays
  return html`<section class=${`attendance ${first ? "first" : ""}`} aria-label=${N.heading} ref=${place} hidden=${!shown}>
    ${shown && !told.asks && html`<p>${N.not_asked}</p>`}
    ${shown && told.asks && told.unattended && html`<${Unattended} chamber=${chamber} told=${told} may=${may} />`}
    ${shown && told.asks && !told.unattended && html`<${Asked} chamber=${chamber} told=${told} may=${may} must=${must} />`}
  </section>`;
}

/** Where it is said. @param {Chamber} chamber  @param {string} what */
function path(chamber, what) {
  return `/api/chambers/${encodeURIComponent(chamber.chamber)}/${what}`;
}

/** @param {{chamber: Chamber, told: Attendance, may: boolean}} props */
function Unattended({ chamber, told, may }) {
  const { by, reason, since_at } = told.unattended ?? { by: "", reason: "", since_at: "" };
  return html`<div class="stands supervisory">
    <${Shape} kind="supervisory" />
    <div class="words" tabindex="-1"><p><strong>${N.unattended(by, moment(since_at, chamber.at), reason)}</strong></p></div>
    ${may && html`<div class="acts"><${Act} work=${() => post(path(chamber, "presence"))}>${N.near_again}<//></div>`}
  </div>`;
}

/** @param {{chamber: Chamber, told: Attendance, may: boolean, must: string}} props */
function Asked({ chamber, told, may, must }) {
  const [open, setOpen] = useState(/** @type {"" | "over" | "run"} */ (""));
  const now = chamber.at;
  const due = told.stage > 0;
  const others = told.people.filter((name) => name !== told.to && (told.left_at !== null || name !== told.person));
  const close = () => setOpen("");
  const to = (/** @type {string} */ name) =>
    html`<${Act} key=${name} kind="slight" work=${() => post(path(chamber, "hand-over"), { to: name })} done=${close}>${N.hand_over_to(name)}<//>`;
  return html`<div class="words" tabindex="-1">
      <p class=${due ? "due" : ""}><${Words} told=${told} now=${now} /></p>
      ${due && html`<p>${told.people.length ? N.stage[told.stage] : N.nobody_named}</p>`}
      ${told.person && told.people.length > 0 && !told.people.includes(told.person) && html`<p>${N.stranger(told.person)}</p>`}
      ${told.to && html`<p>${N.asked(told.to)}</p>`}
    </div>
    ${may &&
    html`<div class="acts">
        <${Act} key="near" kind=${must === "near" ? "must" : "near"} work=${() => post(path(chamber, "presence"))}>${N.tap}<//>
      </div>
      <div class="acts">
        ${others.length > 0 && others.length <= AT_A_TAP && others.map(to)}
        ${others.length > AT_A_TAP && html`<${Opens} what="over" open=${open} set=${setOpen}>${N.hand_over}<//>`}
        ${told.can_leave && html`<${Act} key="leave" kind="slight" work=${() => post(path(chamber, "leave"))}>${N.leave}<//>`}
        ${chamber.job && html`<${Opens} what="run" open=${open} set=${setOpen}>${N.let_run}<//>`}
      </div>
      ${open === "over" &&
      html`<div class="aside" role="group" aria-label=${N.hand_over} onKeyDown=${leaveBy(close)}>
        <p>${N.to_whom}</p>
        <div class="acts">${others.map(to)}</div>
      </div>`}
      ${open === "run" && chamber.job && html`<${LetRun} chamber=${chamber} job=${chamber.job} close=${close} />`}`}`;
}

/** What to do first, where something is to be done. @param {{told: Attendance, now: string}} props */
function Words({ told, now }) {
  if (told.left_at) return N.left(told.person, moment(told.left_at, now));
  if (told.stage > 0) return N.overdue(moment(told.overdue_since_at ?? now, now));
  const by = moment(told.due_at ?? now, now);
  return told.confirmed_at ? N.again(told.person, moment(told.confirmed_at, now), by) : N.first(by);
}

/** @param {{what: "over" | "run", open: string, set: (what: "" | "over" | "run") => void, children?: unknown}} props */
function Opens({ what, open, set, children }) {
  return html`<button type="button" class="act slight" aria-expanded=${open === what}
    onClick=${() => set(open === what ? "" : what)}>${children}</button>`;
}

/** A reason first, and then the question once more. @param {{chamber: Chamber, job: import("./types.js").Job, close: () => void}} props */
function LetRun({ chamber, job, close }) {
  const [reason, setReason] = useState("");
  const [asked, setAsked] = useState(false);
  const { busy, error, run, refuse } = useWork();
  const field = useRef(/** @type {HTMLElement | null} */ (null));
  const question = useRef(/** @type {HTMLElement | null} */ (null));
  const id = useId();
  useLayoutEffect(() => (asked ? question : field).current?.focus(), [asked]);
  const send = () => post(path(chamber, "unattended"), { reason, job: job.id });
  if (asked) {
    return html`<div class="aside" role="group" aria-label=${N.let_run} onKeyDown=${leaveBy(close)}>
      <p ref=${question} tabindex="-1" role="alert">${N.really(nameOf(job))}</p>
      <div class="acts">
        <${Act} key="yes" work=${send} done=${close}>${N.yes}<//>
        <button key="no" type="button" class="act slight" onClick=${close}>${N.no}</button>
      </div>
    </div>`;
  }
  return html`<form class="aside" novalidate onKeyDown=${leaveBy(close)}
    onSubmit=${(/** @type {Event} */ event) => {
      event.preventDefault();
      if (reason.trim().length >= REASON_LENGTH) return run(async () => setAsked(true));
      refuse(N.too_short(REASON_LENGTH));
      return field.current?.focus();
    }}>
    <p>${N.warning}</p>
    <label for=${id}>${N.why}</label>
    <input id=${id} ref=${field} value=${reason} maxlength="200" autocomplete="off"
      aria-invalid=${error ? "true" : undefined}
      onInput=${(/** @type {any} */ event) => setReason(event.target.value)} />
    <div class="acts">
      <button key="go" type="submit" class="act" aria-disabled=${busy}>${N.go_on}</button>
      <button key="no" type="button" class="act slight" onClick=${close}>${N.no}</button>
    </div>
    <${Refused} error=${error} />
  </form>`;
}

/** Escape leaves what has been opened. @param {() => void} close */
function leaveBy(close) {
  return (/** @type {KeyboardEvent} */ event) => {
    if (event.key === "Escape") close();
  };
}
