/** Let the camera look away for a time, and look again. */

import { useState } from "../vendor/preact-hooks.js";
import { Act } from "./act.js";
import { post } from "./ask.js";
import { html } from "./html.js";
import { P } from "./strings_people.js";

/** @typedef {import("./types.js").Chamber} Chamber */

const MINUTES = [15, 60, 240];
const T = P.camera;

/** @param {{chamber: Chamber}} props */
export function PauseCamera({ chamber }) {
  const [open, setOpen] = useState(false);
  const path = (/** @type {string} */ what) =>
    `/api/camera/${what}?chamber=${encodeURIComponent(chamber.chamber)}`;
  if (chamber.camera.paused_until_at) {
    return html`<div class="acts">
      <${Act} key="resume" work=${() => post(path("resume"))}>${T.resume}<//>
    </div>`;
  }
  if (!open) {
    return html`<div class="acts">
      <button type="button" class="act slight" onClick=${() => setOpen(true)}>${T.pause}</button>
    </div>`;
  }
  return html`<div class="aside" role="group" aria-label=${T.pause}>
    <p>${T.how}</p>
    <div class="acts">
      ${MINUTES.map(
        (minutes) => html`<${Act} key=${minutes} work=${() => post(path("pause"), { minutes })} done=${() => setOpen(false)}>
          ${T.minutes(minutes)}
        <//>`,
      )}
      <button type="button" class="act slight" onClick=${() => setOpen(false)}>${T.no}</button>
    </div>
  </div>`;
}
