/** Which page is meant: kept in the address, so that it survives reloading and can be sent on. */

import { useEffect, useState } from "../vendor/preact-hooks.js";

/** @typedef {{page: "now"} | {page: "chamber", chamber: string} | {page: "people"} | {page: "setting-up"} | {page: "setup", step: string} | {page: "telephones"} | {page: "alarm-test"} | {page: "watch"} | {page: "toolpaths"} | {page: "jobs"} | {page: "job", job: string} | {page: "report", job: string}} Route */

const JOBS = "#/jobs";
const SETUP = "#/setting-up/";
const CHAMBERS = "#/chambers/";
/** Setting up, one thing a screen, in the order of doing it. */
export const STEPS = ["box", "sensors", "places", "switches", "camera", "people", "done"];

/** @param {string} hash  @returns {Route} */
export function route(hash) {
  if (hash.startsWith(CHAMBERS)) {
    const chamber = named(hash.slice(CHAMBERS.length).split("?")[0]);
    return chamber ? { page: "chamber", chamber } : { page: "now" };
  }
  if (hash === "#/people") return { page: "people" };
  if (hash === "#/telephones") return { page: "telephones" };
  if (hash === "#/setting-up") return { page: "setting-up" };
  if (hash.startsWith(SETUP)) {
    const step = hash.slice(SETUP.length).split("?")[0];
    return STEPS.includes(step) ? { page: "setup", step } : { page: "setting-up" };
  }
  if (hash === "#/alarm-test") return { page: "alarm-test" };
  if (hash === "#/watch") return { page: "watch" };
  if (hash === "#/toolpaths") return { page: "toolpaths" };
  if (hash === JOBS || hash === `${JOBS}/`) return { page: "jobs" };
  if (hash.startsWith(`${JOBS}/`)) {
    // What follows a question mark says which stretch of the job is shown.
    const [first, ...more] = hash.slice(JOBS.length + 1).split("?")[0].split("/");
    const job = named(first);
    return job ? { page: more.join("/") === "paper" ? "report" : "job", job } : { page: "jobs" };
  }
  return { page: "now" };
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
