/**
 * Where things stand in the cut through the box. Pure; lengths in units of the
 * drawing, which is 400 wide, y downwards.
 */

/** @typedef {import("./types.js").Sensor} Sensor */

export const VIEW = { width: 400, height: 404 };
export const OUTER = { left: 88, top: 12, right: 326, bottom: 336 };
const BED = { left: 134, right: 270, y: 284, thick: 9 };
const PART_WIDTH = 64;
const PART_MIDDLE = 199;
const RULE_LENGTH = 200; // of the ruler, above the bed
/** Rulers to choose from: how long, with a figure at every so many, in mm. */
const RULES_MM = [
  [10, 2],
  [20, 5],
  [40, 10],
  [80, 20],
  [150, 50],
  [300, 100],
  [600, 200],
  [1200, 400],
  [2400, 800],
];
const LABEL_PITCH = 40; // of two-line values beside the box
const TIGHT_PITCH = 17; // of one-line values, when there are many

/** Heights, from 0 at the floor to 1 at the lid, that a sensor's name tells. */
const HEIGHTS = /** @type {[RegExp, number][]} */ ([
  [/\b(top|lid|roof|ceiling|upper|high|highest)\b/i, 0.9],
  [/\b(middle|mid|centre|center|half)\b/i, 0.53],
  [/\b(bed ?side|beside|part)\b/i, 0.27],
  [/\b(low|lower|lowest|bottom|floor|base)\b/i, 0.1],
]);
/** How far from the left wall, from 0 to 1. */
const SIDES = /** @type {[RegExp, number][]} */ ([
  [/\bleft\b/i, 0.05],
  [/\b(right|door)\b/i, 0.9],
]);

/** Thickness of one layer of wall when there are `count`. @param {number} count */
export function layer(count) {
  return count === 1 ? 14 : count === 2 ? 8 : Math.max(3, 18 / count);
}

/** The inside of the box. @param {number} count  layers of wall */
export function inside(count) {
  const wall = layer(count) * Math.max(1, count);
  return {
    left: OUTER.left + wall,
    top: OUTER.top + wall,
    right: OUTER.right - wall,
    bottom: OUTER.bottom - wall,
  };
}

/**
 * Chamber sensors with the height their names tell; those whose names tell
 * nothing share the heights that are left, in order from the top.
 * @param {Sensor[]} sensors  of the chamber's air
 * @returns {{sensor: Sensor, share: number}[]}  highest first
 */
export function heights(sensors) {
  const told = sensors.map((sensor) => HEIGHTS.find(([name]) => name.test(sensor.name))?.[1]);
  const silent = told.filter((share) => share === undefined).length;
  let rank = 0;
  return sensors
    .map((sensor, i) => {
      const share = told[i] ?? 0.86 - (0.7 * ++rank) / (silent + 1);
      return { sensor, share };
    })
    .sort((a, b) => b.share - a.share);
}

/**
 * Push apart along a line: each at least `pitch` below the one before, all
 * within `low` and `high` where they fit.
 * @param {number[]} wanted  increasing
 * @param {number} pitch
 * @param {number} low
 * @param {number} high
 */
export function apart(wanted, pitch, low, high) {
  const placed = [...wanted];
  placed.forEach((y, i) => {
    placed[i] = Math.max(y, i ? placed[i - 1] + pitch : low);
  });
  let floor = high;
  for (let i = placed.length - 1; i >= 0; i--) {
    placed[i] = Math.min(placed[i], floor);
    floor = placed[i] - pitch;
  }
  return placed;
}

/**
 * Dots inside and values outside for the chamber's sensors.
 * @param {Sensor[]} sensors
 * @param {ReturnType<typeof inside>} box
 */
export function placed(sensors, box) {
  const rows = heights(sensors);
  const tight = rows.length * LABEL_PITCH > OUTER.bottom - OUTER.top;
  const pitch = tight ? TIGHT_PITCH : LABEL_PITCH;
  const dots = rows.map(({ sensor, share }) => {
    const side = SIDES.find(([name]) => name.test(sensor.name))?.[1];
    return {
      sensor,
      x: box.left + (side ?? 0.05) * (box.right - box.left),
      y: box.bottom - share * (box.bottom - box.top),
    };
  });
  const labels = apart(
    dots.map((dot) => dot.y),
    pitch,
    OUTER.top + 12,
    OUTER.bottom - 14,
  );
  return { tight, dots: dots.map((dot, i) => ({ ...dot, label_y: labels[i] })) };
}

/** The bed's plate. */
export function bed() {
  return BED;
}

/**
 * The part at its height with the ruler held to it.
 * @param {number} height_mm
 */
export function part(height_mm) {
  const [rule_mm, step_mm] =
    RULES_MM.find(([mm]) => mm >= height_mm * 1.1) ?? RULES_MM[RULES_MM.length - 1];
  const per_mm = RULE_LENGTH / rule_mm;
  const left = PART_MIDDLE - PART_WIDTH / 2;
  const y = (/** @type {number} */ mm) => BED.y - Math.min(mm, rule_mm) * per_mm;
  const steps = (/** @type {number} */ each) =>
    Array.from({ length: Math.floor(rule_mm / each) + 1 }, (_, n) => n * each);
  return {
    left,
    right: left + PART_WIDTH,
    bottom: BED.y,
    top: y(height_mm),
    rule_x: left - 12,
    rule_top: BED.y - RULE_LENGTH,
    ticks: steps(step_mm).map((mm) => ({ mm, y: y(mm) })),
    fine: steps(rule_mm / 20).map(y),
    y,
  };
}
