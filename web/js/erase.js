/** Erase a job's pictures or all of it: for its owner, asked twice. */

import { useState } from "../vendor/preact-hooks.js";
import { request } from "./ask.js";
import { html } from "./html.js";
import { P } from "./strings_people.js";
import { Twice } from "./twice.js";

const T = P.erase;

/** @param {{job: import("./types.js").Job, erased: () => void, leaving: (so: boolean) => void}} props */
export function Erase({ job, erased, leaving }) {
  const [said, setSaid] = useState("");
  const path = `/api/jobs/${encodeURIComponent(job.id)}`;
  const erase = (/** @type {string} */ what) => () => request(`${path}${what}`, { method: "DELETE", wait_ms: 60_000 });
  const eraseAll = async () => {
    leaving(true);
    try {
      await erase("")();
    } catch (error) {
      leaving(false);
      throw error;
    }
  };
  return html`<section aria-label=${T.heading}>
    <div class="acts">
      <${Twice} ask=${T.pictures} question=${T.pictures_really} yes=${T.yes} no=${T.no} work=${erase("/pictures")}
        done=${() => (setSaid(T.done), erased())} />
      ${job.state === "finished" &&
      html`<${Twice} ask=${T.job} question=${T.job_really} yes=${T.yes} no=${T.no} work=${eraseAll}
        done=${() => {
          location.hash = "#/jobs";
        }} />`}
    </div>
    <p role="status">${said}</p>
  </section>`;
}
