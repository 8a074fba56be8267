/** Small things this browser remembers for its reader; a browser that keeps nothing is no error. */

const PREFIX = "stillair.";

/** What the service calls who needs no session. */
export const AT_THE_MACHINE = "this computer";

/** @param {string} key  @returns {string | null} */
export function recall(key) {
  try {
    return localStorage.getItem(PREFIX + key);
  } catch {
    return null;
  }
}

/** @param {string} key  @param {string} value */
export function keep(key, value) {
  try {
    localStorage.setItem(PREFIX + key, value);
  } catch {
    // Storage is switched off or full: the choice lasts as long as the page.
  }
}

/** Forget all that is kept under keys that begin so. @param {string} beginning */
export function forget(beginning) {
  try {
    for (const key of Object.keys(localStorage)) {
      if (key.startsWith(PREFIX + beginning)) localStorage.removeItem(key);
    }
  } catch {
    // Where nothing can be kept, nothing is.
  }
}

const SETUP = "setup-";
const WHOSE = `${SETUP}whose`;

/** What somebody chose in setting up is forgotten: it names people and how they are reached. */
export function forgetSetup() {
  forget(SETUP);
}

/**
 * What was chosen in setting up is this person's; what another one chose here before is forgotten.
 * Who had no name yet, at the machine itself, is whoever gets one here.
 * @param {string} name
 */
export function setupIsOf(name) {
  const whose = recall(WHOSE);
  if (whose === name) return;
  if (whose !== null && whose !== AT_THE_MACHINE) forgetSetup();
  keep(WHOSE, name);
}

/** A list of strings kept under `key`; anything else there counts as none. @param {string} key @returns {string[]} */
export function recallList(key) {
  try {
    const list = JSON.parse(recall(key) ?? "[]");
    return Array.isArray(list) ? list.filter((entry) => typeof entry === "string") : [];
  } catch {
    return [];
  }
}
