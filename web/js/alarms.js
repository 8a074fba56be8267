/** What stands: each alarm with its words, since when, its state, and the answer to it. */

import { Act } from "./act.js";
import { post } from "./ask.js";
import { html } from "./html.js";
import { Shape } from "./shapes.js";
import { S } from "./strings.js";
import { duration, moment, words } from "./units.js";

/** @typedef {import("./types.js").Alarm} Alarm */
/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Unit} Unit */

const CLASSES = ["alarm", "supervisory", "trouble", "notice"];
const PRIORITIES = ["critical", "high", "medium", "low"];
const SHELVE_MINUTES = 3;
const T = S.alarms;

/** Danger first, then by urgency, the newest first. @param {Alarm[]} alarms */
export function inOrder(alarms) {
  const rank = (/** @type {Alarm} */ a) =>
    (a.suppression === "none" ? 0 : 100) +
    CLASSES.indexOf(a.class) * 10 +
    PRIORITIES.indexOf(a.priority);
  return [...alarms].sort((a, b) => rank(a) - rank(b) || b.raised_at.localeCompare(a.raised_at));
}

/** The alarm's state in plain words. @param {Alarm} alarm @param {string} now */
export function state(alarm, now) {
  switch (alarm.suppression) {
    case "shelved":
      return alarm.shelved_until ? T.quiet_until(moment(alarm.shelved_until, now)) : T.quiet;
    case "suppressed_by_design":
      return T.not_now;
    case "out_of_service":
      return T.switched_off;
  }
  switch (alarm.annunciation) {
    case "unacknowledged":
      return T.unseen;
    case "acknowledged":
      return T.seen(alarm.acknowledged_by);
    case "returned_unacknowledged":
      return T.over_unseen;
    case "latched_unacknowledged":
      return T.no_sign_unseen;
    case "latched_acknowledged":
      return T.no_sign_seen(alarm.acknowledged_by);
  }
  return alarm.annunciation;
}

/** @param {{chamber: Chamber, unit: Unit, may: boolean}} props */
export function Alarms({ chamber, unit, may }) {
  if (chamber.alarms.length === 0) return null;
  return html`<section class="alarms" aria-label=${T.heading}>
    <ul>
      ${inOrder(chamber.alarms).map(
        (alarm) =>
          html`<${One} key=${alarm.id} alarm=${alarm} now=${chamber.at} unit=${unit} may=${may} />`,
      )}
    </ul>
  </section>`;
}

/** @param {{alarm: Alarm, now: string, unit: Unit, may: boolean}} props */
function One({ alarm, now, unit, may }) {
  const quiet = alarm.suppression !== "none";
  const [head, rest] = split(words(alarm.text, unit));
  const began = moment(alarm.raised_at, now);
  const lasting = duration((Date.parse(now) - Date.parse(alarm.raised_at)) / 1000);
  return html`<li class=${`stands ${alarm.class} ${quiet ? "quiet" : ""}`} data-alarm=${alarm.id}>
    <${Shape} kind=${alarm.class} />
    <div class="words">
      <p>
        <strong>${alarm.class === "alarm" ? `${T.class.alarm}: ` : ""}${head}</strong> ${rest}
      </p>
      <p class="when">
        ${alarm.class !== "alarm" && `${T.class[alarm.class]}. `}
        ${alarm.condition ? T.since(began, lasting) : T.began(began)},${" "}
        <span class="state">${state(alarm, now)}</span>
      </p>
    </div>
    ${may && html`<${Answers} alarm=${alarm} />`}
  </li>`;
}

/** @param {{alarm: Alarm}} props */
function Answers({ alarm }) {
  const to = (/** @type {string} */ what, /** @type {unknown} */ body = undefined) => () =>
    post(`/api/alarms/${encodeURIComponent(alarm.id)}/${what}`, body);
  const unseen = alarm.suppression === "none" && alarm.annunciation.endsWith("unacknowledged");
  const shelvable =
    alarm.suppression === "none" &&
    alarm.condition &&
    alarm.class === "supervisory" &&
    alarm.kind !== "attendance_overdue";
  const answers = [
    unseen && html`<${Act} key="see" work=${to("acknowledge")} kind="must">${T.see}<//>`,
    shelvable &&
      html`<${Act} key="shelve" work=${to("shelve", { minutes: SHELVE_MINUTES })}>${T.shelve}<//>`,
    alarm.suppression === "shelved" &&
      html`<${Act} key="unshelve" work=${to("unshelve")}>${T.unshelve}<//>`,
    alarm.annunciation === "latched_acknowledged" &&
      html`<${Act} key="clear" work=${to("reset")}>${T.clear}<//>`,
  ].filter(Boolean);
  return answers.length ? html`<div class="acts">${answers}</div>` : null;
}

/** The first sentence and the rest. @param {string} text @returns {[string, string]} */
function split(text) {
  const end = text.indexOf(". ");
  return end < 0 ? [text, ""] : [text.slice(0, end + 1), text.slice(end + 2)];
}
