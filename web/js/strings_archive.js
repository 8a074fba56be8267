/** What the page says of taking the whole history out, and of bringing another one in. */

import { count as figure } from "./units.js";

/** @param {string} one  @param {string} many  @returns {(n: number) => string} */
const count = (one, many) => (n) => (n === 1 ? `one ${one}` : `${figure(n)} ${many}`);

export const M = {
  not_watched: "brought in, not watched here",
  left: "not watched here any more",
  brought: "Brought in, not watched here.",
  heading: "All that is kept, on another board",
  out_how: "One file with all jobs, events, readings, pictures and films, in a form that other programs read. No accounts and no addresses of people are in it. With years in it, it takes some minutes.",
  out: "Take everything out",
  in_how: "Such a file can be brought in beside what is here. What is here already stays as it is; nothing of it sounds, runs or is sent.",
  file: "File",
  key: "Under another key, such as old-bench, if a box here has the same",
  in: "Bring it in",
  on_its_way: "It is on its way. With years in it, this takes some minutes …",
  /** @param {string} added  @param {string} already */
  done: (added, already) => `Brought in: ${added}. Here already: ${already}.`,
  nothing: "nothing",
  /** @type {Record<string, (n: number) => string>} */
  of: {
    jobs: count("job", "jobs"),
    entries: count("entry", "entries"),
    readings: count("reading", "readings"),
    pictures: count("picture", "pictures"),
    films: count("film", "films"),
    toolpaths: count("toolpath", "toolpaths"),
    settings: count("change of settings", "changes of settings"),
  },
};
