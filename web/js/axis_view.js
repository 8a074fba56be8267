/**
 * Which stretch of a job is looked at: brought closer, moved, and kept in the address, so
 * that a link shows the same. All but `useView` is pure.
 */

import { useCallback, useEffect, useMemo, useRef, useState } from "../vendor/preact-hooks.js";
import { linkWith, opened } from "./chapters.js";
import { jobAddress } from "./route.js";

/** Seconds since the epoch. @typedef {{from_s: number, to_s: number}} View */
/** `view` is null for the whole job; `sought` counts the moments that were looked for. @typedef {{view: View | null, at_s: number | null, sought: number}} Shown */

/**
 * What is shown of a job, and how to show something else.
 * @typedef {object} Axis
 * @property {View | null} view  null while nothing is known
 * @property {number | null} at_s  the moment that is marked
 * @property {number} sought     how often `look` was asked
 * @property {(move: (view: View, whole: View) => View) => void} change  from how it is by now
 * @property {(view: View) => void} setView
 * @property {() => void} showAll
 * @property {(at_s: number | null) => void} mark
 * @property {() => number | null} marked  the moment that is marked by now, though the last frame may not show it yet
 * @property {(at_s: number) => void} look  bring a moment into the view, and mark it
 */

const FROM = "from";
const TO = "to";
const BESIDE = "beside";
const LEAST_S = 20; // nothing is known finer than each second
const NEAR_S = 1800; // a moment that is sought is shown with so much around it
const ADDRESS_MS = 250;

/** A stretch moved into another, and no longer than that. @param {View} view  @param {View} whole  @returns {View} */
export function within(view, whole) {
  const most_s = whole.to_s - whole.from_s;
  const long_s = Math.min(most_s, Math.max(LEAST_S, view.to_s - view.from_s));
  const from_s = Math.min(Math.max(view.from_s, whole.from_s), whole.to_s - long_s);
  return { from_s, to_s: from_s + long_s };
}

/**
 * Closer (a factor below 1) or farther, while a moment stays where it is.
 * @param {View} view  @param {View} whole  @param {number} factor  @param {number} [about_s]
 */
export function zoomed(view, whole, factor, about_s = (view.from_s + view.to_s) / 2) {
  const long_s = Math.max(LEAST_S, (view.to_s - view.from_s) * factor);
  const from_s = about_s - long_s * share(view, about_s);
  return within({ from_s, to_s: from_s + long_s }, whole);
}

/** Later by a share of what is seen; earlier if that is below 0. @param {View} view  @param {View} whole  @param {number} by */
export function panned(view, whole, by) {
  const by_s = by * (view.to_s - view.from_s);
  return within({ from_s: view.from_s + by_s, to_s: view.to_s + by_s }, whole);
}

/** A stretch in which a moment can be seen well. @param {View} view  @param {View} whole  @param {number} at_s */
export function around(view, whole, at_s) {
  const long_s = Math.min(view.to_s - view.from_s, NEAR_S);
  const place = share(view, at_s);
  if (long_s === view.to_s - view.from_s && place > 0.1 && place < 0.9) return view;
  return within({ from_s: at_s - long_s / 2, to_s: at_s + long_s / 2 }, whole);
}

/** Where in a stretch a moment lies, 0 to 1. @param {View} view  @param {number} at_s */
export function share(view, at_s) {
  return (at_s - view.from_s) / (view.to_s - view.from_s);
}

/** Whether all of it is seen. @param {View} view  @param {View} whole */
export function isWhole(view, whole) {
  return view.from_s <= whole.from_s + 0.5 && view.to_s >= whole.to_s - 0.5;
}

/** The end of an address that says what is shown. @param {{view: View | null, at_s: number | null}} shown  @param {string} [beside]  what it is held against */
export function written({ view, at_s }, beside = "") {
  const parts = new URLSearchParams();
  if (view) {
    parts.set(FROM, view.from_s.toFixed(0));
    parts.set(TO, view.to_s.toFixed(0));
  }
  if (at_s !== null) parts.set("at", at_s.toFixed(0));
  if (beside) parts.set(BESIDE, beside);
  const words = parts.toString();
  return words && `?${words}`;
}

/** What an address says the job is held against. @param {string} hash  @returns {"" | "last" | "band"} */
export function readBeside(hash) {
  const word = new URLSearchParams(hash.split("?")[1] ?? "").get(BESIDE);
  return word === "last" || word === "band" ? word : "";
}

/** What an address says is shown; what can't be read counts as not said. @param {string} hash  @returns {Shown} */
export function read(hash) {
  const parts = new URLSearchParams(hash.includes("?") ? hash.slice(hash.indexOf("?") + 1) : "");
  const second = (/** @type {string} */ name) => {
    const text = parts.get(name);
    return text !== null && /^\d{1,11}$/.test(text) ? Number(text) : null;
  };
  const [from_s, to_s] = [second(FROM), second(TO)];
  const view = from_s !== null && to_s !== null && from_s < to_s ? { from_s, to_s } : null;
  return { view, at_s: second("at"), sought: 0 };
}

/**
 * What is shown of a job. `setView` and `look` may be handed to whatever is drawn along the
 * same time.
 * @param {string} job  @param {View | null} whole  null while it isn't known
 * @param {string} [beside]  kept in the address as well  @returns {Axis}
 */
export function useView(job, whole, beside = "") {
  const [shown, setShown] = useState(() => read(location.hash));
  const latest = useRef({ shown, whole });
  latest.current = { shown: latest.current.shown, whole };
  const frame = useRef(0);
  // However many steps a wheel or finger makes between two frames, the page is drawn once.
  const show = useCallback((/** @type {Shown} */ next) => {
    latest.current.shown = next;
    frame.current ||= requestAnimationFrame(() => {
      frame.current = 0;
      setShown(latest.current.shown);
    });
  }, []);
  const acts = useMemo(() => {
    /** The whole view as it is now, which the last frame may not show yet. @returns {View | null} */
    const present = () => {
      const { shown: now, whole: all } = latest.current;
      return all && (now.view ? within(now.view, all) : all);
    };
    /** @param {(view: View, whole: View) => View} move */
    const change = (move) => {
      const [view, all] = [present(), latest.current.whole];
      if (!view || !all) return;
      const next = within(move(view, all), all);
      show({ ...latest.current.shown, view: isWhole(next, all) ? null : next });
    };
    return {
      change,
      setView: (/** @type {View} */ view) => change(() => view),
      showAll: () => show({ ...latest.current.shown, view: null }),
      marked: () => latest.current.shown.at_s,
      mark: (/** @type {number | null} */ at_s) => show({ ...latest.current.shown, at_s }),
      look: (/** @type {number} */ at_s) => {
        change((view, all) => around(view, all, at_s));
        show({ ...latest.current.shown, at_s, sought: latest.current.shown.sought + 1 });
      },
    };
  }, []);
  useEffect(() => {
    const turn = () => show(read(location.hash));
    addEventListener("hashchange", turn);
    return () => {
      removeEventListener("hashchange", turn);
      cancelAnimationFrame(frame.current);
    };
  }, []);
  useEffect(() => {
    const timer = setTimeout(() => {
      const page = jobAddress(job);
      const here = location.hash.split("?")[0] === page; // or somebody has turned the page
      const wanted = opened(location.hash).reduce((link, name) => linkWith(link, name, true), page + written(shown, beside));
      if (here && location.hash !== wanted) history.replaceState(history.state, "", wanted);
    }, ADDRESS_MS);
    return () => clearTimeout(timer);
  }, [job, shown, beside]);
  const view = whole && (shown.view ? within(shown.view, whole) : whole);
  return { view, at_s: shown.at_s, sought: shown.sought, ...acts };
}
