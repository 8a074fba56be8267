/** The fields that the steps of setting up are made of; each says beside itself what is wrong with it. */

import { useId, useState } from "../vendor/preact-hooks.js";
import { html } from "./html.js";
import { typed } from "./units.js";

/** @typedef {import("./setup_draft.js").Stop} Stop */

/** Where the focus finds what one is stopped at. @param {string} field */
export function fieldId(field) {
  return `setup-${field}`;
}

/** Why one is stopped here. @param {{stop: Stop | null, field: string}} props */
export function Wrong({ stop, field }) {
  return stop?.field === field ? html`<p class="refused" role="alert" id=${`${fieldId(field)}-wrong`}>${stop.say}</p>` : null;
}

/** What describes a field: its hint, and what is wrong. @param {string} id @param {string | undefined} hint @param {boolean} wrong */
function describedBy(id, hint, wrong) {
  return [hint && `${id}-how`, wrong && `${id}-wrong`].filter(Boolean).join(" ") || undefined;
}

/** @param {{label: string, value: string, set: (text: string) => void, type?: string, hint?: string, most?: number, field?: string, stop?: Stop | null}} props */
export function Typed({ label, value, set, type = "text", hint, most = 1000, field = "", stop = null }) {
  const made = useId();
  const id = field ? fieldId(field) : made;
  const wrong = field !== "" && stop?.field === field;
  return html`<label for=${id}>${label}</label>
    <input id=${id} type=${type} maxlength=${most} autocomplete=${type === "password" ? "new-password" : "off"} autocapitalize=${type === "text" && most > 40 ? "off" : undefined} value=${value} aria-invalid=${wrong}
      aria-describedby=${describedBy(id, hint, wrong)} onInput=${(/** @type {any} */ event) => set(event.target.value)} />
    <${Wrong} stop=${stop} field=${field} />
    ${hint && html`<p id=${`${id}-how`} class="small">${hint}</p>`}`;
}

/** @param {{label: string, value: string, among: [string, string][], set: (value: string) => void}} props */
export function Choice({ label, value, among, set }) {
  const id = useId();
  return html`<label for=${id}>${label}</label>
    <select id=${id} value=${value} onChange=${(/** @type {any} */ event) => set(event.target.value)}>
      ${among.map(([each, told]) => html`<option key=${each} value=${each}>${told}</option>`)}
    </select>`;
}

/**
 * A number, none where the field is empty, or what was typed where that is no number.
 * @param {{label: string, value: number | string | null, set: (value: any) => void, hint?: string, whole?: boolean, field?: string, stop?: Stop | null}} props
 */
export function Figure({ label, value, set, hint, whole = false, field = "", stop = null }) {
  const made = useId();
  const id = field ? fieldId(field) : made;
  const [text, setText] = useState(value === null ? "" : String(value));
  const told = (/** @type {any} */ event) => {
    const now = event.target.value;
    setText(now);
    const number = typed(now);
    set(Number.isNaN(number) ? now.trim() || null : whole ? Math.round(number) : number);
  };
  const wrong = text.trim() !== "" && Number.isNaN(typed(text));
  return html`<label for=${id}>${label}</label>
    <input id=${id} type="text" inputmode="decimal" autocomplete="off" maxlength="12" value=${text} aria-invalid=${wrong}
      aria-describedby=${describedBy(id, hint, stop?.field === field)} onInput=${told} />
    <${Wrong} stop=${stop} field=${field} />
    ${hint && html`<p id=${`${id}-how`} class="small">${hint}</p>`}`;
}
