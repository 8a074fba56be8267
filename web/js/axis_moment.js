/** One moment of a job, and all that is known of it. */

import { firstAfter, nearestRow } from "./axis_layout.js";
import { pictured } from "./axis_lanes.js";
import { heightAt, mm } from "./heights.js";
import { html } from "./html.js";
import { useSettled } from "./settled.js";
import { A } from "./strings_axis.js";
import { clock, figure, moment, second, temperature } from "./units.js";

/** @typedef {import("./types.js").Heights} Heights */
/** @typedef {import("./types.js").KeptPicture} KeptPicture */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./axis_kept.js").Along} Along */
/** What was opened, below the line of time. @typedef {{key: string, shown: any}} Opened */

const SLACK_S = 30;
const RESTS_MS = 200; // whoever sweeps along the line asks for no picture on the way

/**
 * Told aloud only while keys move it: nobody wants to hear where a mouse is.
 * @param {{at_s: number | null, time_s: number[], sensors: Map<string, (number | null)[]>, names: string[], along: Along,
 *   drawn: import("./axis_beside.js").Drawn, heights: Heights | null, unit: Unit, began: string, spoken: boolean, open: (opened: Opened) => void}} props
 */
export function Moment({ at_s, time_s, sensors, names, along, drawn, heights, unit, began, spoken, open }) {
  const told = at_s === null ? null : tell();
  const near = at_s === null ? null : nearest(along.pictures, at_s);
  const rested = useSettled(near, RESTS_MS);
  const picture = near && rested; // at once gone with its moment
  return html`<div class=${along.pictures.length ? "moment pictured" : "moment"}>
    <p aria-live=${spoken ? "polite" : "off"}>
      ${told ? html`<b>${told.when}</b>${told.rest.map((words) => html`<span key=${words}>${words}</span>`)}` : A.point}
    </p>
    ${picture &&
    html`<button type="button" class="nearest" onClick=${() => open(pictured(picture, began))}>
      <img key=${picture.id} src=${`/api/pictures/${picture.id}`} alt="" />
      <span>${A.picture(exactly(Date.parse(picture.at), began))}</span>
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
      return t_c === null ? A.no_value(name) : `${name} ${temperature(t_c, unit)}${besides(drawn, name, now_s, unit)}`;
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

/** What it is held against, at the same moment. @param {import("./axis_beside.js").Drawn} drawn  @param {string} name  @param {number} at_s  @param {Unit} unit */
function besides({ then, between }, name, at_s, unit) {
  const row = nearestRow((then ?? between)?.time_s ?? [], at_s, SLACK_S);
  if (row < 0) return "";
  const then_c = then?.sensors[name]?.[row] ?? null;
  if (then_c !== null) return A.then(figure(then_c, unit));
  const { low, high } = between?.sensors[name] ?? { low: [], high: [] };
  const [low_c, high_c] = [low[row] ?? null, high[row] ?? null];
  return low_c === null || high_c === null ? "" : A.among(figure(low_c, unit), figure(high_c, unit));
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
