/**
 * A page that goes on paper: light whatever the device is, and as wide as a sheet.
 *
 * A browser says so before it lays the sheets out, but tells nobody who measures: so what is
 * drawn to measure asks for `onPaper`, and is drawn once more for the sheet and after it.
 */

import { useEffect, useState } from "../vendor/preact-hooks.js";

const BOTH = ["beforeprint", "afterprint"];
const SHEET = "on-paper";

/** Do something when a page is about to go on paper, and again after it. Returns what ends that. @param {(event: Event) => void} work */
export function onPaper(work) {
  for (const turn of BOTH) addEventListener(turn, work);
  return () => {
    for (const turn of BOTH) removeEventListener(turn, work);
  };
}

/** True while the reader's screen is set to dark; paper never is. */
export function useDark() {
  const query = matchMedia("screen and (prefers-color-scheme: dark)");
  const [dark, setDark] = useState(query.matches);
  useEffect(() => {
    const turn = (/** @type {Event} */ event) => {
      const sheet = event.type === "beforeprint";
      if (event.type !== "change") document.documentElement.classList.toggle(SHEET, sheet);
      setDark(!sheet && query.matches);
    };
    query.addEventListener("change", turn);
    for (const each of BOTH) addEventListener(each, turn);
    return () => {
      query.removeEventListener("change", turn);
      for (const each of BOTH) removeEventListener(each, turn);
    };
  }, []);
  return dark;
}
