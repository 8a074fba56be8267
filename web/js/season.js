/** The season of simulated jobs: offered where there are none, and removed in one act. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { get, request } from "./ask.js";
import { html } from "./html.js";
import { N } from "./strings_season.js";
import { Twice } from "./twice.js";

const PATH = "/api/season";

/** @param {{when: string, owner: boolean, changed: () => void}} props */
export function Season({ when, owner, changed }) {
  const [found, setFound] = useState(/** @type {{jobs: number, offered: boolean} | null} */ (null));
  const [said, setSaid] = useState("");
  useEffect(() => {
    let over = false;
    get(PATH).then(
      (told) => over || (setFound(told), setSaid("")),
      () => over || setFound(null),
    );
    return () => {
      over = true;
    };
  }, [when]);
  if (!found || (found.jobs === 0 && !found.offered && !said)) return null;
  const offered = found.offered && !said;
  return html`<section class="season" aria-label=${N.label}>
    ${offered && html`<p>${N.offered}</p>`}
    ${offered &&
    owner &&
    html`<div class="acts">
      <${Twice} ask=${N.fill} question=${N.fill_really} yes=${N.yes_fill} no=${N.no}
        work=${() => request(PATH, { method: "POST" })} done=${() => setSaid(N.filling)} />
    </div>`}
    ${found.jobs > 0 && html`<p>${N.there(found.jobs)}</p>`}
    ${found.jobs > 0 &&
    owner &&
    html`<div class="acts">
      <${Twice} ask=${N.remove} question=${N.remove_really} yes=${N.yes_remove} no=${N.no}
        work=${() => request(PATH, { method: "DELETE", wait_ms: 60_000 })}
        done=${() => (setSaid(N.removed), setFound({ jobs: 0, offered: false }), changed())} />
    </div>`}
    <p role="status">${said}</p>
  </section>`;
}
