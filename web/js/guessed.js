/** A job that nobody announced: confirmed with its name, and corrected where the guess is off. */

import { useId, useState } from "../vendor/preact-hooks.js";
import { Refused, useWork } from "./act.js";
import { request } from "./ask.js";
import { html } from "./html.js";
import { S } from "./strings.js";

/** @typedef {import("./types.js").Job} Job */

const T = S.guessed;

/** What a job is called; one that was guessed has no name yet. @param {{name: string}} job */
export const nameOf = (job) => job.name || T.unnamed;

/** A label as a field for date and time takes it, in the reader's zone. @param {string} at */
function local(at) {
  const date = new Date(at);
  return new Date(date.getTime() - date.getTimezoneOffset() * 60_000).toISOString().slice(0, 16);
}

/** @param {{job: Job, may: boolean, kept: () => void}} props */
export function Guessed({ job, may, kept }) {
  const first = { name: job.name, material: job.material, begin: local(job.started_at), end: job.finished_at ? local(job.finished_at) : "" };
  const [told, setTold] = useState(first);
  const { busy, error, run } = useWork();
  const id = useId();
  if (!job.guessed) return null;
  if (!may) return html`<p>${T.guessed}</p>`;
  const field = (/** @type {keyof typeof first} */ key, /** @type {string} */ type = "text") => html`<label for=${`${id}${key}`}>${T[key]}</label>
    <input id=${`${id}${key}`} type=${type} value=${told[key]} maxlength="120" autocomplete="off"
      onInput=${(/** @type {any} */ event) => setTold({ ...told, [key]: event.target.value })} />`;
  async function keep() {
    /** @type {Record<string, string>} */
    const body = { name: told.name.trim(), material: told.material.trim() };
    // What wasn't touched keeps its seconds.
    if (told.begin !== first.begin) body.started_at = new Date(told.begin).toISOString();
    if (told.end !== first.end) body.finished_at = new Date(told.end).toISOString();
    const path = `/api/jobs/${encodeURIComponent(job.id)}`;
    if (await run(() => request(path, { method: "PATCH", body }))) kept();
  }
  return html`<form class="aside" aria-label=${T.heading}
    onSubmit=${(/** @type {Event} */ event) => {
      event.preventDefault();
      keep();
    }}>
    <p>${T.guessed} ${T.ask}</p>
    ${field("name")}${field("material")}${field("begin", "datetime-local")}${job.finished_at && field("end", "datetime-local")}
    <div class="acts">
      <button type="submit" class="act" aria-disabled=${busy}>${busy ? S.job.sending : T.keep}</button>
    </div>
    <${Refused} error=${error} />
  </form>`;
}
