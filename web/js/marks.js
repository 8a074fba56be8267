/** What happened during the running job, each at the height the part had then. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { each } from "./past.js";

/** @typedef {import("./types.js").Chamber} Chamber */

/**
 * @typedef {object} Mark
 * @property {number} event
 * @property {string} kind
 * @property {string} class
 * @property {string} onset_at
 * @property {number} height_mm
 */

const MOST_PAGES = 5;

/**
 * The marks of the job, oldest first: those before the last hour are fetched
 * once, the others come with the state itself.
 * @param {Chamber} chamber
 * @param {number} joined
 * @returns {Mark[]}
 */
export function useMarks(chamber, joined) {
  const job = chamber.job?.id ?? "";
  const [before, setBefore] = useState(/** @type {Map<number, Mark>} */ (new Map()));
  useEffect(() => {
    setBefore(new Map());
    if (!job) return;
    let over = false;
    fetchMarks(job).then(
      (marks) => over || setBefore(marks),
      () => undefined, // those of the last hour are there all the same
    );
    return () => {
      over = true;
    };
  }, [job, joined]);
  if (!chamber.job) return [];
  const began = Date.parse(chamber.job.started_at);
  const marks = new Map(before);
  for (const story of chamber.stories) {
    if (Date.parse(story.onset_at) >= began) take(marks, story);
  }
  return [...marks.values()].sort((a, b) => a.onset_at.localeCompare(b.onset_at));
}

/** @param {string} job */
async function fetchMarks(job) {
  /** @type {Map<number, Mark>} */
  const marks = new Map();
  const path = `/api/events?job=${encodeURIComponent(job)}`;
  await each(path, (item) => take(marks, item), MOST_PAGES);
  return marks;
}

/** @param {Map<number, Mark>} marks  @param {any} story */
function take(marks, story) {
  if (story.class === "notice" || typeof story.height_mm !== "number") return;
  const { event, kind, onset_at, height_mm } = story;
  marks.set(event, { event, kind, class: story.class, onset_at, height_mm });
}
