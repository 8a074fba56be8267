/**
 * What every page asks first, and what takes longest of the page that looks back, asked for
 * while the program of the page is still on its way; and so is what of the program only other
 * pages than the first need.
 */

const POINTS = 1500;
const WAIT_MS = 10_000;

/** @type {Map<string, Promise<Response>>} */
const asked = new Map();
const job = /^#\/jobs\/([^/?]+)(?:\?|$)/.exec(location.hash)?.[1];
const early = ["/api/session", "/api/now"];
if (job) {
  const path = `/api/jobs/${job}`;
  early.push(readingsOf(path), path, `/api/events?job=${job}&after=0&limit=1000`, `${path}/notes?&after=0&limit=1000`, `${path}/heights`);
}
for (const part of partsOf(location.hash.split("?")[0])) {
  const link = document.createElement("link");
  link.rel = "modulepreload";
  link.href = new URL(`../${part}`, import.meta.url).href;
  document.head.append(link);
}
for (const path of early) {
  // Readings are most, and are drawn last.
  const priority = path.includes("/readings") ? "low" : "auto";
  const answer = fetch(path, { priority, signal: AbortSignal.timeout(WAIT_MS) });
  answer.catch(() => undefined); // it is asked for again, and told then
  asked.set(path, answer);
}

/**
 * What of the program a page needs beside the first one's; a test holds it against what they import.
 * @param {string} page  @returns {string[]}
 */
export function partsOf(page) {
  if (page.startsWith("#/jobs/")) {
    const parts = ["list.js", "past.js"]; // in words first: its line of time follows
    return page.endsWith("/paper") ? [...parts, "hour.js", "vendor/uplot.js", "closer.js", "rest.js"] : parts;
  }
  if (page === "#/jobs") return ["list.js"];
  if (["#/people", "#/telephones", "#/watch"].includes(page)) return ["list.js", "people.js"];
  if (page.startsWith("#/setting-up")) return ["list.js", "setup.js"];
  if (page === "#/toolpaths") return ["list.js", "past.js", "closer.js"];
  return [];
}

/** The address of all readings of a job. @param {string} path  the job's */
export function readingsOf(path) {
  return `${path}/readings?points=${POINTS}`;
}

/**
 * What was asked for ahead, once; undefined where it wasn't, or went wrong.
 * @param {string} path  @returns {Promise<any>}
 */
export async function ahead(path) {
  const answer = asked.get(path);
  if (!answer) return undefined;
  asked.delete(path);
  try {
    const told = await answer;
    return told.ok ? await told.json() : undefined;
  } catch {
    return undefined; // as if it had not been asked for
  }
}
