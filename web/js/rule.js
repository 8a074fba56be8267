/** What happened to a job along its ruler: each line at the height that the part had. */

import { useState } from "../vendor/preact-hooks.js";
import { HeightOf, HeightThen } from "./heights.js";
import { html } from "./html.js";
import { Shape } from "./shapes.js";
import { Pictured } from "./stories.js";
import { A } from "./strings_axis.js";
import { moment } from "./units.js";

/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Heights} Heights */
/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./stories.js").Line} Line */

/**
 * @param {{told: Line[], job: Job, heights: Heights | null, chamber: Chamber | undefined,
 *   now: string, may: boolean, when: string, look: (at_s: number) => void}} props  look: show a moment along the job's time
 */
export function Ruled({ told, job, heights, chamber, now, may, when, look }) {
  const [open, setOpen] = useState("");
  return html`<ol class="rule">
    ${told.map(
      (line) =>
        html`<li key=${line.key} class=${line.event <= -1000 ? "sought" : ""}>
          <${HeightOf} at=${line.at} told_mm=${line.height_mm} heights=${heights} open=${open === line.key}
            tap=${() => setOpen(open === line.key ? "" : line.key)} />
          <button type="button" class="go" aria-label=${A.go(moment(line.at, job.started_at))} onClick=${() => look(Date.parse(line.at) / 1000)}>
            <time datetime=${line.at}>${moment(line.at, job.started_at)}</time>
          </button>
          <${Shape} kind=${line.shape} />
          <span>
            ${line.text} ${open === line.key && html`<${HeightThen} job=${job.id} at=${line.at} />`}
            ${chamber?.camera.watched && html`<${Pictured} line=${line} chamber=${job.chamber} now=${now} may=${may} when=${when} />`}
          </span>
        </li>`,
    )}
  </ol>`;
}
