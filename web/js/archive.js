/** For owners: the whole history as one file, and another one brought in beside it. */

import { useState } from "../vendor/preact-hooks.js";
import { request } from "./ask.js";
import { html } from "./html.js";
import { M } from "./strings_archive.js";

const WAIT_MS = 3_600_000;

/** How much there is of what. @param {Record<string, number>} counts */
function told(counts) {
  const parts = Object.entries(counts).filter(([, n]) => n > 0);
  return parts.map(([name, n]) => M.of[name]?.(n) ?? `${n} ${name}`).join(", ") || M.nothing;
}

export function Archive() {
  const [file, setFile] = useState(/** @type {File | null} */ (null));
  const [key, setKey] = useState("");
  const [busy, setBusy] = useState(false);
  const [said, setSaid] = useState("");
  const [refused, setRefused] = useState("");
  /** @param {Event} event */
  const bring = async (event) => {
    event.preventDefault();
    if (!file) return;
    setBusy(true);
    setSaid(M.on_its_way);
    setRefused("");
    try {
      const body = new Blob([file], { type: "application/octet-stream" });
      const as = key.trim() ? `?as=${encodeURIComponent(key.trim())}` : "";
      const answer = await (await request(`/api/archive${as}`, { method: "POST", picture: body, wait_ms: WAIT_MS })).json();
      setSaid(M.done(told(answer.added), told(answer.already)));
    } catch (error) {
      setSaid("");
      setRefused(/** @type {Error} */ (error).message);
    }
    setBusy(false);
  };
  return html`<section class="archive" aria-labelledby="archive">
    <h2 id="archive">${M.heading}</h2>
    <p>${M.out_how}</p>
    <p><a class="way" href="/api/archive" download>${M.out}</a></p>
    <p>${M.in_how}</p>
    <form class="send" onSubmit=${bring}>
      <label>${M.file} <input type="file" accept=".zip,application/zip" onChange=${(/** @type {any} */ e) => setFile(e.target.files[0] ?? null)} /></label>
      <label>${M.key} <input value=${key} maxlength="200" onInput=${(/** @type {any} */ e) => setKey(e.target.value)} /></label>
      <div class="acts"><button type="submit" class="act" disabled=${busy || !file}>${M.in}</button></div>
    </form>
    ${said && html`<p role="status">${said}</p>`}
    ${refused && html`<p class="refused" role="alert">${refused}</p>`}
  </section>`;
}
