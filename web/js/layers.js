/**
 * The layers of a toolpath beside a ruler: how long each takes, and from above where its
 * road lies. The ruler is the part's height; what stands on it is drawn to scale.
 */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { get } from "./ask.js";
import { html } from "./html.js";
import { firstAfter } from "./axis_layout.js";
import { useShown } from "./one_height.js";
import { G } from "./strings_toolpaths.js";
import { duration, height, typed } from "./units.js";

/** @typedef {import("./types.js").LayerColumns} LayerColumns */
/** @typedef {import("./types.js").Outline} Outline */
/** @typedef {import("./types.js").Whole} Whole */

const HIGH = 300; // of the drawing, in its own units
const WIDE = 120;
const RULED = 34;
const MOST_BARS = 150; // finer than that nobody sees

/**
 * @param {{id: string, whole: Whole, heights?: import("./types.js").Heights | null, pointed?: {current: import("./axis.js").Pointed}}} props
 *   of a job that follows it `heights` and what the rest of its page shows
 */
export function Layers({ id, whole, heights = null, pointed }) {
  const [columns, setColumns] = useState(/** @type {LayerColumns | null} */ (null));
  const [failed, setFailed] = useState("");
  const [layer, setLayer] = useState(0);
  const [outline, setOutline] = useState(/** @type {Outline | null} */ (null));
  const shown_s = useShown(pointed);
  const laid = heights?.by === "toolpath" && heights.toolpath === id ? heights : null;
  useEffect(() => {
    if (laid && shown_s !== null) setLayer(Math.max(0, firstAfter(laid.start_at, shown_s) - 1));
  }, [laid, shown_s]);
  const choose = (/** @type {number} */ n) => {
    setLayer(n);
    if (laid?.start_at[n] !== undefined) pointed?.current.mark?.((laid.start_at[n] + laid.end_at[n]) / 2);
  };
  const field = `height-${id}`;
  useEffect(() => {
    let over = false;
    get(`/api/toolpaths/${id}/layers`).then(
      (answer) => over || setColumns(answer),
      (error) => over || setFailed(error.message),
    );
    return () => {
      over = true;
    };
  }, [id]);
  useEffect(() => {
    let over = false;
    // Whoever types asks once, when the height is whole.
    const timer = setTimeout(() => {
      get(`/api/toolpaths/${id}/outline?layer=${layer}`).then(
        (answer) => over || setOutline(answer),
        () => over || setOutline(null),
      );
    }, 120);
    return () => {
      over = true;
      clearTimeout(timer);
    };
  }, [id, layer]);
  if (failed) return html`<p class="refused" role="alert">${failed}</p>`;
  if (!columns) return null;
  const all = columns.height_mm.length;
  const high = height(columns.height_mm[layer]);
  const told = [
    G.laid(duration(columns.start_s[layer]), duration(columns.end_s[layer] - columns.start_s[layer])),
    layer + 1 < all && G.least(duration(columns.least_time_s[layer])),
    G.fan(columns.fan_share[layer]),
  ].filter(Boolean);
  return html`<div class="layers">
    <label for=${field}>${G.height}</label>
    <input id=${field} inputmode="decimal" autocomplete="off" placeholder=${columns.height_mm[0]}
      onInput=${(/** @type {Event} */ event) => {
        const mm = typed(/** @type {HTMLInputElement} */ (event.target).value);
        if (Number.isFinite(mm)) choose(layerAt(columns, mm));
      }} />
    <p aria-live="polite"><b>${G.layer(layer + 1, all, high)}</b>: ${told.join("; ")}.</p>
    <div class="layers-drawn">
      <${Ruler} columns=${columns} whole=${whole} layer=${layer} choose=${(/** @type {number} */ mm) => choose(layerAt(columns, mm))} />
      ${outline && html`<${FromAbove} of=${outline} />`}
    </div>
  </div>`;
}

/** The layer in which a height lies. @param {LayerColumns} columns  @param {number} mm */
export function layerAt(columns, mm) {
  const above = columns.height_mm.findIndex((top_mm) => top_mm >= mm - 1e-6);
  return above < 0 ? columns.height_mm.indexOf(Math.max(...columns.height_mm)) : above;
}

/**
 * Each layer's time as a bar at its height; a tap on the ruler chooses a height.
 * @param {{columns: LayerColumns, whole: Whole, layer: number, choose: (mm: number) => void}} props
 */
function Ruler({ columns, whole, layer, choose }) {
  const top_mm = Math.max(whole.height_mm, 0.1);
  const y = (/** @type {number} */ mm) => HIGH - (mm / top_mm) * HIGH;
  const lasting = columns.end_s.map((end_s, n) => end_s - columns.start_s[n]);
  const longest_s = Math.max(...bars(columns, lasting).map((bar) => bar.s), 1e-3);
  const step = stepOf(top_mm);
  const marks = [];
  for (let mm = 0; mm <= top_mm + 1e-9; mm += step) marks.push(mm);
  const tapped = (/** @type {MouseEvent} */ event) => {
    const box = /** @type {SVGElement} */ (event.currentTarget).getBoundingClientRect();
    const at = ((event.clientY - box.top) / box.height) * (HIGH + 16) - 8;
    choose(Math.max(0, (1 - at / HIGH) * top_mm));
  };
  // Whoever has no pointer types the height into the field above.
  return html`<svg class="layers-ruler" viewBox=${`0 -8 ${RULED + WIDE} ${HIGH + 16}`} aria-hidden="true" onClick=${tapped}>
    ${bars(columns, lasting).map(
      (bar) => html`<rect x=${RULED} y=${y(bar.to_mm)} width=${(WIDE * bar.s) / longest_s} height=${Math.max(0.5, y(bar.from_mm) - y(bar.to_mm))} />`,
    )}
    <line x1=${RULED} x2=${RULED} y1="0" y2=${HIGH} />
    ${marks.map(
      (mm) => html`<line x1=${RULED - 5} x2=${RULED} y1=${y(mm)} y2=${y(mm)} />
        <text x=${RULED - 8} y=${y(mm) + 4} text-anchor="end">${mm}</text>`,
    )}
    <line class="here" x1=${RULED - 5} x2=${RULED + WIDE} y1=${y(columns.height_mm[layer])} y2=${y(columns.height_mm[layer])} />
  </svg>`;
}

/**
 * Layers put together until there are few enough; the mean time of each bundle.
 * Of pieces that are built one after the other each layer's time counts at its height.
 * @param {LayerColumns} columns  @param {number[]} lasting
 */
export function bars(columns, lasting) {
  const order = columns.height_mm.map((_, n) => n).sort((a, b) => columns.height_mm[a] - columns.height_mm[b]);
  const each = Math.ceil(order.length / MOST_BARS);
  const found = [];
  let from_mm = 0;
  for (let n = 0; n < order.length; n += each) {
    const some = order.slice(n, n + each);
    const to_mm = columns.height_mm[some[some.length - 1]];
    found.push({ from_mm: Math.min(from_mm, to_mm - 0.01), to_mm, s: some.reduce((sum, i) => sum + lasting[i], 0) / some.length });
    from_mm = to_mm;
  }
  return found;
}

/** A step of the ruler that leaves some five to ten marks. @param {number} top_mm */
function stepOf(top_mm) {
  const rough = top_mm / 6;
  const ten = 10 ** Math.floor(Math.log10(rough));
  const factor = rough / ten < 1.5 ? 1 : rough / ten < 3.5 ? 2 : rough / ten < 7.5 ? 5 : 10;
  return Number((ten * factor).toPrecision(6));
}

/** @param {{of: Outline}} props */
export function FromAbove({ of }) {
  const wide = of.rows[0]?.length ?? 0;
  const deep = of.rows.length;
  // One stretch of cells at a time: a few hundred shapes instead of thousands.
  const runs = of.rows.flatMap((row, j) =>
    [...row.matchAll(/1+/g)].map((run) => ({ x: run.index, y: deep - 1 - j, width: run[0].length })),
  );
  return html`<figure class="from-above">
    <svg viewBox=${`0 0 ${wide} ${deep}`} role="img" aria-label=${G.outline}>
      ${runs.map((run) => html`<rect x=${run.x} y=${run.y} width=${run.width} height="1" />`)}
    </svg>
    <figcaption class="small">${G.outline}</figcaption>
  </figure>`;
}
