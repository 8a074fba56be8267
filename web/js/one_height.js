/** One height for the whole page of a job: whatever shows some of it follows the moment that was chosen. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { useSettled } from "./settled.js";

/** @typedef {import("./axis.js").Pointed} Pointed */

const SETTLED_MS = 250; // whoever walks along a ruler passes many layers

/** Tell a moment to all that follow. @param {Pointed} pointed  @param {number} at_s  in the middle of what is shown */
export function tellShown(pointed, at_s) {
  pointed.shown_s = at_s;
  pointed.others?.forEach((tell) => tell(at_s));
}

/**
 * The moment that the page shows, once it stays; null while there is none.
 * @param {{current: Pointed} | undefined} pointed
 * @returns {number | null}
 */
export function useShown(pointed) {
  const [at_s, setAt] = useState(pointed?.current.shown_s ?? null);
  useEffect(() => {
    if (!pointed) return undefined;
    const others = (pointed.current.others ??= new Set());
    others.add(setAt);
    setAt(pointed.current.shown_s ?? null);
    return () => void others.delete(setAt);
  }, []);
  return useSettled(at_s, SETTLED_MS);
}

/** Of rows that were laid or taken one after the other that which is nearest. @param {number[]} column  seconds @param {number} at_s */
export function nearestOf(column, at_s) {
  let best = -1;
  column.forEach((each_s, n) => {
    if (best < 0 || Math.abs(each_s - at_s) < Math.abs(column[best] - at_s)) best = n;
  });
  return best;
}
