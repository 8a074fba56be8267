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

/**
 * How many of so many parts may be drawn by now: one at once, and one more each turn after the
 * one before is painted, so that a key or a finger waits for one of them at most.
 * @param {number} parts  @returns {number}
 */
export function useTurns(parts) {
  const [turn, setTurn] = useState(1);
  useEffect(() => {
    if (turn >= parts) return;
    const timer = setTimeout(() => setTurn(turn + 1), 0);
    return () => clearTimeout(timer);
  }, [turn, parts]);
  return turn;
}
