/** A look before starting: what commonly spoils such a job, said while nothing is lost yet. */

import { useId, useState } from "../vendor/preact-hooks.js";
import { Refused, useWork } from "./act.js";
import { get } from "./ask.js";
import { html } from "./html.js";
import { Offered } from "./materials.js";
import { G } from "./strings_toolpaths.js";
import { height, words } from "./units.js";

/** @typedef {import("./types.js").Before} Before */
/** @typedef {import("./types.js").Remark} Remark */
/** @typedef {import("./types.js").Unit} Unit */

const WAIT_MS = 150_000; // the service gives up after two minutes

/** @param {{id: string, chamber: string, unit: Unit}} props */
export function LookBefore({ id, chamber, unit }) {
  const [material, setMaterial] = useState("");
  const [found, setFound] = useState(/** @type {Before | null} */ (null));
  const { busy, error, run } = useWork();
  const field = useId();
  const look = async (/** @type {Event} */ event) => {
    event.preventDefault();
    const asked = new URLSearchParams({ chamber, material: material.trim() });
    await run(async () => setFound(await get(`/api/toolpaths/${id}/before?${asked}`, { wait_ms: WAIT_MS })));
  };
  return html`<form class="send before" onSubmit=${look}>
    <label for=${field}>${G.loaded}</label>
    <input id=${field} list=${`${field}-known`} value=${material} autocomplete="off" maxlength="120"
      onInput=${(/** @type {any} */ event) => setMaterial(event.target.value)} />
    <${Offered} id=${`${field}-known`} />
    <div class="acts">
      <button class="act" aria-disabled=${busy}>${busy ? G.looking : G.look}</button>
    </div>
    <${Refused} error=${error} />
    <div aria-live="polite">
      ${found && html`<${Remarks} found=${found} unit=${unit} />`}
    </div>
  </form>`;
}

/** @param {{found: Before, unit: Unit}} props */
function Remarks({ found, unit }) {
  if (!found.items.length) return html`<p>${G.no_remarks}</p>`;
  return html`<ul class="remarks">
      ${found.items.map((remark) => html`<${One} key=${remark.rule} remark=${remark} unit=${unit} />`)}
    </ul>
    <p class="small">${G.no_promise}</p>`;
}

/** @param {{remark: Remark, unit: Unit}} props */
function One({ remark, unit }) {
  const where = remark.heights_mm.map(([from, to]) => `${height(from)} – ${height(to)}`).join(", ");
  return html`<li>
    <p>${words(remark.text, unit)}${where && ` ${G.at_heights(where)}`}</p>
    ${remark.helps.length > 0 &&
    html`<p class="small">${G.would_help}</p>
      <ul>
        ${remark.helps.map((help, n) => html`<li key=${n}>${words(help, unit)}</li>`)}
      </ul>`}
  </li>`;
}
