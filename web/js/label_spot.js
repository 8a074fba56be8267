/** Where a word stands in a chart so that no line runs through it. Pure, in the chart's own values. */

/** A word's room: seconds since the epoch across, degrees upward. @typedef {{from_s: number, to_s: number, low: number, high: number}} Spot */

/**
 * The first of some spots through which no line runs, or null where each has one.
 * @template {Spot} T
 * @param {T[]} spots  in the order in which they are wanted
 * @param {number[]} time_s  increasing
 * @param {(number | null | undefined)[][]} columns  a value at each time, null for a gap
 * @param {number[]} [uprights]  times of lines from top to bottom
 */
export function clearSpot(spots, time_s, columns, uprights = []) {
  const free = (/** @type {Spot} */ spot) =>
    !uprights.some((at_s) => at_s >= spot.from_s && at_s <= spot.to_s) && !columns.some((column) => crosses(spot, time_s, column));
  return spots.find(free) ?? null;
}

/** @param {Spot} spot  @param {number[]} time_s  @param {(number | null | undefined)[]} column */
function crosses({ from_s, to_s, low, high }, time_s, column) {
  for (let row = time_s.findLastIndex((t_s) => t_s < from_s); row < time_s.length && !(time_s[row] > to_s); row++) {
    const here = column[row];
    if (here === null || here === undefined) continue;
    const next = column[row + 1] ?? here; // the end of a line is a point
    const next_s = column[row + 1] == null ? time_s[row] : time_s[row + 1];
    if (next_s < from_s) continue;
    const at = (/** @type {number} */ t_s) => (next_s > time_s[row] ? here + ((next - here) * (t_s - time_s[row])) / (next_s - time_s[row]) : here);
    const [a, b] = [at(Math.max(from_s, time_s[row])), at(Math.min(to_s, next_s))];
    if (Math.max(a, b) >= low && Math.min(a, b) <= high) return true;
  }
  return false;
}
