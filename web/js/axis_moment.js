/** One moment of a job, and all that is known of it. */

import { firstAfter, nearestRow } from "./axis_layout.js";
import { pictured } from "./axis_lanes.js";
import { heightAt, mm } from "./heights.js";
import { html } from "./html.js";
import { A } from "./strings_axis.js";
import { clock, moment, second, temperature } from "./units.js";

/** @typedef {import("./types.js").Heights} Heights */
/** @typedef {import("./types.js").KeptPicture} KeptPicture */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./axis_kept.js").Along} Along */
/** What was opened, below the line of time. @typedef {{key: string, shown: any}} Opened */

const SLACK_S = 30;

/**
 * Told aloud only while keys move it: nobody wants to hear where a mouse is.
 * @param {{at_s: number | null, time_s: number[], sensors: Map<string, (number | null)[]>, names: string[], along: Along,
 *   heights: Heights | null, unit: Unit, began: string, spoken: boolean, open: (opened: Opened) => void}} props
 */
export function Moment({ at_s, time_s, sensors, names, along, heights, unit, began, spoken, open }) {
  const told = at_s === null ? null : tell();
  const picture = at_s === null ? null : nearest(along.pictures, at_s);
  return html`<div class="moment">
    <p aria-live=${spoken ? "polite" : "off"}>
      ${told ? html`<b>${told.when}</b>${told.rest.map((words) => html`<span key=${words}>${words}</span>`)}` : A.point}
    </p>
    ${picture &&
    html`<button type="button" class="act slight" onClick=${() => open(pictured(picture, began))}>
      ${A.picture(exactly(Date.parse(picture.at), began))}
    </button>`}
  </div>`;

  /** What is said of it. */
  function tell() {
    const now_s = at_s ?? 0;
    const at = new Date(now_s * 1000).toJSON();
    const high = heightAt(heights, at);
    const stage = along.stages.find(({ from_at, to_at }) => from_at <= at && (to_at === null || at < to_at));
    const row = nearestRow(time_s, now_s, SLACK_S);
    const layer = heights?.by === "toolpath" && high !== null ? firstAfter(heights.start_at, now_s) - 1 : -1;
    const air = names.map((name) => {
      const t_c = row < 0 ? null : sensors.get(name)?.[row] ?? null;
      return t_c === null ? A.no_value(name) : `${name} ${temperature(t_c, unit)}`;
    });
    const unseen = along.camera_paused.some(({ from_at, to_at }) => from_at <= at && (to_at === null || at < to_at));
    return {
      when: exactly(now_s * 1000, began),
      rest: [
        stage ? A.stages[stage.stage] : "",
        high === null ? "" : mm(high),
        layer < 0 ? "" : A.layer(layer + 1),
        ...air,
        unseen ? A.camera_paused : "",
      ].filter(Boolean),
    };
  }
}

/** "14:05:30", or with its day where that isn't clear. @param {number} at_ms  @param {string} began */
function exactly(at_ms, began) {
  return moment(at_ms, began).replace(clock(at_ms), second(at_ms));
}

/** @param {KeptPicture[]} pictures  in time order  @param {number} at_s */
function nearest(pictures, at_s) {
  const off = (/** @type {KeptPicture} */ picture) => Math.abs(Date.parse(picture.at) - at_s * 1000);
  return pictures.reduce((/** @type {KeptPicture | null} */ best, one) => (best && off(best) <= off(one) ? best : one), null);
}
