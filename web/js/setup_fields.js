/** The fields that the steps of setting up are made of. */

import { useId, useState } from "../vendor/preact-hooks.js";
import { html } from "./html.js";
import { typed } from "./units.js";

/** @param {{label: string, value: string, set: (text: string) => void, type?: string, hint?: string, most?: number}} props */
export function Typed({ label, value, set, type = "text", hint, most = 1000 }) {
  const id = useId();
  return html`<label for=${id}>${label}</label>
    <input id=${id} type=${type} maxlength=${most} autocomplete=${type === "password" ? "new-password" : "off"} value=${value}
      aria-describedby=${hint ? `${id}-how` : undefined} onInput=${(/** @type {any} */ event) => set(event.target.value)} />
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
 * A number, or none where the field is empty.
 * @param {{label: string, value: number | null, set: (value: number | null) => void, hint?: string, whole?: boolean}} props
 */
export function Figure({ label, value, set, hint, whole = false }) {
  const id = useId();
  const [text, setText] = useState(value === null ? "" : String(value));
  const told = (/** @type {any} */ event) => {
    setText(event.target.value);
    const number = typed(event.target.value);
    set(Number.isNaN(number) ? null : whole ? Math.round(number) : number);
  };
  const wrong = text.trim() !== "" && Number.isNaN(typed(text));
  return html`<label for=${id}>${label}</label>
    <input id=${id} type="text" inputmode="decimal" autocomplete="off" maxlength="12" value=${text} aria-invalid=${wrong}
      aria-describedby=${hint ? `${id}-hint` : undefined} onInput=${told} />
    ${hint && html`<p id=${`${id}-hint`} class="small">${hint}</p>`}`;
}
