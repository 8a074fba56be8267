/**
 * Times, temperatures and durations as people read them: the one place that knows how a language
 * writes figures, dates and units.
 */

/** @typedef {import("./types.js").Unit} Unit */

export const LANGUAGE = "en-GB";

/**
 * A form of times, made when it is first used: each takes a telephone some 10 ms.
 * @param {Intl.DateTimeFormatOptions} how  @returns {() => Intl.DateTimeFormat}
 */
function form(how) {
  /** @type {Intl.DateTimeFormat | undefined} */
  let made;
  return () => (made ??= new Intl.DateTimeFormat(LANGUAGE, how));
}

const CLOCK = form({ hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
const SECOND = form({ hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" });
const DAY = form({ day: "numeric", month: "short" });

/** @param {string | number | Date} at  @returns {string} "14:05", in the reader's zone */
export function clock(at) {
  return CLOCK().format(new Date(at));
}

/** @param {string | number | Date} at  @returns {string} "14:05:30", in the reader's zone */
export function second(at) {
  return SECOND().format(new Date(at));
}

const NEAR_MS = 12 * 3600 * 1000; // within this a time of day says enough

/**
 * "14:05", and when that is long from `now` "24 Nov, 14:05".
 * @param {string | number | Date} at
 * @param {string | number | Date} now
 */
export function moment(at, now) {
  const then = new Date(at);
  const near = Math.abs(new Date(now).getTime() - then.getTime()) < NEAR_MS;
  return near ? clock(then) : `${day(then)}, ${clock(then)}`;
}

/** "25 Nov 2026, 14:05". @param {string | number | Date} at */
export function whole(at) {
  const then = new Date(at);
  return `${day(then)}\u00a0${then.getFullYear()}, ${clock(then)}`;
}

/** "25 Nov", on one line. @param {Date} at */
function day(at) {
  return DAY().format(at).replace(" ", "\u00a0");
}

/** The name of the reader's zone, "Europe/Berlin". */
export function zone() {
  return CLOCK().resolvedOptions().timeZone;
}

/**
 * "8 s", "1 min 30 s", "31 min", "2 h 5 min"; each figure keeps its unit on its line.
 * @param {number} seconds
 */
export function duration(seconds) {
  const whole_s = Math.max(0, Math.round(seconds));
  if (whole_s < 60) return `${whole_s}\u00a0s`;
  if (whole_s < 600) return pair(Math.floor(whole_s / 60), "min", whole_s % 60, "s");
  const whole_min = Math.round(whole_s / 60);
  if (whole_min < 60) return `${whole_min}\u00a0min`;
  return pair(Math.floor(whole_min / 60), "h", whole_min % 60, "min");
}

/** "less than a minute", "35 min", "3 h 5 min", "12 days": how long ago, where seconds say nothing. @param {number} ms */
export function age(ms) {
  const whole_min = Math.max(0, Math.floor(ms / 60_000));
  if (whole_min < 1) return "less than a minute";
  if (whole_min < 60) return `${whole_min}\u00a0min`;
  if (whole_min < 2880) return pair(Math.floor(whole_min / 60), "h", whole_min % 60, "min");
  return `${Math.floor(whole_min / 1440)}\u00a0days`;
}

/** "1,204" @param {number} n */
export function count(n) {
  return n.toLocaleString(LANGUAGE);
}

/** @param {number} large @param {string} unit @param {number} small @param {string} smaller */
function pair(large, unit, small, smaller) {
  return `${large}\u00a0${unit}${small ? `\u00a0${small}\u00a0${smaller}` : ""}`;
}

/** @param {number} temperature_c  @param {Unit} unit  @returns {number} */
export function inUnit(temperature_c, unit) {
  return unit === "f" ? temperature_c * 1.8 + 32 : temperature_c;
}

/** @param {Unit} unit */
export function symbol(unit) {
  return unit === "f" ? "°F" : "°C";
}

/**
 * "46.2", without its unit: where the unit stands beside a whole group.
 * @param {number} temperature_c
 * @param {Unit} unit
 */
export function figure(temperature_c, unit) {
  const value = inUnit(temperature_c, unit).toFixed(1);
  return value === "-0.0" ? "0.0" : value.replace("-", "−");
}

/** "46.2 °C", on one line. @param {number} temperature_c @param {Unit} unit */
export function temperature(temperature_c, unit) {
  return `${figure(temperature_c, unit)}\u00a0${symbol(unit)}`;
}

/** A number as people type it, "12.4" or "12,4"; NaN for anything else. @param {string} text */
export function typed(text) {
  return text.trim() ? Number(text.trim().replace(",", ".")) : NaN;
}

/** "19 mm", below 10 mm a tenth finer. @param {number} height_mm */
export function height(height_mm) {
  return `${height_mm < 9.95 ? height_mm.toFixed(1) : height_mm.toFixed(0)}\u00a0mm`;
}

/**
 * Words of the service, which speaks Celsius, in the reader's unit; figures keep
 * their unit on the same line.
 * @param {string} text
 * @param {Unit} unit
 */
export function words(text, unit) {
  return text
    .replace(/([-−]?\d+(?:\.\d+)?) °C/g, (_, value) =>
      temperature(Number(value.replace("−", "-")), unit),
    )
    .replace(/(\d{4}-\d\d-\d\d) (\d\d:\d\d) UTC/g, (_, date, time) => `${whole(`${date}T${time}Z`)} (${zone()})`)
    .replace(/(\d) (mm|s|min|h|MB|GB|%)(?![\w/])/g, "$1\u00a0$2")
    .replace(/(h|min) (?=\d+\u00a0(?:min|s)\b)/g, "$1\u00a0")
    .replace(/((?:\d+(?:\.\d+)? to )?\d+(?:\.\d+)?) degrees/g, (_, range) => {
      const shown = range.replace(/[\d.]+/g, (/** @type {string} */ k) => (unit === "f" ? (Number(k) * 1.8).toFixed(1) : k));
      return `${shown}\u00a0degrees`;
    });
}
