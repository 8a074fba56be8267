/** What stays awake while no page is open (worker.js): started here, and told what was heard last. */

import { recall } from "./kept.js";
import { words } from "./units.js";

/** @typedef {import("./live.js").Touch} Touch */

const TELL_EVERY_MS = 60_000;

/** @type {Promise<ServiceWorkerRegistration | null> | undefined} */
let begun;
let told_ms = -TELL_EVERY_MS;
let told_tones = "";
/** @type {Touch | undefined} */
let newest;

/**
 * Start it, once. Null where the browser has none: without HTTPS, and where it doesn't trust the
 * certificate.
 */
export function awake() {
  begun ??= (async () => {
    addEventListener("pagehide", () => newest && tell(newest));
    document.addEventListener("visibilitychange", () => document.hidden && newest && tell(newest));
    try {
      return (await navigator.serviceWorker?.register("/web/worker.js", { scope: "/" })) ?? null;
    } catch {
      return null;
    }
  })();
  return begun;
}

/**
 * Let it know what was heard last and when, for the day on which the service isn't reached: each
 * minute, when the page is left, and at once when it turns better or worse.
 * @param {Touch} touch
 */
export function tellTouch(touch) {
  if (!touch.now || !touch.in_touch) return;
  newest = touch;
  const tones = touch.now.chambers.map(({ tone }) => tone).join();
  if (tones === told_tones && performance.now() - told_ms < TELL_EVERY_MS) return;
  told_tones = tones;
  tell(touch);
}

/** @param {Touch} touch */
async function tell({ now, since_ms }) {
  told_ms = performance.now();
  const unit = recall("unit") === "f" ? "f" : "c";
  const said = (now?.chambers ?? []).map(({ name, tone, sentence, simulated }) => ({
    name,
    tone,
    simulated,
    sentence: words(sentence, unit),
  }));
  (await awake())?.active?.postMessage({ heard_ms: since_ms, said });
}
