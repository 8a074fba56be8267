/** What the page that looks back says along its time. */

export const A = {
  how: "Drag to move along. Pinch, or turn the wheel with Ctrl held, to come closer.",
  keys: "With keys: the arrows move the moment, with Shift held they move along, + and - come closer and go farther, 0 shows the whole job.",
  group: "The job along its time",
  closer: "Closer",
  farther: "Farther",
  all: "Whole job",
  earlier: "Earlier",
  later: "Later",
  /** @param {string} from  @param {string} to  @param {string} lasting */
  seen: (from, to, lasting) => `${from} to ${to}, ${lasting}`,
  with_cooling: " with the cooling",
  point: "Point at a moment, and all that is known of it stands here.",
  /** @param {string} name */
  no_value: (name) => `${name} no reading`,
  /** @param {string} figure */
  then: (figure) => ` (${figure} then)`,
  /** @param {string} low  @param {string} high */
  among: (low, high) => ` (sound jobs ${low} to ${high})`,
  /** @param {number} layer */
  layer: (layer) => `layer ${layer}`,
  /** @param {string} at */
  picture: (at) => `nearest picture ${at}`,
  not_finer: "Finer readings can't be had just now.",

  lanes: { stages: "phase", events: "events", pictures: "pictures", films: "films", height: "height" },
  stages: {
    warming: "warming up",
    soaking: "soaking",
    building: "building",
    paused: "paused",
    cooling: "cooling",
    unknown: "not known",
  },
  camera_paused: "camera paused",
  /** @param {string} what  @param {string} at */
  event: (what, at) => `${what}, ${at}`,
  /** @param {number} n  @param {string} from  @param {string} to */
  closer_to: (n, from, to) => `${n} events from ${from} to ${to}: come closer`,
  /** @param {string} at */
  open_picture: (at) => `Picture of ${at}`,
  /** @param {string} what  @param {string} at */
  open_film: (what, at) => `Film: ${what}, ${at}`,
  shut: "Put it away",
  /** @param {string} at */
  go: (at) => `Show ${at} on the line of time`,

  beside: "Beside it",
  nothing: "nothing",
  last: "the last sound job of this part",
  band: "the sound jobs of its material",
  working: "Working that out …",
  no_last: "No other job of this part is known to have come out sound, in this box.",
  no_band: "It takes three jobs of this material that came out sound, in this box.",
  dotted: "Dotted: the last sound job of this part,",
  /** @param {string} when */
  of: (when) => `of ${when}`,
  /** @param {number} n */
  shaded: (n) => `Shaded: from the lowest to the highest of the last ${n} sound jobs of this material, minute by minute.`,
  /** @param {number} n */
  shaded_many: (n) =>
    `Shaded: where the last ${n} sound jobs of this material lay, minute by minute, without the tenth that was coldest and the tenth that was warmest.`,
  aligned: {
    layer: "Drawn so that the first layers fall together; the time that each stood paused is left out.",
    steady: "Drawn so that the moments fall together at which each box was warm and steady; the time that each stood paused is left out.",
    start: "Drawn from the start of each; the time that each stood paused is left out.",
  },
};
