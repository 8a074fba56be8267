/** The columns of the last hour: filled once from history, then kept up with what comes live. */

/** @typedef {import("./types.js").Columns} Columns */
/** @typedef {import("./types.js").Sensor} Sensor */

export const HOUR_S = 3600;
const LEAST_S = 600; // shown at least
const SLACK_S = 60; // thinning may drop so much at the beginning
const GAP_S = 20; // longer without a value: the line is broken
const KEPT_GAP_S = 30; // and of what is kept, three usual intervals: a silent sensor's measure

export class Hour {
  constructor() {
    /** @type {number[]} */
    this.time_s = [];
    /** @type {Map<string, (number | null)[]>} */
    this.sensors = new Map();
  }

  /**
   * Put history before what has come live since it was asked for.
   * @param {Columns} columns
   */
  fill(columns) {
    const live = { time_s: this.time_s, sensors: this.sensors };
    const last_s = columns.time_s.length ? columns.time_s[columns.time_s.length - 1] : -Infinity;
    const kept = broken(columns);
    this.time_s = kept.time_s;
    this.sensors = new Map(Object.entries(kept.sensors));
    live.time_s.forEach((t_s, i) => {
      if (t_s <= last_s) return;
      this.row(t_s, (name) => live.sensors.get(name)?.[i] ?? null, live.sensors.keys());
    });
  }

  /**
   * Take the sensors as they are now.
   * @param {number} t_s  seconds since the epoch
   * @param {Sensor[]} sensors
   * @param {number} [speed]  of the chamber's time: a second here is so many there
   */
  append(t_s, sensors, speed = 1) {
    const gap_s = GAP_S * Math.max(1, speed);
    const last_s = this.time_s[this.time_s.length - 1] ?? -Infinity;
    if (t_s <= last_s) return;
    if (t_s - last_s > gap_s && last_s > 0) this.row((last_s + t_s) / 2, () => null, []);
    const now = new Map(sensors.map((sensor) => [sensor.name, fresh(sensor, t_s, gap_s)]));
    this.row(t_s, (name) => now.get(name) ?? null, now.keys());
    const old = this.time_s.findIndex((at_s) => at_s >= t_s - HOUR_S - 60);
    if (old > 60) {
      this.time_s.splice(0, old);
      for (const column of this.sensors.values()) column.splice(0, old);
    }
  }

  /**
   * @param {number} t_s
   * @param {(name: string) => number | null} value
   * @param {Iterable<string>} names  of sensors that may be new
   */
  row(t_s, value, names) {
    for (const name of names) {
      if (!this.sensors.has(name)) this.sensors.set(name, this.time_s.map(() => null));
    }
    this.time_s.push(t_s);
    for (const [name, column] of this.sensors) column.push(value(name));
  }

  /** The column of a sensor, all null where nothing is known. @param {string} name */
  column(name) {
    return this.sensors.get(name) ?? this.time_s.map(() => null);
  }
}

/**
 * The same columns, with a row of nothing wherever readings were missing for long:
 * a line drawn across would tell of temperatures that nobody knows.
 * @param {Columns} columns  @returns {Columns}
 */
export function broken({ time_s, sensors }) {
  const steps = time_s.slice(1).map((t_s, i) => t_s - time_s[i]);
  const usual_s = [...steps].sort((a, b) => a - b)[steps.length >> 1] ?? 0;
  const gaps = new Set(steps.flatMap((step_s, i) => (step_s > Math.max(KEPT_GAP_S, 3 * usual_s) ? [i] : [])));
  const spread = (/** @type {any[]} */ list, /** @type {(i: number) => any} */ between) =>
    list.flatMap((value, i) => (gaps.has(i) ? [value, between(i)] : [value]));
  return {
    time_s: spread(time_s, (i) => (time_s[i] + time_s[i + 1]) / 2),
    sensors: Object.fromEntries(Object.entries(sensors).map(([name, list]) => [name, spread(list, () => null)])),
  };
}

/**
 * Where an hour's chart begins: an hour back, or where readings begin, but never
 * so late that noise fills the chart.
 * @param {number} now_s
 * @param {number | undefined} first_s  of the first reading that is known
 */
export function beginning(now_s, first_s) {
  const hour_s = now_s - HOUR_S;
  if (first_s === undefined || first_s < hour_s + SLACK_S) return hour_s;
  return Math.min(now_s - LEAST_S, first_s);
}

/** The value of a sensor if it is of about this moment. @param {Sensor} sensor @param {number} t_s @param {number} gap_s */
function fresh(sensor, t_s, gap_s) {
  const at_s = sensor.at ? Date.parse(sensor.at) / 1000 : -Infinity;
  return t_s - at_s < gap_s ? sensor.temperature_c : null;
}
