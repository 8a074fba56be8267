/** What is quiet on purpose: a door that somebody opens, and alarms that are switched off. */

import { useState } from "../vendor/preact-hooks.js";
import { Act } from "./act.js";
import { post } from "./ask.js";
import { html } from "./html.js";
import { useNear } from "./near.js";
import { S } from "./strings.js";
import { duration, moment } from "./units.js";

/** @typedef {import("./types.js").Alarm} Alarm */
/** @typedef {import("./types.js").Chamber} Chamber */

const MINUTES = 3;
const HOT = ["warming", "soak", "steady", "cooling"];
const T = S.quiet;

/** @param {Chamber} chamber  @param {string} what */
const path = (chamber, what) => `/api/chambers/${encodeURIComponent(chamber.chamber)}/${what}`;

/**
 * One tap before the door is opened, while that matters; then for how long it is quiet, and
 * one tap when it is shut again.
 * @param {{chamber: Chamber, must: string}} props
 */
export function Opening({ chamber, must }) {
  const place = useNear(
    (gone) =>
      (gone.isConnected ? gone.querySelector(".told:not(:empty)") : null) ??
      document.getElementById(`says-${chamber.chamber}`),
  );
  const opening = chamber.opening;
  const until_at = opening?.until_at ?? null;
  if (!until_at && !chamber.job && !HOT.includes(chamber.phase)) return null;
  const left_s = until_at ? (Date.parse(until_at) - Date.parse(chamber.at)) / 1000 : 0;
  return html`<section class="opening" aria-label=${T.heading} ref=${place}>
    <div data-near>
    <p class="told" tabindex="-1">
      ${until_at ? T.expected(moment(until_at, chamber.at), duration(left_s)) : ""}
    </p>
    <div class="acts">
      ${until_at
        ? html`<${Act} key="shut" kind=${must === "door" ? "must" : ""} work=${() => post(path(chamber, "opening/end"))}>${T.shut}<//>`
        : html`<${Act} key="open" work=${() => post(path(chamber, "opening"), { minutes: MINUTES, reason: "" })}>${T.open(MINUTES)}<//>`}
    </div>
    </div>
  </section>`;
}

/**
 * All alarms that are switched off, always on view.
 * @param {{chamber: Chamber, may: boolean}} props
 */
export function SwitchedOff({ chamber, may }) {
  const off = chamber.out_of_service ?? [];
  const place = useNear(() => document.getElementById(`says-${chamber.chamber}`));
  return html`<section class="switched-off" aria-label=${T.off} ref=${place} hidden=${off.length === 0}>
    ${off.length > 0 && html`<p><strong>${T.off}.</strong> ${T.off_means}</p>`}
    <ul>
      ${off.map(
        ({ kind, subject, title, by, since_at, reason }) => html`<li key=${`${kind} ${subject}`} data-near>
          <p>
            <strong>${title}${subject && ` (${subject})`}</strong>: ${reason}${" "}
            <span class="when">${T.by(by, moment(since_at, chamber.at))}</span>
          </p>
          ${may && html`<div class="acts"><${Act} work=${() => post(path(chamber, "in-service"), { kind, subject })}>${T.on}<//></div>`}
        </li>`,
      )}
    </ul>
  </section>`;
}

/**
 * Something that needs a reason, so it is asked once more: a button, then the reason and what
 * will happen.
 * @param {{ask: string, means: string, yes: string, no: string, work: (reason: string) => Promise<unknown>}} props
 */
export function WithReason({ ask, means, yes, no, work }) {
  const [open, setOpen] = useState(false);
  const [reason, setReason] = useState("");
  if (!open) {
    return html`<button type="button" class="act slight" onClick=${() => setOpen(true)}>${ask}</button>`;
  }
  const close = () => (setOpen(false), setReason(""));
  const said = () => (reason.trim() ? work(reason.trim()) : Promise.reject(new Error(T.why_empty)));
  return html`<div class="aside" role="group" aria-label=${ask}>
    <p>${means}</p>
    <label>${T.why}
      <input type="text" maxlength="200" value=${reason} ref=${(/** @type {HTMLElement | null} */ e) => e && document.activeElement === document.body && e.focus()}
        onInput=${(/** @type {InputEvent} */ e) => setReason(/** @type {HTMLInputElement} */ (e.target).value)} />
    </label>
    <div class="acts">
      <${Act} work=${said} done=${close}>${yes}<//>
      <button type="button" class="act slight" onClick=${close}>${no}</button>
    </div>
  </div>`;
}

/**
 * Switch an alarm off until somebody switches it on again.
 * @param {{alarm: Alarm}} props
 */
export function SwitchOff({ alarm }) {
  const work = (/** @type {string} */ reason) =>
    post(`/api/chambers/${encodeURIComponent(alarm.chamber)}/out-of-service`, {
      kind: alarm.kind,
      subject: alarm.subject,
      reason,
    });
  return html`<${WithReason} ask=${T.switch_off} means=${T.switch_off_means} yes=${T.switch_off_yes} no=${T.switch_off_no} work=${work} />`;
}
