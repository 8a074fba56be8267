/** What stays awake while no page is open (worker.js): started here, and told that there is touch. */

/** @typedef {import("./live.js").Touch} Touch */

const TELL_EVERY_MS = 60_000;

/** @type {Promise<ServiceWorkerRegistration | null> | undefined} */
let begun;
let told_ms = -TELL_EVERY_MS;

/**
 * Start it, once. Null where the browser has none: without HTTPS, and where it doesn't trust the
 * certificate.
 */
export function awake() {
  begun ??= (async () => {
    try {
      return (await navigator.serviceWorker?.register("/web/worker.js", { scope: "/" })) ?? null;
    } catch {
      return null;
    }
  })();
  return begun;
}

/** Let it know when the service was last reached, for the day on which it isn't. @param {Touch} touch */
export async function tellTouch({ now, in_touch }) {
  if (!now || !in_touch || performance.now() - told_ms < TELL_EVERY_MS) return;
  told_ms = performance.now();
  (await awake())?.active?.postMessage("in touch");
}
