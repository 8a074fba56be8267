/**
 * Every layer's own weather: asked of the service, and reckoned into what is drawn and said.
 *
 * Layers are named by their number in the service's columns; a place in a drawing is in
 * pixels, a height in millimetres above the bed.
 */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { get } from "./ask.js";
import { heightAt } from "./heights.js";

/** @typedef {import("./types.js").Heights} Heights */
/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").Story} Story */
/** @typedef {import("./types.js").Weathered} Weathered */
/** @typedef {import("./types.js").WeatherStretch} WeatherStretch */
/** @typedef {import("./stories.js").Line} Line */
/** @typedef {{low_mm: number, high_mm: number}} Window  what is seen of the ruler */
/** @typedef {(value: number) => number} Place */
/** @typedef {{layers: number[], top_mm: number, least_mm: number}} Piece */

const WAIT_MS = 150_000; // the service gives up after two minutes
const AGAIN_MS = 300_000; // from one answer to the next question, while the job goes on
const AFTER_S = 600; // layers are still the colder some minutes after an event
const COOLING = ["door_open", "draft", "heat_lost", "below_target"];
const WARMING = ["too_warm", "over_temperature"];
const LEAST_LAYERS = 4; // seen at the closest
const WIDEST_K = 60; // of the ruled limits, beyond which they say nothing
const TOLD_MM = 1; // less doubt about the height than this, or than a stretch is long, isn't worth a sentence

/**
 * The weather of a job's layers. Asked for once it can be answered, and anew when that
 * which it rests on has changed.
 * @param {Job} job  @param {Heights | null} heights
 */
export function useWeather(job, heights) {
  const [state, setState] = useState(/** @type {{key: string, found: Weathered | null, failed: string}} */ ({ key: "", found: null, failed: "" }));
  const [tries, setTries] = useState(0);
  const again = () => setTries((/** @type {number} */ n) => n + 1);
  const pins = heights?.pins.map((pin) => pin.pin).join() ?? "";
  const able = Boolean(heights?.toolpath && job.material);
  const key = able ? [job.id, job.started_at, job.finished_at, job.material, heights?.toolpath, pins, tries].join(" ") : "";
  useEffect(() => {
    if (!key) return undefined;
    let over = false;
    /** @type {number | undefined} */
    let timer;
    get(`/api/jobs/${encodeURIComponent(job.id)}/weather`, { wait_ms: WAIT_MS }).then(
      (found) => {
        if (over) return;
        setState({ key, found, failed: "" });
        if (job.state !== "finished") timer = setTimeout(again, AGAIN_MS);
      },
      (error) => over || setState({ key, found: null, failed: error.message }),
    );
    return () => {
      over = true;
      clearTimeout(timer);
    };
  }, [key]);
  const own = state.key.startsWith(`${job.id} `) && able;
  return {
    // While it is asked for anew, what was known of the same job stays.
    found: own ? state.found : null,
    failed: own && state.key === key ? state.failed : "",
    asking: Boolean(key) && state.key !== key,
    again,
  };
}

/**
 * The layers of each piece, of those that have been laid; in the order of their heights.
 * @param {Weathered} found  @param {number} now_s  @returns {Piece[]}
 */
export function piecesOf(found, now_s) {
  /** @type {number[][]} */
  const of = [];
  found.piece.forEach((piece, n) => {
    if (found.start_s[n] <= now_s) (of[piece] ??= []).push(n);
  });
  return of.filter(Boolean).map((layers) => {
    // A spiral's or a swaying head's layers may come a hair below the one before.
    layers.sort((a, b) => found.height_mm[a] - found.height_mm[b] || a - b);
    const top_mm = found.height_mm[layers[layers.length - 1]];
    return { layers, top_mm, least_mm: Math.max(0.2, Math.min(top_mm, (LEAST_LAYERS * top_mm) / layers.length)) };
  });
}

/** How high the middle of a layer is. @param {Weathered} found  @param {number[]} layers  @param {number} at  its place among them */
export function middleOf(found, layers, at) {
  const below_mm = at > 0 ? found.height_mm[layers[at - 1]] : 0;
  return (found.height_mm[layers[at]] + below_mm) / 2;
}

/** The place among a piece's layers in which a height lies. @param {Weathered} found  @param {number[]} layers  @param {number} mm */
export function placeAt(found, layers, mm) {
  let low = 0;
  let high = layers.length - 1;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (found.height_mm[layers[middle]] >= mm - 1e-6) high = middle;
    else low = middle + 1;
  }
  return low;
}

/** Whether the job's own layers are so alike that being unlike them says something. @param {Weathered} found */
export const isBanded = (found) => found.band_k !== null && 2 * found.band_k <= WIDEST_K;

/**
 * The layer that was being laid at a moment, or was the last one before a pause; null before
 * the first and after the last.
 * @param {Weathered} found  @param {number} at_s  @returns {number | null}
 */
export function laidAt(found, at_s) {
  const count = found.start_s.length;
  if (count === 0 || at_s < found.start_s[0] || at_s > found.end_s[count - 1]) return null;
  let low = 0;
  let high = count - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (found.start_s[middle] <= at_s) low = middle;
    else high = middle - 1;
  }
  return low;
}

/**
 * From the lowest to the highest temperature to be drawn, and whether what is firm is among it.
 * @param {Weathered} found  @param {number[]} layers
 */
export function spanOf(found, layers) {
  let low_c = Infinity;
  let high_c = -Infinity;
  const limits = isBanded(found) ? [found.limit_low_c, found.limit_high_c] : [];
  for (const n of layers.slice(1)) {
    for (const value of [found.below_low_c, found.below_high_c, ...limits].map((column) => column[n])) {
      if (value === null || found.air_c[n] === null) continue;
      low_c = Math.min(low_c, value);
      high_c = Math.max(high_c, value);
    }
  }
  if (low_c > high_c) return null;
  const firm = found.firm_c <= high_c + 0.5 * (high_c - low_c);
  if (firm) high_c = Math.max(high_c, found.firm_c);
  const room = Math.max(1, 0.04 * (high_c - low_c));
  return { low_c: low_c - room, high_c: high_c + room, firm };
}

/** Round values with even steps between two, some `most` of them at the most. @param {number} low  @param {number} high  @param {number} most */
export function evenly(low, high, most) {
  const rough = (high - low) / most;
  const ten = 10 ** Math.floor(Math.log10(rough));
  const step = ten * ([1, 2, 5].find((each) => each * ten >= rough - 1e-9) ?? 10);
  const first = Math.ceil(low / step - 1e-9);
  const last = Math.floor(high / step + 1e-9);
  return Array.from({ length: Math.max(0, last - first + 1) }, (_, i) => Number(((first + i) * step).toPrecision(9)));
}

/**
 * A rule's strokes as on one of wood: fine ones, longer ones at each fifth, the longest with
 * a figure at each tenth, and figures at the fifths where there is room.
 * @param {Window} seen  @param {number} high_px  of the drawing
 * @returns {{mm: number, length: 0 | 1 | 2, figure: boolean}[]}
 */
export function strokes(seen, high_px) {
  const px = high_px / (seen.high_mm - seen.low_mm);
  let fine_mm = 0.01;
  while (fine_mm * px < 3.5) fine_mm *= 10;
  const first = Math.ceil(seen.low_mm / fine_mm - 1e-6);
  const last = Math.floor(seen.high_mm / fine_mm + 1e-6);
  const room = 5 * fine_mm * px >= 40;
  return Array.from({ length: Math.max(0, last - first + 1) }, (_, i) => {
    const at = first + i;
    const length = at % 10 === 0 ? 2 : at % 5 === 0 ? 1 : 0;
    return { mm: Number((at * fine_mm).toFixed(2)), length, figure: length === 2 || (length === 1 && room) };
  });
}

/** @param {Weathered} found  @param {number[]} layers  @param {Window} seen  the places to be drawn: those seen and one more each way */
function drawn(found, layers, seen) {
  // What lies under a piece's first layer is the bed.
  const first = Math.max(1, placeAt(found, layers, seen.low_mm) - 1);
  const last = Math.min(layers.length - 1, placeAt(found, layers, seen.high_mm) + 1);
  return Array.from({ length: Math.max(0, last - first + 1) }, (_, i) => first + i);
}

/** The runs of layers of which all of these columns are known. @param {number[]} places  @param {(place: number) => boolean} known */
function runs(places, known) {
  /** @type {number[][]} */
  const found = [];
  let open = false;
  for (const place of places) {
    if (!known(place)) open = false;
    else if (open) found[found.length - 1].push(place);
    else {
      found.push([place]);
      open = true;
    }
  }
  return found;
}

/** @param {number} value */
const tenth = (value) => Math.round(value * 10) / 10;

/**
 * One column as a line up the ruler, broken where nothing is known; one path for all layers.
 * @param {Weathered} found  @param {number[]} layers  @param {Window} seen
 * @param {(number | null)[]} column  @param {Place} x  @param {Place} y
 */
export function lineOf(found, layers, seen, column, x, y) {
  const known = (/** @type {number} */ i) => column[layers[i]] !== null && found.air_c[layers[i]] !== null;
  const point = (/** @type {number} */ i) => `${tenth(x(/** @type {number} */ (column[layers[i]])))} ${tenth(y(middleOf(found, layers, i)))}`;
  return runs(drawn(found, layers, seen), known)
    .map((run) => `M${(run.length > 1 ? run : [run[0], run[0]]).map(point).join("L")}`)
    .join("");
}

/**
 * What lies between two columns, as one path.
 * @param {Weathered} found  @param {number[]} layers  @param {Window} seen
 * @param {(number | null)[]} low  @param {(number | null)[]} high  @param {Place} x  @param {Place} y
 */
export function bandOf(found, layers, seen, low, high, x, y) {
  const known = (/** @type {number} */ i) => low[layers[i]] !== null && high[layers[i]] !== null && found.air_c[layers[i]] !== null;
  const edge = (/** @type {(number | null)[]} */ column, /** @type {number} */ i) => `${tenth(x(/** @type {number} */ (column[layers[i]])))} ${tenth(y(middleOf(found, layers, i)))}`;
  return runs(drawn(found, layers, seen), known)
    .map((run) => {
      if (run.length === 1) return ""; // no height of its own to fill
      return `M${run.map((i) => edge(low, i)).join("L")}L${[...run].reverse().map((i) => edge(high, i)).join("L")}Z`;
    })
    .join("");
}

/**
 * Closer or farther, about a height; never beyond the part, never closer than a few layers.
 * @param {Window} seen  @param {number} by  above 1: closer  @param {number} about_mm  @param {Piece} piece
 * @returns {Window}
 */
export function zoomed(seen, by, about_mm, piece) {
  const all_mm = topOf(piece);
  const long_mm = Math.min(all_mm, Math.max(piece.least_mm, (seen.high_mm - seen.low_mm) / by));
  const share = (about_mm - seen.low_mm) / (seen.high_mm - seen.low_mm);
  const inside = share >= 0 && share <= 1 ? share : 0.5;
  return moved(about_mm - inside * long_mm, long_mm, all_mm);
}

/** The same length, so that a height is in it. @param {Window} seen  @param {number} mm  @param {Piece} piece  @returns {Window} */
export function holding(seen, mm, piece) {
  if (mm >= seen.low_mm && mm <= seen.high_mm) return seen;
  const long_mm = seen.high_mm - seen.low_mm;
  return moved(mm - long_mm / 2, long_mm, topOf(piece));
}

/** @param {number} low_mm  @param {number} long_mm  @param {number} all_mm  @returns {Window} */
function moved(low_mm, long_mm, all_mm) {
  const low = Math.max(0, Math.min(low_mm, all_mm - long_mm));
  return { low_mm: low, high_mm: low + long_mm };
}

/** A little air above the part. @param {Piece} piece */
export function topOf(piece) {
  return piece.top_mm * 1.02;
}

/**
 * Where a stretch may lie, as far as its times are known; null where that adds nothing.
 * @param {Weathered} found  @param {WeatherStretch} stretch
 */
export function doubtOf(found, stretch) {
  const { first, last, from_mm, to_mm } = stretch;
  let low_mm = from_mm;
  let high_mm = to_mm;
  const begin_s = found.start_s[first] - found.uncertainty_s[first];
  const end_s = found.end_s[last] + found.uncertainty_s[last];
  for (let n = first; n >= 0 && found.piece[n] === stretch.piece && found.end_s[n] >= begin_s; n--) low_mm = found.height_mm[n];
  for (let n = last; n < found.piece.length && found.piece[n] === stretch.piece && found.start_s[n] <= end_s; n++) high_mm = found.height_mm[n];
  const doubt_mm = from_mm - low_mm + (high_mm - to_mm);
  return doubt_mm < Math.max(TOLD_MM, to_mm - from_mm) ? null : { low_mm, high_mm };
}

/**
 * What was told of the chamber while a stretch was laid, or shortly before, and may have
 * to do with it: no open door makes a layer too hot.
 * @param {Weathered} found  @param {WeatherStretch} stretch  @param {Story[]} stories
 */
export function toldThen(found, stretch, stories) {
  const begin_s = found.start_s[stretch.first] - found.uncertainty_s[stretch.first] - AFTER_S;
  const end_s = found.end_s[stretch.last] + found.uncertainty_s[stretch.last];
  const no_matter = stretch.side === "cold" ? WARMING : COOLING;
  return stories.filter(({ class: sort, kind, onset_at, end_at }) => {
    const onset_s = Date.parse(onset_at) / 1000;
    return sort !== "notice" && !no_matter.includes(kind) && onset_s <= end_s && (end_at === null || Date.parse(end_at) / 1000 >= begin_s);
  });
}

/**
 * The marks that events and notes leave on the ruler: what stands at nearly the same height
 * is one mark, of the gravest among it.
 * @param {Line[]} told  @param {Heights | null} heights  @param {Window} seen  @param {Place} y  @param {number} apart_px
 * @returns {{y: number, shape: string, text: string}[]}
 */
export function marksOf(told, heights, seen, y, apart_px) {
  const grave = ["note", "notice", "pause", "trouble", "supervisory", "alarm"];
  /** @type {{y: number, shape: string, text: string}[]} */
  const marks = [];
  told
    .map((line) => ({ line, mm: line.height_mm ?? heightAt(heights, line.at) }))
    .filter(({ mm }) => mm !== null && mm >= seen.low_mm && mm <= seen.high_mm)
    .sort((a, b) => Number(a.mm) - Number(b.mm))
    .forEach(({ line, mm }) => {
      const mark = { y: y(Number(mm)), shape: line.shape, text: line.text };
      const before = marks[marks.length - 1];
      if (!before || before.y - mark.y >= apart_px) marks.push(mark);
      else {
        before.text += `\n${mark.text}`;
        if (grave.indexOf(mark.shape) > grave.indexOf(before.shape)) before.shape = mark.shape;
      }
    });
  return marks;
}
