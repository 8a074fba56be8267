/**
 * Where things stand in the cut through the box. Pure; lengths in units of the
 * drawing, which is 400 wide, y downwards.
 */

/** @typedef {import("./types.js").Sensor} Sensor */

export const VIEW_WIDTH = 400;
/** The room there is for the box; beside it stand values and words. */
const ROOM = { left: 88, top: 12, right: 326, bottom: 336 };
const BELOW = 68; // under the box, for the room's value and the key of the shading
const LEAST = { width: 150, height: 170 }; // inside; a flatter box leaves no place for what is in it
const BED = { width: 136, above: 36, thick: 9 };
const PART_WIDTH = 58;
const PART_OFF = -6; // from the middle, so that marks have room
const WORD_HALF = 9; // half as high as a line of small words
const RULE_LENGTH = 200; // of the ruler above the bed, where the box is high enough
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

/**
 * @typedef {object} Side
 * @property {number} left
 * @property {number} top
 * @property {number} right
 * @property {number} bottom
 *
 * @typedef {object} Box
 * @property {Side} outer
 * @property {Side} inner
 * @property {number} wall      thickness of all layers
 * @property {number} height    of the whole drawing
 * @property {boolean} to_scale  the inside is as wide and high as told
 */

/**
 * The box: as wide and as high as it is told to be inside, if it is told and
 * everything else still finds room in it.
 * @param {number} count  layers of wall
 * @param {number | null} [width_mm]
 * @param {number | null} [height_mm]
 * @returns {Box}
 */
export function boxOf(count, width_mm = null, height_mm = null) {
  const wall = layer(count) * Math.max(1, count);
  const most = {
    width: ROOM.right - ROOM.left - 2 * wall,
    height: ROOM.bottom - ROOM.top - 2 * wall,
  };
  let { width, height } = most;
  let to_scale = false;
  if (width_mm && height_mm) {
    const per_mm = Math.min(most.width / width_mm, most.height / height_mm);
    to_scale = width_mm * per_mm >= LEAST.width && height_mm * per_mm >= LEAST.height;
    if (to_scale) [width, height] = [width_mm * per_mm, height_mm * per_mm];
  }
  const left = ROOM.left + (most.width - width) / 2;
  const outer = {
    left,
    top: ROOM.top,
    right: left + width + 2 * wall,
    bottom: ROOM.top + height + 2 * wall,
  };
  const inner = {
    left: outer.left + wall,
    top: outer.top + wall,
    right: outer.right - wall,
    bottom: outer.bottom - wall,
  };
  return { outer, inner, wall, height: outer.bottom + BELOW, to_scale };
}

/**
 * Chamber sensors with the height at which they were placed, or which their names tell; those whose names tell
 * nothing share the heights that are left, in order from the top.
 * @param {Sensor[]} sensors  of the chamber's air
 * @returns {{sensor: Sensor, share: number}[]}  highest first
 */
export function heights(sensors) {
  const told = sensors.map((sensor) => sensor.drawn_at?.[1] ?? HEIGHTS.find(([name]) => name.test(sensor.name))?.[1]);
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
  const at = [...wanted];
  at.forEach((y, i) => {
    at[i] = Math.max(y, i ? at[i - 1] + pitch : low);
  });
  let floor = high;
  for (let i = at.length - 1; i >= 0; i--) {
    at[i] = Math.min(at[i], floor);
    floor = at[i] - pitch;
  }
  return at;
}

/**
 * Dots inside and values outside for the chamber's sensors.
 * @param {Sensor[]} sensors
 * @param {Box} box
 */
export function placed(sensors, { inner, outer }) {
  const rows = heights(sensors);
  const tight = rows.length * LABEL_PITCH > outer.bottom - outer.top;
  const pitch = tight ? TIGHT_PITCH : LABEL_PITCH;
  const dots = rows.map(({ sensor, share }) => {
    const side = sensor.drawn_at?.[0] ?? SIDES.find(([name]) => name.test(sensor.name))?.[1];
    return {
      sensor,
      x: inner.left + (side ?? 0.05) * (inner.right - inner.left),
      y: inner.bottom - share * (inner.bottom - inner.top),
    };
  });
  const labels = apart(
    dots.map((dot) => dot.y),
    pitch,
    outer.top + 12,
    outer.bottom - 14,
  );
  return { tight, dots: dots.map((dot, i) => ({ ...dot, label_y: labels[i] })) };
}

/** The bed's plate. @param {Box} box */
export function bed({ inner }) {
  const middle = (inner.left + inner.right) / 2;
  return {
    left: middle - BED.width / 2,
    right: middle + BED.width / 2,
    y: inner.bottom - BED.above,
    thick: BED.thick,
  };
}

/**
 * Where a word's middle goes so that the plate doesn't run through it: as it is wanted, else just above or below.
 * @param {number} y  @param {{y: number, thick: number}} plate  @returns {number}
 */
export function besidePlate(y, { y: top, thick }) {
  const middle = top + thick / 2;
  const apart_px = thick / 2 + WORD_HALF;
  if (Math.abs(y - middle) >= apart_px) return y;
  return y <= middle ? middle - apart_px : middle + apart_px;
}

/**
 * The part at its height with the ruler held to it.
 * @param {number} height_mm
 * @param {Box} box
 */
export function part(height_mm, box) {
  const plate = bed(box);
  const length = Math.min(RULE_LENGTH, plate.y - box.inner.top - 36);
  const [rule_mm, step_mm] =
    RULES_MM.find(([mm]) => mm >= height_mm * 1.1) ?? RULES_MM[RULES_MM.length - 1];
  const per_mm = length / rule_mm;
  const left = (plate.left + plate.right) / 2 + PART_OFF - PART_WIDTH / 2;
  const y = (/** @type {number} */ mm) => plate.y - Math.min(mm, rule_mm) * per_mm;
  const steps = (/** @type {number} */ each) =>
    Array.from({ length: Math.floor(rule_mm / each) + 1 }, (_, n) => n * each);
  return {
    left,
    right: left + PART_WIDTH,
    bottom: plate.y,
    top: y(height_mm),
    rule_x: left - 12,
    rule_top: plate.y - length,
    ticks: steps(step_mm).map((mm) => ({ mm, y: y(mm) })),
    fine: steps(rule_mm / 20).map(y),
    y,
  };
}

/**
 * What is said beside the part: events of one kind at nearly one height are one mark that says how
 * many they were, at the newest one's height and time; as many as have room, the newest of them.
 * @template {{kind: string, onset_at: string, y: number}} M
 * @param {M[]} marks  oldest first
 * @param {number} pitch  how far apart words stand at least
 * @param {number} low
 * @param {number} high
 * @returns {(M & {count: number, text_y: number})[]}  uppermost first
 */
export function gathered(marks, pitch, low, high) {
  /** @type {(M & {count: number})[]} */
  const kept = [];
  for (const mark of [...marks].reverse()) {
    const same = kept.find(({ kind, y }) => kind === mark.kind && Math.abs(y - mark.y) < pitch);
    if (same) same.count++;
    else kept.push({ ...mark, count: 1 });
  }
  const room = Math.max(1, Math.floor((high - low) / pitch) + 1);
  const shown = kept.slice(0, room).sort((a, b) => a.y - b.y);
  const at = apart(shown.map(({ y }) => y), pitch, low, high);
  return shown.map((mark, i) => ({ ...mark, text_y: at[i] }));
}
