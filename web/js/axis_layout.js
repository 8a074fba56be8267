/** What stands where in the lanes along a job's time, and what has no room. Pure. */

import { share } from "./axis_view.js";

/** @typedef {import("./types.js").Heights} Heights */
/** @typedef {import("./axis_view.js").View} View */

const CLASSES = ["alarm", "supervisory", "trouble", "pause", "notice"];
const TICK_PX = 56; // a height in words, and air around it
const BAR_PX = 3; // a layer that is narrower isn't seen as one
const STEPS_MM = [0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000];

/**
 * @template Item
 * @typedef {object} Group  items that stand too near each other to be told apart
 * @property {number} x      from the left, in pixels
 * @property {number} room   until the next one
 * @property {number} from_s
 * @property {number} to_s
 * @property {Item[]} items
 */

/**
 * Items in time order, those gathered that would lie upon each other.
 * @template Item
 * @param {Item[]} items
 * @param {(item: Item) => [number, number]} when  from and to, seconds since the epoch
 * @param {View} view  @param {number} width  @param {number} apart  in pixels
 * @returns {Group<Item>[]}
 */
export function gathered(items, when, view, width, apart) {
  /** @type {Group<Item>[]} */
  const groups = [];
  for (const item of items) {
    const [from_s, to_s] = when(item);
    if (to_s < view.from_s || from_s > view.to_s) continue;
    const x = Math.max(0, share(view, from_s)) * width;
    const last = groups[groups.length - 1];
    if (last && x - last.x < apart) {
      last.items.push(item);
      last.to_s = Math.max(last.to_s, from_s);
    } else {
      if (last) last.room = x - last.x;
      groups.push({ x, room: width - x, from_s, to_s: from_s, items: [item] });
    }
  }
  return groups;
}

/** The gravest class of some events. @param {{class: string}[]} events */
export function gravest(events) {
  return CLASSES.find((name) => events.some((event) => event.class === name)) ?? "notice";
}

/**
 * The ruler along time: each round height where the part first had it, as far as there is room.
 * @param {Heights} heights  @param {View} view  @param {number} width
 * @returns {{x: number, height_mm: number}[]}
 */
export function ruled(heights, view, width) {
  const { start_at, end_at, height_mm, piece } = heights;
  const [first, last] = seen(heights, view);
  if (first >= last) return [];
  let low = Infinity;
  let high = -Infinity;
  for (let row = first; row < last; row++) {
    low = Math.min(low, height_mm[row]);
    high = Math.max(high, height_mm[row]);
  }
  // Where the part grew only for a while, that while alone has room: so no step is left out.
  const grew = Math.min(1, share(view, end_at[last - 1])) - Math.max(0, share(view, start_at[first]));
  const most = Math.max(1, Math.floor((grew * width) / TICK_PX));
  const step = STEPS_MM.find((mm) => (high - low) / mm <= most) ?? 2000;
  /** @type {{x: number, height_mm: number}[]} */
  const ticks = [];
  for (let row = first; row < last; row++) {
    const before = row > 0 && piece[row - 1] === piece[row] ? height_mm[row - 1] : 0;
    // A hundredth of a millimetre is no difference, and sums of layers are never exact.
    const round = Math.floor(height_mm[row] / step + 0.01);
    if (round < 1 || round <= Math.floor(before / step + 0.01)) continue;
    const x = share(view, start_at[row]) * width;
    if (x < 0 || x > width || (ticks.length > 0 && x - ticks[ticks.length - 1].x < TICK_PX)) continue;
    ticks.push({ x, height_mm: round * step });
  }
  return ticks;
}

/**
 * A path of bars, every second layer filled; nothing where they would be too thin to see.
 * @param {Heights} heights  @param {View} view  @param {number} width  @param {number} high
 */
export function layered(heights, view, width, high) {
  const [first, last] = seen(heights, view);
  const per_s = width / (view.to_s - view.from_s);
  const span_s = last > first ? heights.end_at[last - 1] - heights.start_at[first] : 0;
  if (last <= first || (span_s * per_s) / (last - first) < BAR_PX) return "";
  let path = "";
  for (let row = first; row < last; row++) {
    if (row % 2) continue;
    const x = Math.max(0, (heights.start_at[row] - view.from_s) * per_s);
    const to = Math.min(width, (heights.end_at[row] - view.from_s) * per_s);
    if (to > x) path += `M${x.toFixed(1)} 0H${to.toFixed(1)}V${high}H${x.toFixed(1)}z`;
  }
  return path;
}

/** Rows of layers that are seen, from one to before another. @param {Heights} heights  @param {View} view */
function seen({ start_at, end_at }, view) {
  return [firstAfter(end_at, view.from_s), firstAfter(start_at, view.to_s)];
}

/** The first row above a value, in a column that never falls. @param {number[]} column  @param {number} value */
export function firstAfter(column, value) {
  let low = 0;
  let high = column.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (column[middle] > value) high = middle;
    else low = middle + 1;
  }
  return low;
}

/** The row nearest to a moment; -1 where there is none, or it lies far outside. @param {number[]} time_s  @param {number} at_s  @param {number} slack_s */
export function nearestRow(time_s, at_s, slack_s) {
  const next = firstAfter(time_s, at_s);
  const before = next - 1;
  const off = (/** @type {number} */ row) => (row in time_s ? Math.abs(time_s[row] - at_s) : Infinity);
  const row = off(next) < off(before) ? next : before;
  const outside = next === 0 || next === time_s.length;
  return off(row) === Infinity || (outside && off(row) > slack_s) ? -1 : row;
}
