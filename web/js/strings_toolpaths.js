/** What the page says of toolpaths: sending them, what they build, which job follows which. */

export const G = {
  page: "Toolpaths",
  how: "Give Stillair the file by which a part is built, and it knows when which layer was laid. The file is read once and not kept; what it builds is.",
  loading: "Asking which toolpaths there are …",
  failed: "The toolpaths couldn't be fetched:",
  none: "None has been given yet.",

  send: "Send a toolpath",
  choose: "The file with the machine's G-code",
  send_it: "Send it",
  nothing_chosen: "Choose a file first.",
  no_answer: "The file didn't get through. See whether the service can be reached, and send it again.",
  /** @param {number} share */
  sending: (share) => `Sending, ${Math.floor(share * 100)} %`,
  viewer: "To send one, you have to be an operator; ask an owner.",

  waiting: "Waits to be read.",
  /** @param {number} share */
  reading: (share) => `Being read, ${Math.floor(share * 100)} %.`,
  /** @param {number | null} line  @param {string} reason */
  refused: (line, reason) => (line === null ? `It can't be read: ${reason}.` : `It can't be read. Line ${line}: ${reason}.`),
  /** @param {number} layers  @param {string} high  @param {string} lasting */
  builds: (layers, high, lasting) => `${layers} ${layers === 1 ? "layer" : "layers"}, ${high} high, about ${lasting} of motion`,
  /** @param {number} pieces */
  pieces: (pieces) => `${pieces} pieces one after the other`,
  spiral: "a wall that rises all the time",
  /** @param {string} wide  @param {string} deep */
  footprint: (wide, deep) => `On ${wide} by ${deep}`,
  /** @param {string} long */
  longest: (long) => `longest straight run ${long}`,
  /** @param {string} first  @param {string} rest */
  nozzle: (first, rest) => (first === rest ? `nozzle ${first}` : `nozzle ${first}, after the first layer ${rest}`),
  /** @param {string} at */
  bed: (at) => `bed ${at}`,
  /** @param {string} at */
  came: (at) => `Came ${at}.`,
  /** @param {number} n */
  followed: (n) => (n === 1 ? "One job followed it" : `${n} jobs followed it`),

  layers: "Layers",
  hide: "Put the layers away",
  /** @param {number} number  @param {number} all  @param {string} high */
  layer: (number, all, high) => `Layer ${number} of ${all}, ${high}`,
  /** @param {string} begin  @param {string} lasting */
  laid: (begin, lasting) => `laid ${begin} after the first motion, in ${lasting}`,
  /** @param {string} least */
  least: (least) => `covered again after ${least} at the soonest`,
  /** @param {number} share */
  fan: (share) => (share > 0 ? `fan at ${Math.round(share * 100)} %` : "no fan"),
  height: "Height in mm; or tap the ruler",
  outline: "Where road lies in this layer, from above",

  before: "Look before starting",
  put_away: "Hide what it says",
  loaded: "The material that is loaded",
  look: "Look",
  looking: "Looking …",
  no_remarks: "Nothing that commonly spoils such a job was found, with the chamber as it is now.",
  no_promise: "With the chamber as it is now, and as if the job began now. What is computed has a range; none of it is a promise.",
  would_help: "What would help:",
  start_with: "Start a job with this toolpath",
  /** @param {string} where */
  at_heights: (where) => `At ${where}.`,

  remove: "Remove",
  /** @param {string} name */
  remove_really: (name) => `Remove the toolpath ${name}? What it builds is forgotten.`,
  yes: "Yes, remove",
  no: "No",

  of_job: "Toolpath",
  follows: "The job followed",
  follows_now: "The job follows",
  /** @param {string} name */
  layers_of: (name) => `The layers of ${name}, one by one`,
  nothing: "none that is known",
  none_known: "Which one the job followed isn't known.",
  /** @param {string} name */
  job_followed: (name) => `The job followed the toolpath ${name}.`,
  /** @param {string} name */
  job_follows: (name) => `The job follows the toolpath ${name}.`,
  way: "All toolpaths",
};
