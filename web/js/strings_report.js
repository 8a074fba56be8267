/** What the page for paper says. */

import { duration, height } from "./units.js";

/** @param {number} n  @param {string} one  @param {string} many */
const count = (n, one, many) => (n === 1 ? `one ${one}` : `${n} ${many}`);

export const R = {
  paper: "Page for paper",
  take: "All of it as one file",
  readings: "Its readings alone, as a table for other programs",
  take_what: "Readings, events, settings and pictures, without names and addresses.",
  back: "Back to the job",
  print: "Put it on paper",
  loading: "Fetching the job …",
  failed: "This job can't be put on paper just now.",
  missing: (/** @type {string} */ what) => `${what} couldn't be fetched, and is missing here.`,

  /** @param {string} material  @param {string} batch */
  of: (material, batch) => (material ? `Of ${material}${batch ? `, batch ${batch}` : ""}. ` : batch ? `Batch ${batch}. ` : ""),
  /** @param {string} machine  @param {string} box */
  where: (machine, box) => `${machine ? `On ${machine}, in` : "In"} ${box}. `,
  /** @param {string} begun  @param {string} done  @param {string} lasting */
  when: (begun, done, lasting) => (done ? `From ${begun} to ${done}, ${lasting}` : `Begun ${begun}, ${lasting} so far`),
  /** @param {number} n  @param {string} lasting */
  paused: (n, lasting) => `, ${lasting} of it paused${n > 1 ? ` (${n} times)` : ""}`,
  reached: (/** @type {number} */ mm) => `The part is ${height(mm)} high. `,
  runs: "The job isn't over: this is what is known so far.",

  came_out: "How it came out",
  /** @type {Record<string, string>} */
  outcome: { sound: "The part came out sound.", flawed: "The part came out flawed.", failed: "The part failed." },
  unsaid: "Nobody has said how the part came out.",
  pieces: ["Piece", "Place on the plate", "Came out", "What is wrong"],
  temperatures: "Temperatures",
  phases: "How it went",
  /** @param {number} s */
  soaked: (s) => `Warm and steady ${duration(s)} after the beginning.`,
  /** @param {number} s  @param {number | null} first_s */
  done: (s, first_s) => `The machine was done ${duration(s)} after the beginning${first_s === null ? "" : `: warming up and soaking took ${duration(first_s)}, building ${duration(s - first_s)}`}.`,
  /** @param {number} s */
  cooled: (s) => `Cool enough for the part ${duration(s)} after that.`,
  happened: "What happened, at which height of the part",
  columns: ["Height", "When", "What"],
  unknown: "–",
  nothing: "Nothing happened that is worth a line.",
  more: (/** @type {number} */ n) => `${count(n, "line", "lines")} more on the job's own page.`,
  layers: "Layers that were too cold or too hot",
  layers_how: "By a model of how each layer cooled: a hint where to look, and no proof.",
  /** @param {string} from  @param {string} to  @param {string} text */
  stretch: (from, to, text) => `${from} to ${to}: ${text}`,
  unsure: "Within the model's uncertainty.",
  box: "What the chamber said afterwards",
  log: "How it was prepared",
  settings: "The settings it ran under",
  /** @param {string} target  @param {string} limit  @param {string} walls */
  chamber: (target, limit, walls) => `${target ? `Target ${target}, limit` : "No target; limit"} ${limit}. The box is of ${walls}.`,
  sensors: ["Sensor", "Where", "Correction"],
  place: /** @type {Record<string, string>} */ ({ chamber: "air of the chamber", room: "room", bed: "bed", electronics: "electronics" }),
  none: "none",
  contacts: (/** @type {string} */ names) => `Switches: ${names}.`,
  changed: (/** @type {number} */ n) => `They were changed during the job: ${n} sets in all, of which this is the first.`,
  not_kept: "The job is older than the record of settings: only a mark of them is kept, and not what they were.",
  settings_short: "Kept with the job: these, and every number and choice of the chamber's file. Addresses, passwords and people are not.",
  pictures: "Pictures",
  photograph: "Photograph",
  no_pictures: "No picture of this job is kept.",
  /** @param {number} n */
  few: (n) => `${count(n, "picture", "pictures")} more on the job's own page.`,
  notes: "Notes",
  /** @param {string} version  @param {string} id  @param {string} zone  @param {string} at  @param {string} address */
  foot: (version, id, zone, at, address) => `Stillair ${version}. Job ${id}. Times are those of ${zone}. Put on paper ${at}, from ${address}.`,
};
