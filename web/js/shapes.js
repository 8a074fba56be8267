/** A shape for each class of signal, so that colour never speaks alone. */

import { html } from "./html.js";

/** Filled triangle: danger. Hand-high bar in a ring: needs a hand. Broken ring: the watch itself. Two bars: the job stood still. Pencil: noted by a person. */
const SHAPES = {
  alarm: html`<path class="fill" d="M12 1.5L23 22H1z" /><path class="cut" d="M12 8v7m0 2.5v2.2" />`,
  supervisory: html`<path class="line" d="M12 2l10 10-10 10L2 12z" /><path class="line" d="M12 7v6m0 2.4v2" />`,
  trouble: html`<path class="line" d="M12 3a9 9 0 0 1 9 9M12 21a9 9 0 0 1-9-9" /><path
      class="line"
      d="M8.5 8.5l7 7m0-7l-7 7"
    />`,
  notice: html`<path class="line" d="M3 13l6 6L21 5" />`,
  pause: html`<path class="line" d="M8 4v16m8-16v16" />`,
  note: html`<path class="line" d="M4 20l1.5-5L17 3.5l3.5 3.5L9 18.5z" />`,
};

/** What is drawn, on a field of 24 by 24. @param {string} kind */
export const drawn = (kind) => SHAPES[/** @type {keyof typeof SHAPES} */ (kind)] ?? SHAPES.notice;

/** @param {{kind: string}} props */
export function Shape({ kind }) {
  return html`<svg class=${`shape ${kind}`} viewBox="0 0 24 24" aria-hidden="true">${drawn(kind)}</svg>`;
}
