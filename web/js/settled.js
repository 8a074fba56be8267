/** What follows a hand, once the hand rests. */

import { useEffect, useState } from "../vendor/preact-hooks.js";

/**
 * A value, once it has been the same for a moment.
 * @template V @param {V} value  @param {number} after_ms  @returns {V}
 */
export function useSettled(value, after_ms) {
  const [settled, setSettled] = useState(value);
  useEffect(() => {
    const timer = setTimeout(() => setSettled(value), after_ms);
    return () => clearTimeout(timer);
  }, [value]);
  return settled;
}
