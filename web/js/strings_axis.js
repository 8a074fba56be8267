/** What the page that looks back says along its time. */

export const A = {
  heading: "The whole job on one line of time",
  how: "Drag to move along. Pinch, or turn the wheel with Ctrl held, to come closer. With the keyboard: arrows move the moment, + and - come closer and go farther, Page up and Page down move along, 0 shows the whole job.",
  keys: "How to move",
  group: "The job along its time",
  closer: "Closer",
  farther: "Farther",
  all: "Whole job",
  earlier: "Earlier",
  later: "Later",
  /** @param {string} from  @param {string} to  @param {string} lasting */
  seen: (from, to, lasting) => `${from} to ${to}, ${lasting}`,
  point: "Point at a moment, and all that is known of it stands here.",
  /** @param {string} name */
  no_value: (name) => `${name} no reading`,
  /** @param {number} layer */
  layer: (layer) => `layer ${layer}`,
  /** @param {string} at */
  picture: (at) => `nearest picture ${at}`,
  fetching: "Fetching finer readings …",
  not_finer: "Finer readings can't be had just now.",

  lanes: { stages: "phase", events: "events", pictures: "pictures", clips: "clips", height: "height" },
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
  /** @param {number} n */
  many: (n) => `${n}`,
  /** @param {number} n  @param {string} from  @param {string} to */
  closer_to: (n, from, to) => `${n} events from ${from} to ${to}: come closer`,
  /** @param {string} at */
  open_picture: (at) => `Picture of ${at}`,
  /** @param {string} what  @param {string} at */
  open_clip: (what, at) => `Clip: ${what}, ${at}`,
  clip_kinds: { lapse: "the whole job, sped up", event: "around an event" },
  shut: "Put it away",
  /** @param {string} at */
  go: (at) => `Show ${at} on the line of time`,
  show: "Show it on the line of time",

  beside: "Beside it",
  nothing: "nothing",
  last: "the last sound job of this part",
  band: "the sound jobs of its material",
  working: "Working that out …",
};
