/** What hurts is asked once more. */

import { useState } from "../vendor/preact-hooks.js";
import { Act } from "./act.js";
import { html } from "./html.js";

/** What hurts asks once more and says what will happen. @param {{ask: string, question: string, yes: string, no: string, work: () => Promise<unknown>, done: () => void, kind?: string}} props */
export function Twice({ ask, question, yes, no, work, done, kind = "slight" }) {
  const [open, setOpen] = useState(false);
  if (!open) return html`<button type="button" class=${`act ${kind}`} onClick=${() => setOpen(true)}>${ask}</button>`;
  return html`<div class="aside" role="group" aria-label=${ask}>
    <p>${question}</p>
    <div class="acts">
      <${Act} work=${work} done=${() => (setOpen(false), done())}>${yes}<//>
      <button type="button" class="act slight" onClick=${() => setOpen(false)}>${no}</button>
    </div>
  </div>`;
}
