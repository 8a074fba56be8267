/** Photographs of a job's part: taken at the machine, looked at, removed. */

import { useEffect, useRef, useState } from "../vendor/preact-hooks.js";
import { Refused, useWork } from "./act.js";
import { get, remove, sendPicture } from "./ask.js";
import { html } from "./html.js";
import { L } from "./strings_job_log.js";
import { Twice } from "./twice.js";
import { moment } from "./units.js";

/** @typedef {import("./types.js").KeptPicture} KeptPicture */

/** @param {{job: import("./types.js").Job, when: string, may: boolean}} props */
export function Photographs({ job, when, may }) {
  const path = `/api/jobs/${encodeURIComponent(job.id)}/photographs`;
  const [items, setItems] = useState(/** @type {KeptPicture[]} */ ([]));
  const [told, setTold] = useState("");
  const { busy, error, run } = useWork();
  const input = useRef(/** @type {HTMLInputElement | null} */ (null));
  const again = async () => setItems((await get(path)).items);
  useEffect(() => {
    let over = false;
    get(path).then(
      (found) => over || setItems(found.items),
      () => undefined, // the page of the job says itself when it can't be fetched
    );
    return () => {
      over = true;
    };
  }, [path, when]);
  if (!may && items.length === 0) return null;
  /** @param {any} event */
  const add = async (event) => {
    const [file] = event.target.files;
    if (!file) return;
    setTold("");
    const went = await run(async () => {
      await sendPicture(path, file);
      await again();
    });
    if (went) setTold(L.added);
    if (input.current) input.current.value = "";
  };
  return html`<section aria-label=${L.photographs}>
    <h3>${L.photographs}</h3>
    ${may &&
    html`<label class="act add-photograph">
      ${busy ? L.adding : L.add}
      <input type="file" class="unseen" accept="image/jpeg,image/png,image/webp" ref=${input} onChange=${add} />
    </label>`}
    <p class="said" role="status">${told}</p>
    <${Refused} error=${error} />
    <ul class="photographs">
      ${items.map((/** @type {KeptPicture} */ item, /** @type {number} */ i) => {
        const name = L.photograph(i + 1, moment(item.at, job.started_at));
        return html`<li key=${item.id}>
          <a href=${`/api/pictures/${item.id}`}><img src=${`/api/pictures/${item.id}`} alt=${name} loading="lazy" /></a>
          ${may &&
          html`<${Twice} ask=${L.remove} question=${L.remove_really} yes=${L.yes} no=${L.no}
            work=${() => remove(`${path}/${item.id}`)} done=${again} />`}
        </li>`;
      })}
    </ul>
  </section>`;
}
