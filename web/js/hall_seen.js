/** "I've seen it", of what is the hall's own, and of many alarms at once. */

import { useState } from "../vendor/preact-hooks.js";
import { Act, leave, useFocus } from "./act.js";
import { get, post } from "./ask.js";
import { html } from "./html.js";
import { H } from "./strings_hall.js";
import { words } from "./units.js";

/** @typedef {import("./types.js").HallOwn} HallOwn */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {{items: {id: string, text: string, name: string}[], more: number, dangers: number, unasked: number}} Unseen */

/** @param {{of: HallOwn, may: boolean, done?: () => void}} props  nothing while people aren't told of it */
export function Seen({ of, may, done = () => undefined }) {
  if (of.seen_by !== null) return html` <span class="state">${H.seen_by(of.seen_by)}</span>`;
  if (!may || of.alarm === null) return null;
  const work = () => post(`/api/hall/alarms/${encodeURIComponent(of.alarm ?? "")}/seen`);
  return html`<div class="acts"><${Act} kind="slight" work=${work} done=${done}>${H.see}<//></div><p class="small">${H.own_seen_means}</p>`;
}

/**
 * One answer for all that wait for one, once it is read what they are; no danger is among them.
 * @param {{chamber?: string, unit: Unit, done?: () => void}} props  of all chambers without one
 */
export function SeenMany({ chamber, unit, done = () => undefined }) {
  const [found, setFound] = useState(/** @type {Unseen | null} */ (null));
  const [said, setSaid] = useState("");
  const ask = async () => setFound(await get(`/api/hall/unseen${chamber ? `?chamber=${encodeURIComponent(chamber)}` : ""}`));
  if (!found) {
    return html`<div class="acts seen-many"><${Act} kind="slight" work=${ask} done=${() => setSaid("")}>${H.many}<//></div>
      ${said && html`<p class="small" role="status">${said}</p>`}`;
  }
  const say = async () => {
    const { refused } = await post("/api/hall/seen", { alarms: found.items.map(({ id }) => id) });
    const whys = Object.values(refused);
    const told = H.many_done(found.items.length - whys.length);
    setSaid(whys.length ? `${told} ${H.many_refused(whys.length, whys[0])}` : told);
  };
  const close = () => setFound(null);
  return html`<${Asked} found=${found} unit=${unit} say=${say} close=${close} done=${() => (close(), done())} />`;
}

/** @param {{found: Unseen, unit: Unit, say: () => Promise<void>, close: () => void, done: () => void}} props */
function Asked({ found, unit, say, close, done }) {
  const focus = useFocus();
  const { items, more, dangers, unasked } = found;
  return html`<div class="aside seen-many" role="group" aria-label=${H.many} onKeyDown=${leave(close)}>
    <p tabindex="-1" ref=${focus}>${items.length ? H.many_of : H.many_none}</p>
    <ul>${items.map(({ id, text, name }) => html`<li key=${id}>${name && html`<b>${name}:</b> `}${words(text, unit)}</li>`)}</ul>
    ${more > 0 && html`<p>${H.many_more(more)}</p>`}
    ${dangers > 0 && html`<p>${H.many_dangers(dangers)}</p>`}
    ${unasked > 0 && html`<p>${H.many_unasked(unasked)}</p>`}
    ${items.length > 0 && html`<p class="small">${H.many_means}</p>`}
    <div class="acts">
      ${items.length > 0 && html`<${Act} work=${say} done=${done}>${H.many_yes(items.length)}<//>`}
      <button type="button" class="act slight" onClick=${close}>${H.many_no}</button>
    </div>
  </div>`;
}
