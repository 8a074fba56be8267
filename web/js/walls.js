/** Walls of the box in section, each material with its own hatching. */

import { html } from "./html.js";
import { layer } from "./section_layout.js";

/** @typedef {import("./section_layout.js").Side} Side */

/**
 * Hatching as a tile whose x runs along the wall, `size` long and as thick as
 * the layer `t`. Plain materials (glass, clear sheet, metal) have no lines.
 * @type {Record<string, (t: number) => {size: number, lines: unknown}>}
 */
const HATCHING = {
  cardboard: (t) => ({
    size: 8,
    lines: html`<path d=${`M0 ${t - 1}C2.7 ${t - 1} 1.3 1 4 1S5.3 ${t - 1} 8 ${t - 1}`} />`,
  }),
  plywood: (t) => {
    const plies = t > 10 ? 3 : 2;
    return {
      size: 40,
      lines: Array.from({ length: plies }, (_, ply) => {
        const y = (t * (ply + 0.5)) / plies;
        const x = (17 * ply) % 40;
        return html`<path d=${`M${x} ${y}h14m6 0h9`} stroke-width="0.9" />
          ${ply > 0 && html`<path d=${`M0 ${(t * ply) / plies}H40`} stroke-width="0.9" />`}`;
      }),
    };
  },
  mdf: (t) => ({
    size: 12,
    lines: [[2, 0.3], [6, 0.65], [9, 0.2], [11, 0.8], [4, 0.85]].map(
      ([x, share]) => html`<path d=${`M${x} ${t * share}h1.3`} />`,
    ),
  }),
  foam: (t) => ({
    size: 7,
    lines: [[1.8, 0.28], [5.2, 0.72]].map(
      ([x, share]) => html`<circle class="grain" cx=${x} cy=${t * share} r="0.95" />`,
    ),
  }),
  foil_board: (t) => ({
    size: 7,
    lines: html`<path d=${`M0 ${t - 1.2}H7`} stroke-width="1.8" />
      <circle class="grain" cx="2" cy=${t * 0.4} r="0.8" />`,
  }),
  fabric: (t) => ({
    size: 5,
    lines: html`<path d=${`M0 0L5 ${t}M5 0L0 ${t}`} stroke-width="0.7" />`,
  }),
  other: (t) => ({ size: 14, lines: html`<path d=${`M2 ${t}L8 0`} stroke-width="0.7" />` }),
};
const SOLID = new Set(["metal"]);

/**
 * @param {{materials: string[], outer: Side, id: string}} props  `id` keeps names apart when
 *   several boxes are on one page; the first material is drawn outermost
 */
export function Walls({ materials, outer, id }) {
  const kinds = materials.length ? materials : ["other"];
  const t = layer(kinds.length);
  return html`<g class="walls">
    ${kinds.map((material, i) => {
      const hatching = HATCHING[material]?.(t);
      const name = `${id}-wall-${i}`;
      const ring = around(outer, i * t, t);
      return html`
        ${hatching &&
        html`<defs>
          ${ring.map(
            ({ side, turn, x, y }) =>
              html`<pattern
                id=${`${name}-${side}`}
                width=${hatching.size}
                height=${t}
                patternUnits="userSpaceOnUse"
                patternTransform=${`translate(${x} ${y}) rotate(${turn})`}
                >${hatching.lines}</pattern
              >`,
          )}
        </defs>`}
        ${ring.map(
          ({ side, width, height, left, top }) =>
            html`<rect class=${SOLID.has(material) ? "solid" : "sheet"} x=${left} y=${top}
                width=${width} height=${height} />
              ${hatching &&
              html`<rect x=${left} y=${top} width=${width} height=${height}
                fill=${`url(#${name}-${side})`} />`}`,
        )}
        <rect class="edge" ...${frame(outer, i * t)} />
        <rect class="edge" ...${frame(outer, (i + 1) * t)} />
      `;
    })}
  </g>`;
}

/** The outline at a depth inside the outer face. @param {Side} outer @param {number} depth */
function frame(outer, depth) {
  return {
    x: outer.left + depth,
    y: outer.top + depth,
    width: outer.right - outer.left - 2 * depth,
    height: outer.bottom - outer.top - 2 * depth,
  };
}

/** The four strips of a layer, and how its tile turns to run along each. @param {Side} outer @param {number} depth @param {number} t */
function around(outer, depth, t) {
  const { x: left, y: top, width, height } = frame(outer, depth);
  const right = left + width;
  const bottom = top + height;
  const tall = height - 2 * t;
  return [
    { side: "lid", turn: 0, x: left, y: top, left, top, width, height: t },
    { side: "floor", turn: 0, x: left, y: bottom - t, left, top: bottom - t, width, height: t },
    { side: "left", turn: 90, x: left + t, y: top, left, top: top + t, width: t, height: tall },
    {
      side: "right", turn: 90, x: right, y: top,
      left: right - t, top: top + t, width: t, height: tall,
    },
  ];
}
