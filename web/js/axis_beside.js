/** What a job's temperatures are held against: the last sound job of its part, or a band. */

import { useEffect, useId, useMemo, useState } from "../vendor/preact-hooks.js";
import { get } from "./ask.js";
import { readBeside } from "./axis_view.js";
import { html } from "./html.js";
import { jobAddress } from "./route.js";
import { A } from "./strings_axis.js";
import { whole } from "./units.js";

/** @typedef {import("./types.js").Beside} Beside */
/** @typedef {"" | "last" | "band"} Choice */
/** As the chart takes it. @typedef {{then: import("./types.js").Columns | null, between: Beside | null}} Drawn */

const WAIT_MS = 130_000; // a dozen long jobs are read for a band
const CHOICES = /** @type {[Choice, string][]} */ ([
  ["", A.nothing],
  ["last", A.last],
  ["band", A.band],
]);

/** @param {string} job */
export function useBeside(job) {
  const [choice, setChoice] = useState(() => /** @type {Choice} */ (readBeside(location.hash)));
  const [told, setTold] = useState(/** @type {{of: Choice, beside: Beside | null, failed: string}} */ ({ of: "", beside: null, failed: "" }));
  useEffect(() => {
    if (!choice) return;
    let over = false;
    get(`/api/jobs/${encodeURIComponent(job)}/beside?with=${choice}`, { wait_ms: WAIT_MS }).then(
      (beside) => over || setTold({ of: choice, beside, failed: "" }),
      (error) => over || setTold({ of: choice, beside: null, failed: error.message }),
    );
    return () => {
      over = true;
    };
  }, [job, choice]);
  const current = told.of === choice ? told : null;
  const beside = current?.beside ?? null;
  const drawn = useMemo(() => drawing(choice, beside), [choice, beside]);
  return { choice, choose: setChoice, beside, failed: current?.failed ?? "", drawn };
}

/** @param {Choice} choice  @param {Beside | null} beside  @returns {Drawn} */
function drawing(choice, beside) {
  if (!beside || beside.jobs.length === 0) return { then: null, between: null };
  if (choice === "band") return { then: null, between: beside };
  const columns = Object.entries(beside.sensors).map(([name, { low }]) => [name, low]);
  return { then: { time_s: beside.time_s, sensors: Object.fromEntries(columns) }, between: null };
}

/** @param {{choice: Choice, choose: (choice: Choice) => void, beside: Beside | null, failed: string}} props */
export function BesideChoice({ choice, choose, beside, failed }) {
  const id = useId();
  return html`<fieldset class="also beside">
      <legend>${A.beside}:</legend>
      ${CHOICES.map(
        ([value, words]) => html`<label key=${value}>
          <input type="radio" name=${id} checked=${choice === value} onChange=${() => choose(value)} />${" "}${words}
        </label>`,
      )}
    </fieldset>
    <p class="small" aria-live="polite">
      ${failed ? html`<span class="refused">${failed}</span>` : !choice ? "" : !beside ? A.working : html`<${Said} choice=${choice} beside=${beside} />`}
    </p>`;
}

/** What is drawn and how it is aligned, in words. @param {{choice: Choice, beside: Beside}} props */
function Said({ choice, beside }) {
  if (beside.jobs.length === 0) return choice === "last" ? A.no_last : A.no_band;
  const [last] = beside.jobs;
  const what =
    choice === "last"
      ? html`${A.dotted} <a href=${jobAddress(last.id)}>${A.of(whole(last.started_at))}</a>.`
      : beside.many
        ? A.shaded_many(beside.jobs.length)
        : A.shaded(beside.jobs.length);
  return html`${what} ${A.aligned[beside.aligned]}`;
}
