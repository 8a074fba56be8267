/**
 * What takes longest of the page that looks back, asked for while the program of the page
 * is still on its way.
 */

const POINTS = 1500;

/** @type {Map<string, Promise<Response>>} */
const asked = new Map();
const job = /^#\/jobs\/([^/?]+)(?:\?|$)/.exec(location.hash)?.[1];
if (job) {
  const path = readingsOf(`/api/jobs/${job}`);
  const answer = fetch(path);
  answer.catch(() => undefined); // it is asked for again, and told then
  asked.set(path, answer);
}

/** The address of all readings of a job. @param {string} path  the job's */
export function readingsOf(path) {
  return `${path}/readings?points=${POINTS}`;
}

/**
 * What was asked for ahead, once; otherwise, and if that went wrong, what `ask` answers.
 * @param {string} path  @param {(path: string) => Promise<any>} ask
 */
export async function ahead(path, ask) {
  const early = asked.get(path);
  asked.delete(path);
  try {
    const answer = await early;
    if (answer?.ok) return await answer.json();
  } catch {
    // as if it had not been asked for
  }
  return ask(path);
}
