/** Small things this browser remembers for its reader; a browser that keeps nothing is no error. */

const PREFIX = "stillair.";

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

/** A list of strings kept under `key`; anything else there counts as none. @param {string} key @returns {string[]} */
export function recallList(key) {
  try {
    const list = JSON.parse(recall(key) ?? "[]");
    return Array.isArray(list) ? list.filter((entry) => typeof entry === "string") : [];
  } catch {
    return [];
  }
}
