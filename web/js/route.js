/** Which page is meant: kept in the address, so that it survives reloading and can be sent on. */

import { useEffect, useState } from "../vendor/preact-hooks.js";

/**
 * `unknown`: the address names no page, and this one is shown in its place.
 * @typedef {({page: "now"} | {page: "chamber", chamber: string} | {page: "people"} | {page: "setting-up"} | {page: "setup", step: string} | {page: "telephones"} | {page: "alarm-test"} | {page: "watch"} | {page: "toolpaths"} | {page: "jobs"} | {page: "job", job: string} | {page: "report", job: string}) & {unknown?: true}} Route
 */

const JOBS = "#/jobs";
const SETUP = "#/setting-up/";
const CHAMBERS = "#/chambers/";
/** Setting up, one thing a screen, in the order of doing it. */
export const STEPS = ["box", "sensors", "places", "switches", "camera", "people", "done"];

/** @param {string} hash  @returns {Route} */
export function route(hash) {
  const [path] = hash.split("?"); // what follows says what of a page is shown
  if (!path.startsWith("#/") || path === "#/") return { page: "now" };
  if (path.startsWith(CHAMBERS)) {
    const chamber = named(path.slice(CHAMBERS.length));
    return chamber ? { page: "chamber", chamber } : { page: "now", unknown: true };
  }
  if (path === "#/people") return { page: "people" };
  if (path === "#/telephones") return { page: "telephones" };
  if (path === "#/setting-up" || path === SETUP) return { page: "setting-up" };
  if (path.startsWith(SETUP)) {
    const step = path.slice(SETUP.length);
    return STEPS.includes(step) ? { page: "setup", step } : { page: "setting-up", unknown: true };
  }
  if (path === "#/alarm-test") return { page: "alarm-test" };
  if (path === "#/watch") return { page: "watch" };
  if (path === "#/toolpaths") return { page: "toolpaths" };
  if (path === JOBS || path === `${JOBS}/`) return { page: "jobs" };
  if (path.startsWith(`${JOBS}/`)) {
    const [first, ...more] = path.slice(JOBS.length + 1).split("/");
    const [job, part] = [named(first), more.join("/")];
    if (!job) return { page: "jobs", unknown: true };
    if (part === "paper") return { page: "report", job };
    return part ? { page: "job", job, unknown: true } : { page: "job", job };
  }
  return { page: "now", unknown: true };
}

/** "" for what can't be read: a broken address. @param {string} part */
function named(part) {
  try {
    return decodeURIComponent(part);
  } catch {
    return "";
  }
}

/** All of one chamber, where there are several. @param {string} chamber */
export function chamberAddress(chamber) {
  return `${CHAMBERS}${encodeURIComponent(chamber)}`;
}

/** @param {string} job */
export function jobAddress(job) {
  return `${JOBS}/${encodeURIComponent(job)}`;
}

/** One step of setting up. @param {string} step */
export function stepAddress(step) {
  return `${SETUP}${step}`;
}

/** The page for paper. @param {string} job */
export function paperAddress(job) {
  return `${jobAddress(job)}/paper`;
}

let turned = false;

/** Whether somebody has gone from one page to another since this was loaded. */
export function hasTurned() {
  return turned;
}

/** The page that the address names; a new one begins at its top. @returns {Route} */
export function useRoute() {
  const [hash, setHash] = useState(location.hash);
  useEffect(() => {
    let page = location.hash.split("?")[0];
    const turn = () => {
      turned = true;
      setHash(location.hash);
      const [next] = location.hash.split("?");
      if (next !== page && (!next || next.startsWith("#/"))) scrollTo(0, 0);
      page = next;
    };
    addEventListener("hashchange", turn);
    setHash(location.hash); // it may have changed since the page was first drawn
    return () => removeEventListener("hashchange", turn);
  }, []);
  return route(hash);
}
