/**
 * What every page asks first, and what takes longest of the page that looks back, asked for
 * while the program of the page is still on its way; and so is what of the program only other
 * pages than the first need.
 */

const POINTS = 1500;

/** @type {Map<string, Promise<Response>>} */
const asked = new Map();
const job = /^#\/jobs\/([^/?]+)(?:\?|$)/.exec(location.hash)?.[1];
const early = ["/api/session"];
if (job) {
  const path = `/api/jobs/${job}`;
  early.push(readingsOf(path), path, `/api/events?job=${job}&after=0&limit=1000`, `${path}/notes?&after=0&limit=1000`, `${path}/heights`);
}
if (location.hash.startsWith("#/") && location.hash !== "#/") {
  for (const part of job ? ["rest.js", "hour.js", "vendor/uplot.js"] : ["rest.js"]) {
    const link = document.createElement("link");
    link.rel = "modulepreload";
    link.href = new URL(`../${part}`, import.meta.url).href;
    document.head.append(link);
  }
}
for (const path of early) {
  const answer = fetch(path);
  answer.catch(() => undefined); // it is asked for again, and told then
  asked.set(path, answer);
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
