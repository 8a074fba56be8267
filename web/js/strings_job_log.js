/** What the page says of a job's log. Words of lists are the service's own. */

const FIELDS = {
  batch: "Batch of the material",
  dried_h: "Dried for, hours",
  dried_c: "Dried at, °C",
  humidity_percent: "Humidity of the room, %",
  hold: "What holds the part",
  held_since: "Renewed on",
  brim: "Brim",
  fan_percent: "Fan, %",
  nozzle_c: "Nozzle, °C",
  bed_c: "Bed, °C",
  toolpath: "Toolpath",
};

export const L = {
  ask: "How did it come out?",
  heading: "The job's log",
  pieces: "Pieces",
  no_pieces: "No piece is written down yet.",
  /** @param {number} n */
  piece: (n) => `Piece ${n}`,
  more: "One piece more",
  /** @param {number} n */
  gone: (n) => `Remove piece ${n} from the log`,
  where: "Place on the plate",
  nowhere: "not said",
  outcome: "Came out",
  /** @type {Record<import("./types.js").Outcome, string>} */
  words: { sound: "sound", flawed: "flawed", failed: "failed" },
  flaw: "What is wrong with it",
  /** A flaw's height to the layer, as it was told. @param {import("./types.js").Flaw} flaw */
  flawed: (flaw) =>
    [flaw.kind, flaw.height_mm !== null && `at ${flaw.height_mm}\u00a0mm`, flaw.place && `at the ${flaw.place}`].filter(Boolean).join(", ") +
    (flaw.text ? `: ${flaw.text}` : ""),
  kind: "Which flaw",
  height: "Height of it, in mm",
  height_wrong: "Give the height as a number of millimetres, such as 30.2, or leave it empty.",
  text: "In a few words",
  keep: "Keep",
  take_back: "Take back",
  cancel: "Leave it",

  prepared: "How it was prepared",
  fields: FIELDS,
  number_wrong: (/** @type {string} */ what) => `${what}: give a number, such as 6 or 55.5, or leave it empty.`,
  /** @param {string} name */
  last_time: (name) => `As last time (${name})`,
  kept: (/** @type {string} */ what) => `Kept: ${what}.`,
  took_back: (/** @type {string} */ what) => `Taken back: ${what}.`,
  filled: "Filled in as last time. Change what is different.",
  nothing: "Nobody has written anything down yet.",
  failed: "The log can't be fetched just now.",
  by: (/** @type {string} */ who) => `Last word by ${who}.`,

  photographs: "Photographs",
  add: "Add a photograph",
  adding: "The photograph is on its way",
  added: "The photograph is kept.",
  /** @param {number} n  @param {string} when */
  photograph: (n, when) => `Photograph ${n}, ${when}`,
  remove: "Remove",
  remove_really: "Remove this photograph for ever?",
  yes: "Yes, remove it",
  no: "No",

  /** @param {string} name */
  cooled: (name) => `${name} is over. How did it come out?`,
  whole: "Write down more",
};

/** Lists of words, in the service's own words. */
export const HOLDS = ["bare sheet", "textured sheet", "glue stick", "liquid adhesive", "slurry", "tape", "other"];
export const BRIMS = ["none", "brim", "raft", "corner discs"];
export const SPOTS = [
  "front left", "front middle", "front right",
  "middle left", "middle", "middle right",
  "back left", "back middle", "back right",
];
export const FLAWS = [
  "corner lifted",
  "came off the bed",
  "crack between layers",
  "weak between layers",
  "edge curled",
  "overhang sagged",
  "blob or string",
  "under-filled",
  "layer shifted",
  "surface rough",
  "size wrong",
];
