/** A button that does something at the service: shows that it is under way, and why it failed. */

import { useLayoutEffect, useRef, useState } from "../vendor/preact-hooks.js";
import { html } from "./html.js";
import { S } from "./strings.js";

/**
 * Run one request at a time and remember how it went.
 * `refuse` tells why it wasn't even tried.
 * @returns {{busy: boolean, error: string, run: (work: () => Promise<unknown>) => Promise<boolean>, refuse: (why: string) => void}}
 */
export function useWork() {
  const [busy, setBusy] = useState(false);
  const [error, setError] = useState("");
  /** @param {() => Promise<unknown>} work */
  async function run(work) {
    if (busy) return false;
    setBusy(true);
    setError("");
    try {
      await work();
      return true;
    } catch (failure) {
      setError(failure instanceof Error ? failure.message : String(failure));
      return false;
    } finally {
      setBusy(false);
    }
  }
  return { busy, error, run, refuse: setError };
}

/**
 * @param {{work: () => Promise<unknown>, children?: unknown, kind?: string, done?: () => void}} props
 */
export function Act({ work, children, kind = "", done }) {
  const { busy, error, run } = useWork();
  // Not `disabled` while busy: the focus would be lost to those who use the keyboard.
  return html`<span class="act-place">
    <button
      type="button"
      class=${`act ${kind}`}
      aria-disabled=${busy}
      onClick=${async () => {
        if ((await run(work)) && done) done();
      }}
    >
      ${busy ? S.alarms.sending : children}
    </button>
    <${Refused} error=${error} />
  </span>`;
}

/** Why something was not done. @param {{error: string}} props */
export function Refused({ error }) {
  return error ? html`<span class="refused" role="alert">${S.alarms.not_done} ${error}</span>` : null;
}

/** A ref that takes the focus when its element appears. */
export function useFocus() {
  const ref = useRef(/** @type {HTMLElement | null} */ (null));
  useLayoutEffect(() => ref.current?.focus(), []);
  return ref;
}

/** Escape leaves what has been opened. @param {() => void} close */
export function leave(close) {
  return (/** @type {KeyboardEvent} */ event) => {
    if (event.key === "Escape") close();
  };
}
