/** The lanes below the temperatures: stages, events, pictures, clips and the ruler in time. */

import { gathered, gravest, layered, ruled } from "./axis_layout.js";
import { share } from "./axis_view.js";
import { measure } from "./chart.js";
import { Kept } from "./evidence.js";
import { mm } from "./heights.js";
import { html } from "./html.js";
import { Shape } from "./shapes.js";
import { S } from "./strings.js";
import { A } from "./strings_axis.js";
import { duration, moment } from "./units.js";

/** @typedef {import("./types.js").Film} Film */
/** @typedef {import("./types.js").Heights} Heights */
/** @typedef {import("./types.js").KeptPicture} KeptPicture */
/** @typedef {import("./types.js").Stage} Stage */
/** @typedef {import("./types.js").Story} Story */
/** @typedef {import("./types.js").Stretch} Stretch */
/** @typedef {import("./axis_view.js").View} View */
/** @typedef {import("./axis_moment.js").Opened} Opened */

/**
 * @typedef {object} Lane
 * @property {View} view
 * @property {number} width  of what is seen, in CSS pixels
 * @property {(at_s: number) => void} look
 * @property {(view: View) => void} setView
 * @property {string} began
 * @property {(opened: Opened) => void} open
 */

const SHAPE_PX = 30; // one that can be pressed
const EDGE_PX = 9; // a shape at the left edge is seen whole
const FONT = "13px sans-serif";
const GAP_PX = 10;
const BARS_PX = 10; // how high layers are drawn

/** @param {string | null} at  @param {number} otherwise */
function epoch(at, otherwise = Infinity) {
  return at === null ? otherwise : Date.parse(at) / 1000;
}

/** @param {string} text */
function wide(text) {
  return measure(FONT).measureText(text).width + GAP_PX;
}

/** One lane with its name at the right. @param {{name: string, kind: string, children?: any}} props */
function Row({ name, kind, children }) {
  return html`<div class=${`lane ${kind}`}><div class="track">${children}</div><span class="lane-name">${name}</span></div>`;
}

/** Where a stretch is drawn, as a style; null where none of it is seen. @param {View} view  @param {number} from_s  @param {number} to_s */
function laid(view, from_s, to_s) {
  const from = Math.max(0, share(view, from_s));
  const to = Math.min(1, share(view, to_s));
  return to <= from ? null : `left: ${(100 * from).toFixed(3)}%; width: ${(100 * (to - from)).toFixed(3)}%`;
}

/** What stage the job was in. @param {Lane & {stages: Stage[]}} props */
export function StageLane({ view, width, stages }) {
  if (stages.length === 0) return null;
  return html`<${Row} name=${A.lanes.stages} kind="stages">
    ${stages.map(({ stage, from_at, to_at }) => {
      const style = laid(view, epoch(from_at), epoch(to_at));
      if (!style) return null;
      const words = A.stages[stage];
      const room = (Number(/width: ([\d.]+)/.exec(style)?.[1]) / 100) * width;
      return html`<span key=${from_at} class=${`stage ${stage}`} style=${style} title=${words}>
        ${room > wide(words) ? words : html`<span class="unseen">${words}</span>`}
      </span>`;
    })}
  <//>`;
}

/** What happened: a shape each, words where there is room. @param {Lane & {events: Story[]}} props */
export function EventLane({ view, width, events, look, setView, began }) {
  const sorted = [...events].sort((a, b) => a.onset_at.localeCompare(b.onset_at));
  const when = (/** @type {Story} */ e) => /** @type {[number, number]} */ ([epoch(e.onset_at), epoch(e.end_at)]);
  const groups = gathered(sorted, when, view, width, SHAPE_PX);
  return html`<${Row} name=${A.lanes.events} kind="events">
    ${groups.map((group) => {
      const [first] = group.items;
      const alone = group.items.length === 1;
      const kind = S.hour.kinds[first.kind] ?? first.kind;
      const lasting = first.class === "notice" || !first.end_at ? "" : ` ${duration(epoch(first.end_at) - epoch(first.onset_at))}`;
      const told = alone ? [`${kind}${lasting}`, kind] : [`${group.items.length}`];
      const words = told.find((text) => SHAPE_PX + wide(text) <= group.room) ?? "";
      const at = moment(group.from_s * 1000, began);
      const long_s = group.to_s - group.from_s;
      const closer = () => setView({ from_s: group.from_s - long_s / 4 - 10, to_s: group.to_s + long_s / 4 + 10 });
      const label = alone ? A.event(`${kind}${lasting}`, at) : A.closer_to(group.items.length, at, moment(group.to_s * 1000, began));
      // Those of one moment never come apart, however close.
      const apart = !alone && long_s * width > 8 * SHAPE_PX;
      return html`<button key=${`${first.event} ${alone}`} type="button" style=${`left: ${Math.max(EDGE_PX, group.x).toFixed(1)}px`} aria-label=${label} title=${label}
        onClick=${apart ? closer : () => look(epoch(first.onset_at))}>
        <${Shape} kind=${gravest(group.items)} />${words}
      </button>`;
    })}
  <//>`;
}

/** Stills and pictures of events, and when nobody looked. @param {Lane & {pictures: KeptPicture[], paused: Stretch[]}} props */
export function PictureLane({ view, width, pictures, paused, began, look, open }) {
  if (pictures.length === 0 && paused.length === 0) return null;
  const when = (/** @type {KeptPicture} */ p) => /** @type {[number, number]} */ ([epoch(p.at), epoch(p.at)]);
  return html`<${Row} name=${A.lanes.pictures} kind="pictures">
    ${paused.map(({ from_at, to_at }) => {
      const style = laid(view, epoch(from_at), epoch(to_at));
      const room = style ? (Number(/width: ([\d.]+)/.exec(style)?.[1]) / 100) * width : 0;
      return (
        style &&
        html`<span key=${from_at} class="stage paused" style=${style} title=${A.camera_paused}>
          ${room > wide(A.camera_paused) ? A.camera_paused : html`<span class="unseen">${A.camera_paused}</span>`}
        </span>`
      );
    })}
    ${gathered(pictures, when, view, width, SHAPE_PX).map(({ x, items: [picture] }) => {
      const at = moment(picture.at, began);
      const show = () => {
        look(epoch(picture.at));
        open(pictured(picture, began));
      };
      return html`<button key=${picture.id} type="button" tabindex="-1" style=${`left: ${x.toFixed(1)}px`}
        aria-label=${A.open_picture(at)} title=${A.open_picture(at)} onClick=${show}><i></i></button>`;
    })}
  <//>`;
}

/** A picture opened from the line of time. @param {KeptPicture} picture  @param {string} began  @returns {Opened} */
export function pictured(picture, began) {
  const at = moment(picture.at, began);
  const high = picture.height_mm === null ? "" : `, ${mm(picture.height_mm)}`;
  const words = `${A.open_picture(at)}${high}.`;
  return { key: picture.id, shown: html`<${Kept} picture=${picture} alt=${A.open_picture(at)} words=${words} />` };
}

/** Films of what happened. @param {Lane & {clips: Film[]}} props */
export function ClipLane({ view, width, clips, began, look, open }) {
  const kept = clips.filter((film) => film.part === "clip" && film.state === "kept");
  if (kept.length === 0) return null;
  const when = (/** @type {Film} */ f) => /** @type {[number, number]} */ ([epoch(f.start_at), epoch(f.end_at)]);
  return html`<${Row} name=${A.lanes.films} kind="clips">
    ${kept.map((film) => {
      const style = laid(view, ...when(film));
      return style && html`<span key=${film.id} class="filmed" style=${style}></span>`;
    })}
    ${gathered(kept, when, view, width, SHAPE_PX).map(({ x, items: [film] }) => {
      const words = A.open_film((film.kind && S.hour.kinds[film.kind]) ?? "", moment(film.start_at, began));
      const show = () => {
        look(epoch(film.start_at));
        open({ key: film.id, shown: html`<video controls playsinline muted src=${`/api/clips/${film.id}`} aria-label=${words}></video>` });
      };
      return html`<button key=${film.id} type="button" tabindex="-1" style=${`left: ${x.toFixed(1)}px`} aria-label=${words} title=${words} onClick=${show}>
        <svg class="shape" viewBox="0 0 24 24" aria-hidden="true"><path class="line" d="M6 4l13 8-13 8z" /></svg>
      </button>`;
    })}
  <//>`;
}

/** The part's height as a rule in time; its layers where they can be seen. @param {Lane & {heights: Heights | null}} props */
export function HeightLane({ view, width, heights }) {
  if (!heights || heights.start_at.length === 0) return null;
  const path = heights.by === "toolpath" ? layered(heights, view, width, BARS_PX) : "";
  return html`<${Row} name=${A.lanes.height} kind="heights">
    ${path && html`<svg class="layers" width=${width} height=${BARS_PX} aria-hidden="true"><path d=${path} /></svg>`}
    ${ruled(heights, view, width).map(({ x, height_mm }) => html`<span key=${height_mm + x / 1e5} class="tick" style=${`left: ${x.toFixed(1)}px`}>
      ${wide(mm(height_mm)) < width - x && mm(height_mm)}
    </span>`)}
  <//>`;
}
