/** Chapters of a job's page, folded until somebody wants them; which are open stands in the link. */

import { useEffect, useRef, useState } from "../vendor/preact-hooks.js";
import { html } from "./html.js";
import { onPaper } from "./paper.js";

const OPEN = "open";
const AND = "."; // stands in an address as it is

/** The chapters that a link opens. @param {string} hash  @returns {string[]} */
export function opened(hash) {
  const names = new URLSearchParams(hash.split("?")[1] ?? "").get(OPEN) ?? "";
  return names.split(AND).filter(Boolean);
}

/** The same link with a chapter open, or folded. @param {string} hash  @param {string} name  @param {boolean} open */
export function linkWith(hash, name, open) {
  const [page, query = ""] = hash.split("?");
  const names = new Set(opened(hash));
  if (open) names.add(name);
  else names.delete(name);
  const parts = new URLSearchParams(query);
  parts.delete(OPEN);
  if (names.size) parts.set(OPEN, [...names].join(AND));
  return parts.size ? `${page}?${parts}` : page;
}

/**
 * What somebody may want to know next: its heading, and the gist of it where that can be said in
 * a line. All of it is there while it is folded, for who searches the page or puts it on paper.
 * @param {{name: string, kind: string, heading: string, gist?: unknown, children?: unknown}} props  `name` in the link
 */
export function Chapter({ name, kind, heading, gist, children }) {
  const place = useRef(/** @type {HTMLDetailsElement | null} */ (null));
  const on_paper = useRef(false);
  const [open] = useState(() => opened(location.hash).includes(name));
  useEffect(() => {
    const part = /** @type {HTMLDetailsElement} */ (place.current);
    const follow = () => {
      if (opened(location.hash).includes(name)) part.open = true;
    };
    let before = part.open;
    const over = onPaper((event) => {
      on_paper.current = event.type === "beforeprint";
      if (on_paper.current) before = part.open;
      part.open = on_paper.current || before;
    });
    addEventListener("hashchange", follow);
    return () => {
      over();
      removeEventListener("hashchange", follow);
    };
  }, []);
  const turned = () => {
    const part = place.current;
    if (!part || on_paper.current) return;
    const link = linkWith(location.hash, name, part.open);
    if (link !== location.hash) history.replaceState(history.state, "", link);
  };
  return html`<section class=${`chapter ${kind}`} aria-label=${heading}>
    <details ref=${place} open=${open} onToggle=${turned}>
      <summary><h2>${heading}</h2>${gist && html`<span class="gist">${gist}</span>`}</summary>
      ${children}
    </details>
  </section>`;
}
