/** The lines of a hall's chambers: fetched once, then only those that have become another. */

import { useEffect, useReducer } from "../vendor/preact-hooks.js";
import { get } from "./ask.js";

/** @typedef {import("./types.js").HallRow} HallRow */
/** @typedef {import("./types.js").Now} Now */

const EVERY_MS = 1_000;
/** The order in which people want to see them. */
export const STANDINGS = ["danger", "alarm", "out_of_reach", "heed", "building", "calm", "ended"];

class Rows {
  constructor() {
    /** @type {Map<string, HallRow>} */
    this.by_key = new Map();
    this.revision = 0;
    this.come = false;
    this.failed = "";
    this.asking = false;
    /** @type {HallRow[] | null} */
    this.ordered = null;
    /** @type {Record<string, string>} */
    this.names = {};
  }

  /** Ask for what has changed; true if anything has. */
  async ask() {
    this.asking = true;
    try {
      const { revision, whole, items, gone } = await get(`/api/hall?after=${this.revision}`);
      const changed = whole || items.length > 0 || gone.length > 0 || !this.come || this.failed !== "";
      if (whole) this.by_key.clear();
      for (const row of items) this.by_key.set(row.chamber, row);
      for (const key of gone) this.by_key.delete(key);
      this.revision = revision;
      this.come = true;
      this.failed = "";
      if (changed) {
        this.ordered = null;
        if (whole || gone.length || items.some((/** @type {HallRow} */ row) => this.names[row.chamber] !== row.name)) {
          this.names = Object.fromEntries([...this.by_key.values()].map(({ chamber, name }) => [chamber, name]));
        }
      }
      return changed;
    } catch (error) {
      this.failed = error instanceof Error ? error.message : String(error);
      return true;
    } finally {
      this.asking = false;
    }
  }

  /** All of them, what needs somebody first. @returns {HallRow[]} */
  all() {
    this.ordered ??= [...this.by_key.values()].sort(
      (a, b) => STANDINGS.indexOf(a.standing) - STANDINGS.indexOf(b.standing) || a.name.localeCompare(b.name, undefined, { numeric: true }) || a.chamber.localeCompare(b.chamber),
    );
    return this.ordered;
  }
}

const rows = new Rows();

/** The rows, kept up while the page is seen and this is a hall's. @param {Now | null} now @returns {Rows} */
export function useRows(now) {
  const [, drawn] = useReducer((/** @type {number} */ n) => n + 1, 0);
  const revision = now?.hall?.revision;
  useEffect(() => {
    if (revision === undefined) return;
    let over = false;
    /** @type {number | undefined} */
    let timer;
    const ask = async () => {
      timer = undefined;
      if (document.hidden || rows.asking) return;
      const changed = await rows.ask();
      if (changed && !over) drawn(undefined);
      if (!over && rows.failed) timer = setTimeout(ask, EVERY_MS);
    };
    if (revision !== rows.revision || !rows.come) ask();
    const seen = () => document.hidden || timer !== undefined || ask();
    document.addEventListener("visibilitychange", seen);
    return () => {
      over = true;
      clearTimeout(timer);
      document.removeEventListener("visibilitychange", seen);
    };
  }, [revision]);
  return rows;
}
