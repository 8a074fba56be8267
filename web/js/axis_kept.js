/** What is kept along a job's time: readings, finer where it is looked at closely, and the rest. */

import { useEffect, useMemo, useRef, useState } from "../vendor/preact-hooks.js";
import { get } from "./ask.js";
import { broken } from "./hour.js";

/** @typedef {import("./types.js").Film} Film */
/** @typedef {import("./types.js").Columns} Columns */
/** @typedef {import("./types.js").KeptPicture} KeptPicture */
/** @typedef {import("./types.js").Stages} Stages */
/** @typedef {import("./axis_view.js").View} View */
/** @typedef {Stages & {pictures: KeptPicture[], clips: Film[]}} Along */
/** @typedef {{from_s: number, to_s: number, columns: Columns, of: Columns}} Finer */

const POINTS = 1500;
const REST_MS = 150; // whoever turns a wheel asks once, when it rests
const BESIDE = 0.5; // of what is seen is fetched on either side as well, so that it can be dragged
const FINE_ENOUGH = 0.7; // of the whole: its own readings do
const COARSE = 5; // so many times what is seen: its readings are too few by now
/** @type {Along} */
const NOTHING = { stages: [], camera_paused: [], pictures: [], clips: [] };

/**
 * A job's readings, and finer ones of what is seen as soon as they are there.
 * @param {string} job  @param {Columns} columns  of the whole job  @param {View} view  @param {View} whole
 */
export function useReadings(job, columns, view, whole) {
  const [finer, setFiner] = useState(/** @type {Finer | null} */ (null));
  const [state, setState] = useState(/** @type {"" | "failed"} */ (""));
  const present = useRef(finer);
  present.current = finer;
  useEffect(() => {
    if (isFine(present.current, columns, view, whole)) return;
    let over = false;
    const timer = setTimeout(() => {
      const beside_s = BESIDE * (view.to_s - view.from_s);
      const from_s = Math.max(whole.from_s, view.from_s - beside_s);
      const to_s = Math.min(whole.to_s, view.to_s + beside_s);
      const stretch = `from=${from_s.toFixed(1)}&to=${to_s.toFixed(1)}&points=${POINTS}`;
      get(`/api/jobs/${encodeURIComponent(job)}/readings?${stretch}`).then(
        (answer) => {
          if (over) return; // of a stretch that nobody looks at any more
          setFiner({ from_s, to_s, columns: broken(answer), of: columns });
          setState("");
        },
        () => over || setState("failed"), // what is there stays drawn
      );
    }, REST_MS);
    return () => {
      over = true;
      clearTimeout(timer);
    };
  }, [job, columns, view.from_s, view.to_s]);
  const base = useMemo(() => broken(columns), [columns]);
  const merged = useMemo(() => merge(base, finer), [base, finer]);
  return { merged, state };
}

/** Whether what has been fetched shows a stretch finely. @param {Finer | null} finer  @param {Columns} columns  @param {View} view  @param {View} whole */
function isFine(finer, columns, view, whole) {
  const seen_s = view.to_s - view.from_s;
  if (seen_s > FINE_ENOUGH * (whole.to_s - whole.from_s)) return true;
  if (!finer || finer.of !== columns || finer.to_s - finer.from_s > COARSE * seen_s) return false;
  return finer.from_s <= view.from_s && finer.to_s >= view.to_s;
}

/** Readings of the whole with finer ones in their place. @param {Columns} base  @param {Finer | null} finer  @returns {Columns} */
export function merge(base, finer) {
  if (!finer || finer.columns.time_s.length === 0) return base;
  const begin = base.time_s.findIndex((t_s) => t_s >= finer.from_s);
  const end = base.time_s.findIndex((t_s) => t_s > finer.to_s);
  const before = begin < 0 ? base.time_s.length : begin;
  const after = end < 0 ? base.time_s.length : end;
  const nothing = finer.columns.time_s.map(() => null);
  /** @type {<V>(whole: V[], part: V[]) => V[]} */
  const joined = (whole, part) => [...whole.slice(0, before), ...part, ...whole.slice(after)];
  return {
    time_s: joined(base.time_s, finer.columns.time_s),
    sensors: Object.fromEntries(
      Object.entries(base.sensors).map(([name, column]) => [name, joined(column, finer.columns.sensors[name] ?? nothing)]),
    ),
  };
}

/**
 * What stands in the lanes, each as soon as it is there; asked for anew whenever `when`
 * changes. A lane of which nothing can be had stays away.
 * @param {string} job  @param {string} when  @param {string} state  of the job
 * @param {boolean} pictured  whether pictures and films are kept where this page is served
 * @returns {Along}
 */
export function useAlong(job, when, state, pictured) {
  const [along, setAlong] = useState(NOTHING);
  useEffect(() => {
    let over = false;
    const path = `/api/jobs/${encodeURIComponent(job)}`;
    const take = (/** @type {string} */ what, /** @type {(answer: any) => Partial<Along>} */ part) =>
      get(`${path}/${what}`).then(
        (answer) => over || setAlong((/** @type {Along} */ before) => ({ ...before, ...part(answer) })),
        () => undefined,
      );
    take("stages", (answer) => answer);
    if (pictured) take("pictures", ({ items }) => ({ pictures: inTime(items) }));
    if (pictured) take("clips", ({ items }) => ({ clips: items }));
    return () => {
      over = true;
    };
  }, [job, when, state, pictured]);
  return along;
}

/** @param {KeptPicture[]} pictures */
function inTime(pictures) {
  return [...pictures].sort((a, b) => Date.parse(a.at) - Date.parse(b.at));
}
