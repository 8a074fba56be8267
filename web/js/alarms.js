/** What stands: each alarm with its words, since when, its state, and the answer to it. */

import { Act } from "./act.js";
import { post } from "./ask.js";
import { Evidence, isPictured } from "./evidence.js";
import { inOrder, isUnseen, together } from "./foremost.js";
import { html } from "./html.js";
import { useNear } from "./near.js";
import { SwitchOff, WithReason } from "./quiet.js";
import { Shape } from "./shapes.js";
import { S } from "./strings.js";
import { duration, moment, words } from "./units.js";

/** @typedef {import("./types.js").Alarm} Alarm */
/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Unit} Unit */

const SHELVE_MINUTES = 3;
const OVER_SHOWN = 3; // a line each; of more only how many
const THE_DOOR = ["door_open", "draft"]; // whoever opens it knows why
const T = S.alarms;
const Q = S.quiet;

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
      return T.seen(alarm.acknowledged_by, at(alarm, now));
    case "returned_unacknowledged":
      return T.over_unseen;
    case "latched_unacknowledged":
      return T.no_sign_unseen;
    case "latched_acknowledged":
      return T.no_sign_seen(T.seen(alarm.acknowledged_by, at(alarm, now)));
  }
  return alarm.annunciation;
}

/** When somebody said that they have seen it; "" of what was seen before that was kept. @param {Alarm} alarm @param {string} now */
function at({ acknowledged_at }, now) {
  return acknowledged_at ? moment(acknowledged_at, now) : "";
}

/** @param {{chamber: Chamber, unit: Unit, may: boolean, when?: string, must: string}} props  `must`: which button stands out (`foremost`) */
export function Alarms({ chamber, unit, may, when = "", must }) {
  // After an answer its button goes. The alarm's words get the focus, not its next
  // button: who presses twice must not answer twice.
  const place = useNear(
    (gone) =>
      (gone.isConnected ? gone.querySelector(".words") : null) ??
      document.getElementById(`says-${chamber.chamber}`),
  );
  const all = inOrder(chamber.alarms).map((alarm) => ({ ...alarm, text: alarm.leaving || alarm.text }));
  const over = all.filter(isOver);
  // One fire is often several dangers with the same picture: open it stands once.
  const standing = all.filter((alarm) => !isOver(alarm));
  const follow = (/** @type {Alarm} */ first) => standing.filter((alarm) => alarm.cause_alarm === first.id);
  const hangs = (/** @type {Alarm} */ alarm) => standing.some((first) => first.id === alarm.cause_alarm);
  const pictured = all.filter((alarm) => alarm.class === "alarm" && isPictured(alarm.kind));
  const open = pictured.find((alarm) => alarm.condition) ?? pictured[0];
  return html`<section class="alarms" aria-label=${T.heading} ref=${place} hidden=${all.length === 0}>
    <ul>
      ${standing
        .filter((alarm) => alarm.suppression !== "out_of_service" && !hangs(alarm))
        .map((alarm) => html`<${One} key=${alarm.id} alarm=${alarm} follow=${follow(alarm)} chamber=${chamber} unit=${unit} may=${may} must=${must} when=${when} folded=${alarm !== open} />`)}
    </ul>
    ${over.length > 0 && html`<${Over} alarms=${over} alone=${all.filter(isUnseen).length === 1} chamber=${chamber} unit=${unit} may=${may} must=${must} />`}
    ${may && html`<${SeenAll} alarms=${all} must=${must} />`}
  </section>`;
}

/** Whether all that is left of it is that nobody has seen it. Danger is never made small. @param {Alarm} alarm */
function isOver(alarm) {
  return alarm.class !== "alarm" && alarm.suppression === "none" && alarm.annunciation === "returned_unacknowledged";
}

/**
 * What is over, one line each that unfolds, or of many one for all: it mustn't push down
 * what stands now.
 * `alone`: nothing else waits for an answer, so the button needn't be unfolded.
 * @param {{alarms: Alarm[], alone: boolean, chamber: Chamber, unit: Unit, may: boolean, must: string}} props
 */
function Over({ alarms, alone, chamber, unit, may, must }) {
  const list = html`<ul>
      ${alarms.map((alarm) => {
        const [head, rest] = split(words(alarm.text, unit));
        return html`<li key=${alarm.id} class=${alarm.class} data-alarm=${alarm.id} data-near>
          <details>
            <summary><${Shape} kind=${alarm.class} /><span class="line"><time datetime=${alarm.began_at}>${moment(alarm.began_at, chamber.at)}</time> ${head}</span></summary>
            <div class="words" tabindex="-1">
              ${rest && html`<p>${rest}</p>`}
              <p class="when">
                <strong>${T.class[alarm.class]}.</strong> ${T.began(moment(alarm.began_at, chamber.at))},${" "}
                <span class="state">${state(alarm, chamber.at)}</span>
              </p>
            </div>
            ${may && !alone && html`<${Answers} alarm=${alarm} must=${must} />`}
          </details>
          ${may && alone && html`<${Answers} alarm=${alarm} must=${must} />`}
        </li>`;
      })}
    </ul>`;
  return html`<div class="over">
    ${alarms.length > OVER_SHOWN
      ? html`<details><summary>${T.many_over(alarms.length)}</summary>${list}</details>`
      : html`<p>${T.over}</p>
          ${list}`}
  </div>`;
}

/**
 * Whether the sentence above is this alarm's own, so that its words needn't stand twice.
 * @param {Alarm} alarm  @param {Chamber} chamber
 */
export function heads(alarm, chamber) {
  const [head, rest] = split(alarm.text);
  const own = head.replace(/\.$/, "");
  return chamber.sentence.startsWith(own) && chamber.sub.startsWith(rest.trim());
}

/**
 * What follows from a first cause: one story with it, so below it.
 * @param {{alarms: Alarm[], chamber: Chamber, unit: Unit, may: boolean, must: string}} props
 */
function Following({ alarms, chamber, unit, may, must }) {
  return html`<details class="follows">
    <summary>${T.follows(alarms.length)} ${alarms.map(({ text }) => split(text)[0].replace(/\.$/, "")).join("; ")}</summary>
    <ul>
      ${alarms.map(
        (alarm) => html`<li key=${alarm.id} data-alarm=${alarm.id} data-near>
          <div class="words" tabindex="-1">
            <p>${words(alarm.text, unit)}</p>
            <p class="when"><span class="state">${state(alarm, chamber.at)}</span></p>
          </div>
          ${may && html`<${Answers} alarm=${alarm} must=${must} />`}
        </li>`,
      )}
    </ul>
  </details>`;
}

/** @param {{alarm: Alarm, follow: Alarm[], chamber: Chamber, unit: Unit, may: boolean, must: string, when: string, folded: boolean}} props */
function One({ alarm, follow, chamber, unit, may, must, when, folded }) {
  const now = chamber.at;
  const quiet = alarm.suppression !== "none";
  const [head, rest] = split(words(alarm.text, unit));
  const began = moment(alarm.began_at, now);
  const lasting = duration((Date.parse(now) - Date.parse(alarm.began_at)) / 1000);
  const said = heads(alarm, chamber); // then only those hear it again who don't see what stands above
  return html`<li class=${`stands ${alarm.class} ${quiet ? "quiet" : ""}`} data-alarm=${alarm.id} data-near>
    <${Shape} kind=${alarm.class} />
    <div class="words" tabindex="-1">
      <p class=${said ? "unseen" : ""}>
        <strong>${alarm.class === "alarm" ? `${T.class.alarm}: ` : ""}${head}</strong> ${rest}
      </p>
      <p class="when">
        ${(alarm.class !== "alarm" || said) && html`<strong>${T.class[alarm.class]}.</strong> `}
        ${alarm.condition ? T.since(began, lasting) : T.began(began)},${" "}
        <span class="state">${state(alarm, now)}</span>
      </p>
    </div>
    ${may && html`<${Answers} alarm=${alarm} must=${must} />`}
    ${follow.length > 0 && html`<${Following} alarms=${follow} chamber=${chamber} unit=${unit} may=${may} must=${must} />`}
    ${chamber.camera?.watched &&
    isPictured(alarm.kind) &&
    html`<${Evidence} chamber=${chamber.chamber} event=${alarm.event} kind=${alarm.kind} now=${now} may=${may}
      stands=${alarm.condition} when=${when} folded=${folded} />`}
  </li>`;
}

/**
 * One button for all that wait for an answer. Not for dangers: each is looked at by itself.
 * @param {{alarms: Alarm[], must: string}} props
 */
function SeenAll({ alarms, must }) {
  const wait = together(alarms);
  if (wait.length === 0) return null;
  const others = alarms.some((alarm) => isUnseen(alarm) && alarm.class === "alarm");
  const work = () =>
    Promise.all(wait.map(({ id }) => post(`/api/alarms/${encodeURIComponent(id)}/acknowledge`)));
  return html`<div class="acts all"><${Act} work=${work} kind=${must === "all" ? "must" : ""}>${(others ? T.see_others : T.see_all)(wait.length)}<//></div>`;
}

/** @param {{alarm: Alarm, must: string}} props */
function Answers({ alarm, must }) {
  const to = (/** @type {string} */ what, /** @type {unknown} */ body = undefined) => () =>
    post(`/api/alarms/${encodeURIComponent(alarm.id)}/${what}`, body);
  const shelvable =
    alarm.suppression === "none" &&
    alarm.condition &&
    alarm.class === "supervisory" &&
    alarm.kind !== "attendance_overdue";
  // Offered to who has seen it, so that it is no quick way out.
  const hideable =
    alarm.suppression === "none" &&
    alarm.annunciation === "acknowledged" &&
    alarm.class !== "alarm" &&
    alarm.kind !== "attendance_overdue";
  const shelve = (/** @type {string} */ reason) => to("shelve", { minutes: SHELVE_MINUTES, reason })();
  const answers = [
    isUnseen(alarm) && html`<${Act} key="see" work=${to("acknowledge")} kind=${must === alarm.id ? "must" : ""}>${T.see}<//>`,
    shelvable &&
      (THE_DOOR.includes(alarm.kind)
        ? html`<${Act} key="shelve" work=${() => shelve("")}>${T.shelve}<//>`
        : html`<${WithReason} key="shelve" ask=${T.shelve} means=${Q.shelve_means} yes=${Q.shelve_yes} no=${Q.shelve_no} work=${shelve} />`),
    alarm.suppression === "shelved" &&
      html`<${Act} key="unshelve" work=${to("unshelve")}>${T.unshelve}<//>`,
    (alarm.annunciation === "latched_acknowledged" ||
      (alarm.blind && alarm.annunciation === "acknowledged")) &&
      html`<${Act} key="clear" work=${to("reset")}>${T.clear}<//>`,
    hideable && html`<${SwitchOff} key="off" alarm=${alarm} />`,
  ].filter(Boolean);
  return answers.length ? html`<div class="acts">${answers}</div>` : null;
}

/** The first sentence and the rest. @param {string} text @returns {[string, string]} */
function split(text) {
  const end = text.indexOf(". ");
  return end < 0 ? [text, ""] : [text.slice(0, end + 1), text.slice(end + 2)];
}
