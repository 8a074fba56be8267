/**
 * The materials that are offered where one is typed: those that the service has figures of,
 * see service/stillair/model/materials.py. Anything else may be typed as well.
 */

import { html } from "./html.js";

export const MATERIALS = ["ASA", "ABS", "HIPS", "PC", "PC/ABS", "PA", "PA-CF", "PP", "PETG"];

/** What a field with `list=${id}` offers. @param {{id: string}} props */
export function Offered({ id }) {
  return html`<datalist id=${id}>${MATERIALS.map((name) => html`<option key=${name} value=${name} />`)}</datalist>`;
}
