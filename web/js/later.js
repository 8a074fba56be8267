/**
 * What the first page doesn't need comes when it is asked for, or once nobody waits for anything.
 *
 * A part that can't be fetched says so, and what to do: most often touch is lost, or the service
 * has been renewed since this page was opened and no longer has the old one's parts.
 */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { html } from "./html.js";
import { S } from "./strings.js";

const T = S.later;
const FIRST_AGAIN_MS = 2_000;
const LONGEST_AGAIN_MS = 30_000;
const WAITED_MS = 4_000;
const CALM_MS = 10_000; // after the first page stands there

/** @type {(() => Promise<unknown>)[]} */
const all = [];
/** @type {Set<Promise<unknown>>} */
const coming = new Set();

/** When all that was asked for is there, or it has taken too long: what is heavy and can wait goes after it. */
export async function calm() {
  const end_ms = performance.now() + WAITED_MS;
  await new Promise((go) => setTimeout(go)); // what is being drawn has asked by then
  const late = new Promise((go) => setTimeout(go, WAITED_MS));
  while (coming.size && performance.now() < end_ms) await Promise.race([Promise.allSettled(coming), late]);
}

/**
 * A component that is fetched when it is first drawn.
 * @param {() => Promise<any>} load  its module
 * @param {string} name  of the component in it
 * @param {string} [kind]  class of what stands in its place meanwhile; else it is a page's
 * @returns {any}
 */
export function later(load, name, kind) {
  /** @type {any} */
  let found = null;
  const fetched = async () => {
    if (found) return found;
    const module = load();
    coming.add(module);
    try {
      return (found = (await module)[name]);
    } finally {
      coming.delete(module);
    }
  };
  all.push(fetched);
  Later.fetch = () => fetched().catch(() => undefined); // soon it is drawn, and says then if it can't be
  return Later;

  function Later(/** @type {any} */ props) {
    const [failed, setFailed] = useState(false);
    const [, setCome] = useState(false);
    useEffect(() => {
      if (found) return;
      let over = false;
      let wait_ms = FIRST_AGAIN_MS;
      /** @type {number | undefined} */
      let timer;
      const ask = () => {
        fetched().then(
          () => over || setCome(true),
          () => {
            if (over) return;
            setFailed(true);
            timer = setTimeout(ask, wait_ms * (0.5 + 0.5 * Math.random()));
            wait_ms = Math.min(LONGEST_AGAIN_MS, wait_ms * 2);
          },
        );
      };
      ask();
      return () => {
        over = true;
        clearTimeout(timer);
      };
    }, []);
    if (found) return html`<${found} ...${props} />`;
    return html`<section class=${kind ?? "past"} aria-busy=${!failed}>
      ${failed
        ? html`<p role="alert">${T.failed}</p>
            <p><button type="button" class="act" onClick=${() => location.reload()}>${T.again}</button></p>`
        : html`<p class="waiting" role="status">${T.waiting}</p>`}
    </section>`;
  }
}

/** Fetch the rest one after another, in idle time; not for who pays for each byte. */
export function fetchRest() {
  const link = /** @type {any} */ (navigator).connection;
  if (link?.saveData) return;
  const idle = window.requestIdleCallback ?? ((/** @type {() => void} */ work) => setTimeout(work, 200));
  setTimeout(() => {
    idle(async () => {
      // One that comes may bring further ones with it.
      for (const each of all) await each().catch(() => undefined);
    });
  }, CALM_MS);
}
