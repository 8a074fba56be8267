/** "I've seen it", of what is the hall's own: out of reach, or something of it fails. */

import { Act } from "./act.js";
import { post } from "./ask.js";
import { html } from "./html.js";
import { H } from "./strings_hall.js";

/** @typedef {import("./types.js").HallOwn} HallOwn */

/** @param {{of: HallOwn, may: boolean, done?: () => void}} props  nothing while people aren't told of it */
export function Seen({ of, may, done = () => undefined }) {
  if (of.seen_by !== null) return html` <span class="state">${H.seen_by(of.seen_by)}</span>`;
  if (!may || of.alarm === null) return null;
  const work = () => post(`/api/hall/alarms/${encodeURIComponent(of.alarm ?? "")}/seen`);
  return html`<div class="acts"><${Act} kind="slight" work=${work} done=${done}>${H.see}<//></div><p class="small">${H.own_seen_means}</p>`;
}
