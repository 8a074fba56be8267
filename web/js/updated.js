/**
 * Notice that the service was updated since this page was opened, and say so calmly. Nobody's words
 * are lost for it and no sound stops: only a page that nobody sees, in which nothing is being typed,
 * that is silent anyway and tells of no alarm loads itself again.
 */

import { html } from "./html.js";
import { isWanted } from "./screen.js";
import { S } from "./strings.js";

/** @typedef {import("./live.js").Touch} Touch */
/** @typedef {import("./sounds.js").Sounds} Sounds */

const KEPT = "stillair.loaded-for"; // a version: loading again for it once is enough

/** Which version's file this is; "" for one that is asked for by its plain name. @param {string} address */
export function versionIn(address) {
  return /\/web\/(v-[0-9a-f]{16})\//.exec(address)?.[1] ?? "";
}

/** Whether the service has another page than this one. @param {Touch} touch  @param {string} [own] */
export function isOld({ who }, own = versionIn(import.meta.url)) {
  return Boolean(own && who?.page && who.page !== own);
}

/**
 * Whether it may load itself again without anybody losing anything.
 * @param {{hidden: boolean, typed: boolean, audible: boolean, stands: boolean, in_touch: boolean}} of
 *   `typed`: something was; `stands`: an alarm does
 */
export function mayLoad({ hidden, typed, audible, stands, in_touch }) {
  return hidden && in_touch && !typed && !audible && !stands;
}

// What was typed or chosen on this page; what the page itself puts into a field tells nothing of the kind.
let typed = false;
addEventListener("input", () => (typed = true), true);
addEventListener("hashchange", () => (typed = false));

/** Load it again if nobody minds, and only once for each version. @param {Touch} touch  @param {Sounds} sounds */
export function loadUnseen(touch, sounds) {
  if (!isOld(touch)) return;
  const stands = isWanted(touch) || Boolean(touch.now?.chambers.some(({ sounding }) => sounding !== "silent"));
  const audible = sounds.state() !== "off"; // a page that was loaded again is silent until it is tapped
  const of = { hidden: document.hidden, typed: typed || document.querySelector("dialog[open]") !== null, audible, stands, in_touch: touch.in_touch };
  if (!mayLoad(of)) return;
  try {
    if (sessionStorage.getItem(KEPT) === touch.who?.page) return;
    sessionStorage.setItem(KEPT, touch.who?.page ?? "");
  } catch {
    return; // else it might load itself for ever
  }
  location.reload();
}

/** @param {{touch: Touch}} props */
export function Updated({ touch }) {
  if (!isOld(touch)) return null;
  return html`<div class="updated" role="status">
    <p><strong>${S.touch.updated}</strong> ${S.touch.updated_how}</p>
    <div class="acts"><button type="button" class="act" onClick=${() => location.reload()}>${S.touch.load}</button></div>
  </div>`;
}
