/** Stopping the machine: the countdown and who may say no, the stop and its end, and trying it. */

import { useState } from "../vendor/preact-hooks.js";
import { Act } from "./act.js";
import { post } from "./ask.js";
import { html } from "./html.js";
import { useNear } from "./near.js";
import { Shape } from "./shapes.js";
import { W } from "./strings_stop.js";
import { Twice } from "./twice.js";
import { moment, second } from "./units.js";

/** @typedef {import("./types.js").Chamber} Chamber */

/** @param {Chamber} chamber */
const to = (chamber) => (/** @type {string} */ what, /** @type {unknown} */ body = undefined) => () =>
  post(`/api/chambers/${encodeURIComponent(chamber.chamber)}/stop/${what}`, body);

/** What is under way: a countdown, a hold or a stop. @param {{chamber: Chamber, may: boolean, owner: boolean, must: string}} props */
export function StopNow({ chamber, may, owner, must }) {
  const stop = chamber.stop;
  // After an answer its button goes: what it has led to is read next.
  const place = useNear(() => place.current?.querySelector(".words"));
  const phase = stop.set_up ? stop.phase : "ready";
  const kind = must === "stop" ? "must" : "";
  return html`<section class="stop-now" aria-label=${W.heading} ref=${place} hidden=${phase === "ready"}>
    ${phase === "counting" && html`<${Counting} chamber=${chamber} may=${may} kind=${kind} />`}
    ${phase === "held" && html`<${Held} chamber=${chamber} may=${may} kind=${kind} />`}
    ${phase === "stopped" && html`<${Stopped} chamber=${chamber} may=${may} owner=${owner} kind=${kind} />`}
  </section>`;
}

/** @param {{chamber: Chamber, may: boolean, kind: string}} props */
function Counting({ chamber, may, kind }) {
  const { stop, at } = chamber;
  const until = stop.until_at ?? at;
  const left_s = Math.max(0, Math.ceil((Date.parse(until) - Date.parse(at)) / 1000));
  return html`<div class="stands alarm">
    <p class="left" aria-hidden="true">${W.left(left_s)}</p>
    <div class="words" tabindex="-1"><p role="alert"><strong>${W.counting(W.cause(stop.cause), second(until))}</strong></p></div>
    ${may &&
    html`<div class="acts">
      <${Twice} ask=${W.hold} question=${W.hold_really} yes=${W.hold_yes} no=${W.hold_no} kind=""
        work=${to(chamber)("hold")} done=${() => undefined} />
      <${Act} work=${to(chamber)("now")} kind=${kind}>${W.now}<//>
    </div>`}
  </div>`;
}

/** @param {{chamber: Chamber, may: boolean, kind: string}} props */
function Held({ chamber, may, kind }) {
  const { stop, at } = chamber;
  return html`<div class="stands alarm">
    <${Shape} kind="alarm" />
    <div class="words" tabindex="-1">
      <p><strong>${W.held(W.cause(stop.cause), stop.by, moment(stop.since_at, at))}</strong> ${W.held_more}</p>
    </div>
    ${may && html`<div class="acts"><${Act} work=${to(chamber)("now")} kind=${kind}>${W.now}<//></div>`}
  </div>`;
}

/** @param {{chamber: Chamber, may: boolean, owner: boolean, kind: string}} props */
function Stopped({ chamber, may, owner, kind }) {
  const { stop, at } = chamber;
  const trial = stop.cause === "trial";
  const stands = chamber.alarms.filter((alarm) => alarm.condition);
  // What keeps it off may be no more than that nobody has tapped: then a tap is the way on.
  const alone =
    stop.on.includes("attendance") &&
    stands.some((alarm) => alarm.kind === "attendance_overdue") &&
    !stands.some((alarm) => alarm.class === "alarm");
  const judged = trial && stop.tried_at !== null && stop.tried_at >= stop.since_at;
  return html`<div class="stands ${trial ? "supervisory" : "alarm"}">
    <${Shape} kind=${trial ? "supervisory" : "alarm"} />
    <div class="words" tabindex="-1">
      <p role="alert"><strong>${W.stopped(W.cause(stop.cause), stop.by, moment(stop.since_at, at))}</strong></p>
      <p>${W.stays} ${!stop.may_reset ? (alone ? W.nobody : W.stands) : stop.has_button ? W.by_button : ""}</p>
      ${trial && owner && (judged ? html`<p role="status">${W.noted}</p>` : html`<p><strong>${W.did_it}</strong></p>`)}
    </div>
    ${trial &&
    owner &&
    !judged &&
    html`<div class="acts">
      <${Act} key="did" work=${to(chamber)("tried", { worked: true })} kind=${kind}>${W.it_did}<//>
      <${Act} key="not" work=${to(chamber)("tried", { worked: false })}>${W.it_didnt}<//>
    </div>`}
    ${may && stop.may_reset && !stop.has_button && (!trial || judged || !owner) && html`<${Reset} chamber=${chamber} />`}
  </div>`;
}

/** Asked twice: who is elsewhere can't know whether it is safe. @param {{chamber: Chamber}} props */
function Reset({ chamber }) {
  const [there, setThere] = useState(false);
  return html`<div class="acts">
    ${there
      ? html`<div class="aside" role="group" aria-label=${W.reset}>
          <p>${W.reset_really_2}</p>
          <div class="acts">
            <${Act} key="reset" work=${to(chamber)("reset")}>${W.reset_yes_2}<//>
            <button type="button" class="act slight" onClick=${() => setThere(false)}>${W.reset_no}</button>
          </div>
        </div>`
      : html`<${Twice} ask=${W.reset} question=${W.reset_really} yes=${W.reset_yes} no=${W.reset_no} kind=""
          work=${async () => undefined} done=${() => setThere(true)} />`}
  </div>`;
}

/** How the stop is set up, and when it was tried. @param {{chamber: Chamber, may: boolean, owner: boolean}} props */
export function StopReady({ chamber, may, owner }) {
  const { stop, at } = chamber;
  if (!stop.set_up) return null;
  const danger = chamber.alarms.some((alarm) => alarm.class === "alarm");
  // The trial takes the supply: what is being built then is lost, so the service refuses it as well.
  const works = chamber.job !== null && ["running", "paused"].includes(chamber.job.state);
  const causes = stop.on.map((each) => W.on[each]).join(W.or);
  const said =
    stop.tried_at === null
      ? W.never
      : (stop.tried_worked ? W.tried : W.failed)(moment(stop.tried_at, at), stop.tried_by);
  return html`<section class="stop-ready" aria-label=${W.how}>
    <h2>${W.heading}</h2>
    <p>${W.ready(causes, stop.countdown_s, stop.outputs)} ${said} ${W.limits}</p>
    ${stop.phase === "ready" &&
    html`<div class="acts">
      ${may &&
      html`<${Twice} ask=${W.stop} question=${W.stop_really} yes=${W.stop_yes} no=${W.stop_no}
        work=${to(chamber)("now")} done=${() => undefined} />`}
      ${owner && works && html`<p class="small">${W.try_later}</p>`}
      ${owner &&
      !danger &&
      !works &&
      html`<${Twice} ask=${W.try} question=${W.try_really} yes=${W.try_yes} no=${W.try_no}
        work=${to(chamber)("try")} done=${() => undefined} />`}
    </div>`}
  </section>`;
}
