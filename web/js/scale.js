/**
 * How high a chart of temperatures reaches: as high as what can be true, so that a wire
 * that comes loose doesn't press an hour's lines flat. What lies beyond is not left out:
 * it is told, and marked at the edge. Pure.
 *
 * A reading is doubted while its sensor's fault is told, if it is a value by which chips say
 * "no reading", if no thermometer of a chamber shows it, or if it stands out for a moment
 * alone; never while a danger is told. A doubted one counts all the same if it lies near
 * what that sensor showed before: one that always shows the same is drawn as it is.
 */

import { inUnit } from "./units.js";

/** @typedef {import("./types.js").Columns} Columns */
/** @typedef {import("./types.js").Story} Story */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./hour.js").Hour} Hour */
/** @typedef {{name: string, at_s: number, temperature_c: number, above: boolean}} Beyond */

/**
 * @typedef {object} Scaled
 * @property {[number, number]} span           of the upright axis, in the reader's unit
 * @property {(number | null)[][]} columns     of each name, °C, null for what lies beyond
 * @property {Beyond[]} beyond
 */

const FAR_K = 15;
const NO_READING_C = [85, 127.94, 127.9375, 0];
const LOWEST_C = -40;
const HIGHEST_C = 300;
const MOMENT_S = 10; // no air warms and cools again in that
const MOMENT_ROWS = 3;
const LEAST_SPAN = 8; // degrees on the upright axis, so that noise stays small

/**
 * @param {{hour: Hour, names: string[], unit: Unit, target_c: number | null, stories: Story[],
 *   then?: Columns | null}} drawn
 * @returns {Scaled}
 */
export function scaled({ hour, names, unit, target_c, stories, then = null }) {
  const whole = names.map((name) => hour.column(name));
  const untrue = names.map((name, i) => untrueOf(name, hour.time_s, whole[i], stories));
  const ends = [
    ...whole.map((column, i) => ends_c(column, untrue[i])),
    ...names.map((name) => thenEnds_c(then, name)),
    target_c === null ? null : [target_c, target_c],
  ].flatMap((pair) => pair ?? []);
  const span = spanOf(ends.map((t_c) => inUnit(t_c, unit)));
  /** @type {Beyond[]} */
  const beyond = [];
  const columns = whole.map((column, i) =>
    column.map((t_c, row) => {
      if (t_c === null || !untrue[i][row]) return t_c;
      const t = inUnit(t_c, unit);
      if (t >= span[0] && t <= span[1]) return t_c;
      beyond.push({ name: names[i], at_s: hour.time_s[row], temperature_c: t_c, above: t > span[1] });
      return null;
    }),
  );
  return { span, columns, beyond };
}

/** The farthest of each sensor, above and below, to be told in words. @param {Beyond[]} beyond */
export function farthest(beyond) {
  /** @type {Map<string, Beyond>} */
  const far = new Map();
  for (const one of beyond) {
    const key = `${one.above} ${one.name}`;
    const known = far.get(key);
    if (!known || one.temperature_c > known.temperature_c === one.above) far.set(key, one);
  }
  return [...far.values()];
}

/**
 * Which readings of a sensor can't be true.
 * @param {string} name  @param {number[]} time_s  @param {(number | null)[]} column  @param {Story[]} stories
 * @returns {boolean[]}
 */
export function untrueOf(name, time_s, column, stories) {
  const doubted = column.map((t_c) => t_c !== null && isNoTemperature(t_c));
  moments(time_s, column).forEach((row) => (doubted[row] = true));
  const mine = stories.filter(({ sensors }) => sensors?.includes(name));
  for (const [kind, value] of /** @type {[string, boolean][]} */ ([["sensor_fault", true], ["alarm", false]])) {
    for (const story of mine.filter((s) => s.kind === kind || s.class === kind)) {
      const from_s = Date.parse(story.onset_at) / 1000;
      const to_s = story.end_at ? Date.parse(story.end_at) / 1000 : Infinity;
      for (let row = firstFrom(time_s, from_s); row < time_s.length && time_s[row] <= to_s; row++) doubted[row] = value;
    }
  }
  let near_c = column.find((t_c, row) => t_c !== null && !doubted[row]) ?? null;
  return column.map((t_c, row) => {
    if (t_c === null) return false;
    if (!doubted[row]) {
      near_c = t_c;
      return false;
    }
    return near_c === null ? isNoTemperature(t_c) : Math.abs(t_c - near_c) > FAR_K;
  });
}

/** @param {number} t_c */
function isNoTemperature(t_c) {
  return NO_READING_C.includes(t_c) || t_c < LOWEST_C || t_c > HIGHEST_C;
}

/**
 * Rows that stand out far above the ones before and after, for a moment alone. Not those
 * below: a door that is opened for a moment is just what the chart is for.
 * @param {number[]} time_s  @param {(number | null)[]} column
 */
function moments(time_s, column) {
  /** @type {number[]} */
  const found = [];
  const known = column.flatMap((t_c, row) => (t_c === null ? [] : [row]));
  const at_c = (/** @type {number} */ i) => column[known[i]] ?? 0;
  for (let i = 1; i < known.length; i++) {
    const floor_c = at_c(i - 1) + FAR_K;
    if (at_c(i) <= floor_c) continue;
    let end = i;
    while (end < known.length && at_c(end) > floor_c) end++;
    const short = end - i <= MOMENT_ROWS && time_s[known[end - 1]] - time_s[known[i]] <= MOMENT_S;
    if (end < known.length && short) found.push(...known.slice(i, end));
    i = end - 1;
  }
  return found;
}

/** The first row at or after a time. @param {number[]} time_s  @param {number} from_s */
function firstFrom(time_s, from_s) {
  let low = 0;
  let high = time_s.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (time_s[middle] < from_s) low = middle + 1;
    else high = middle;
  }
  return low;
}

/** Lowest and highest of what can be true. @param {(number | null)[]} column  @param {boolean[]} untrue */
function ends_c(column, untrue) {
  let low = Infinity;
  let high = -Infinity;
  column.forEach((t_c, row) => {
    if (t_c === null || untrue[row]) return;
    low = Math.min(low, t_c);
    high = Math.max(high, t_c);
  });
  return low <= high ? [low, high] : null;
}

/** The same of an earlier job's line. @param {Columns | null} then  @param {string} name */
function thenEnds_c(then, name) {
  const column = then?.sensors[name];
  return then && column ? ends_c(column, untrueOf(name, then.time_s, column, [])) : null;
}

/** @param {number[]} ends  in the reader's unit  @returns {[number, number]} */
function spanOf(ends) {
  if (ends.length === 0) return [15, 15 + LEAST_SPAN];
  const from = Math.min(...ends) - 1;
  const to = Math.max(...ends) + 1;
  const lacking = Math.max(0, LEAST_SPAN - (to - from));
  return [from - lacking / 2, to + lacking / 2];
}
