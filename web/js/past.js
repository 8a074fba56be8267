/** What the service has kept: jobs, and the events of one. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { get } from "./ask.js";
import { S } from "./strings.js";
import { duration } from "./units.js";

/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").Story} Story */

const LIMIT = 1000;
const NEWEST = 300;
const MOST_PAGES = 20; // an event is revised every few seconds while it lasts

/**
 * All that a listing holds, page by page.
 * @param {string} path  with a question mark in it
 * @param {(item: any) => void} take
 * @param {number} [most]  pages
 */
export async function each(path, take, most = MOST_PAGES) {
  let after = 0;
  for (let page = 0; page < most; page++) {
    const { items, next } = await get(`${path}&after=${after}&limit=${LIMIT}`);
    items.forEach(take);
    if (next === null) return;
    after = next;
  }
}

/**
 * What is kept of the running job; asked for anew whenever `when` changes.
 * @template T
 * @param {string} job  its id, or nothing
 * @param {string} when
 * @param {(job: string) => Promise<T>} ask
 * @param {T} none  as long as nothing is known of this job
 * @returns {T}
 */
export function useOfJob(job, when, ask, none) {
  const [known, setKnown] = useState({ job: "", told: none });
  useEffect(() => {
    if (!job) return;
    let over = false;
    ask(job).then(
      (told) => over || setKnown({ job, told }),
      () => undefined, // out of touch or unreadable: both are told elsewhere
    );
    return () => {
      over = true;
    };
    // Not when the job alone changes: of a new one nothing is known, and it isn't kept yet.
  }, [when]);
  return known.job === job ? known.told : none;
}

/** When a job stood paused. @param {string} job @returns {Promise<import("./types.js").Pause[]>} */
export async function fetchPauses(job) {
  return (await get(`/api/jobs/${encodeURIComponent(job)}`)).pauses;
}

/** Every job, the newest first. @returns {Promise<Job[]>} */
export async function fetchJobs() {
  /** @type {Job[]} */
  const jobs = [];
  await each("/api/jobs?", (job) => jobs.push(job));
  return jobs.reverse();
}

/** The newest jobs of all, where there may be very many. @returns {Promise<Job[]>} */
export async function fetchNewestJobs() {
  return (await get(`/api/jobs?newest=true&limit=${NEWEST}`)).items.reverse();
}

/** The newest word on each event of a job, in order of their beginning. @param {string} job @returns {Promise<Story[]>} */
export async function fetchEvents(job) {
  /** @type {Map<number, Story>} */
  const events = new Map();
  await each(`/api/events?job=${encodeURIComponent(job)}`, (item) => events.set(item.event, item));
  return [...events.values()].sort((a, b) => a.onset_at.localeCompare(b.onset_at));
}

/**
 * A job's pauses, told as its events are: what happened while it stood still happened to it.
 * @param {import("./types.js").Pause[]} pauses  @param {string} now  @returns {Story[]}
 */
export function pauseStories(pauses, now) {
  return pauses.map(({ from_at, to_at, height_mm }, i) => {
    const lasting = duration((Date.parse(to_at ?? now) - Date.parse(from_at)) / 1000);
    return {
      event: -1 - i,
      kind: "pause",
      class: "pause",
      change: to_at ? "cleared" : "raised",
      onset_at: from_at,
      end_at: to_at,
      height_mm,
      text: to_at ? S.look_back.pause(lasting) : S.look_back.pause_goes_on(lasting),
    };
  });
}

/**
 * The events of a job with those of its chamber's last hour, which are newer than
 * what has been fetched: what goes on is told as it is now.
 * @param {Story[]} events  @param {Job} job  @param {Chamber | undefined} chamber
 */
export function upToNow(events, job, chamber) {
  if (chamber?.job?.id !== job.id) return events;
  const all = new Map(events.map((event) => [event.event, event]));
  for (const story of chamber.stories) {
    if (story.onset_at >= job.started_at && !all.get(story.event)?.end_at) all.set(story.event, story);
  }
  return [...all.values()].sort((a, b) => a.onset_at.localeCompare(b.onset_at));
}
