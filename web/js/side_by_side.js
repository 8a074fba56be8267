/** Several chambers at a glance, side by side: each with its sentence, and drawn where there is room. */

import { SHAPES, Unreal } from "./chamber.js";
import { html } from "./html.js";
import { Cut } from "./section.js";
import { Shape } from "./shapes.js";
import { S } from "./strings.js";
import { words } from "./units.js";

/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Unit} Unit */

/** @param {{chambers: Chamber[], unit: Unit, dark: boolean}} props */
export function SideBySide({ chambers, unit, dark }) {
  return html`<nav class="side-by-side" aria-label=${S.head.jump}>
    <ul>
      ${chambers.map((chamber) => {
        const shape = SHAPES[/** @type {keyof typeof SHAPES} */ (chamber.tone)];
        return html`<li key=${chamber.chamber} class=${chamber.tone}>
          <a href=${`#chamber-${chamber.chamber}`}>${chamber.name}</a> <${Unreal} chamber=${chamber} />
          <p class="says">${shape && html`<${Shape} kind=${shape} />`}<span>${words(chamber.sentence, unit)}</span></p>
          ${chamber.job && html`<p class="small">${chamber.job.name}</p>`}
          <div class="section" aria-hidden="true">
            <${Cut} chamber=${chamber} unit=${unit} dark=${dark} marks=${[]} id=${`small-${chamber.chamber}`} />
          </div>
        </li>`;
      })}
    </ul>
  </nav>`;
}
