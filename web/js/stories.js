/** What happened in the last hour, one line each. */

import { html } from "./html.js";
import { Shape } from "./shapes.js";
import { S } from "./strings.js";
import { moment, words } from "./units.js";

/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Unit} Unit */

/** @param {{chamber: Chamber, unit: Unit}} props */
export function Stories({ chamber, unit }) {
  return html`<section class="stories">
    <h2>${S.stories.heading}</h2>
    ${chamber.stories.length === 0
      ? html`<p>${S.stories.none}</p>`
      : html`<ol>
          ${chamber.stories.map(
            (story) =>
              html`<li key=${story.event}>
                <time datetime=${story.onset_at}>${moment(story.onset_at, chamber.at)}</time>
                <${Shape} kind=${story.class} />
                <span>${words(story.text, unit)}</span>
              </li>`,
          )}
        </ol>`}
  </section>`;
}
