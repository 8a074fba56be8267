/** How a part came out: said with one tap, also days later, and taken back with another. */

import { useState } from "../vendor/preact-hooks.js";
import { Refused, useWork } from "./act.js";
import { post } from "./ask.js";
import { html } from "./html.js";
import { S } from "./strings.js";
import { words } from "./units.js";

/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").Outcome} Outcome */
/** @typedef {import("./types.js").Unit} Unit */

const T = S.came_out;
const WORDS = /** @type {Outcome[]} */ (["sound", "flawed", "failed"]);

/** @param {{job: Pick<Job, "id" | "state" | "outcome" | "outcome_at" | "outcome_by">, may: boolean, said?: (word: Outcome | null) => void}} props  `said` is told what was said */
export function CameOut({ job, may, said: tell_of }) {
  // What has just been said stands here until the job is fetched anew.
  const [said, setSaid] = useState(/** @type {{at: string | null, word: Outcome | null} | null} */ (null));
  const { busy, error, run } = useWork();
  if (job.state === "running" || job.state === "paused") return null;
  /** @type {Outcome | null} */
  const word = said && said.at === job.outcome_at ? said.word : job.outcome;
  if (!may) return word && html`<p>${T.told(T.words[word], job.outcome_by)}</p>`;
  const tell = (/** @type {Outcome} */ tapped) => async () => {
    const next = tapped === word ? null : tapped;
    const path = `/api/jobs/${encodeURIComponent(job.id)}/outcome`;
    if (await run(() => post(path, { outcome: next }))) {
      setSaid({ at: job.outcome_at, word: next });
      tell_of?.(next);
    }
  };
  return html`<div class=${word ? "came-out" : "came-out unsaid"} role="group" aria-label=${T.ask}>
    <span aria-hidden="true">${T.part}</span>
    ${WORDS.map(
      (each) => html`<button type="button" key=${each} aria-pressed=${each === word} aria-disabled=${busy}
        onClick=${tell(each)}>${T.words[each]}</button>`,
    )}
    <${Refused} error=${error} />
  </div>`;
}

/**
 * What the job said of its box: the warning, and on its own page the figures.
 * @param {{job: Job, unit?: Unit, whole?: boolean}} props
 */
export function BoxSaid({ job, unit = "c", whole = false }) {
  const found = job.diagnosis;
  if (!found) return null;
  return html`${found.text && html`<p class="box-said">${words(found.text, unit)}</p>`}
    ${whole && html`<p>${words(found.figures, unit)}</p>`}`;
}
