/** Keep the keyboard's place: when what has the focus goes away, the focus stays near. */

import { useEffect, useRef } from "../vendor/preact-hooks.js";

/**
 * A ref for a part of the page. When the focused element in it is taken away,
 * the focus goes to `near(gone)` instead of the top of the page.
 * @param {(gone: Element) => Element | null | undefined} near  where to; it has to take the focus
 */
export function useNear(near) {
  const place = useRef(/** @type {HTMLElement | null} */ (null));
  const where = useRef(near);
  where.current = near;
  useEffect(() => {
    const part = place.current;
    if (!part) return;
    /** @type {{element: Element, within: Element | null} | null} */
    let last = null;
    const came = (/** @type {FocusEvent} */ event) => {
      const element = /** @type {Element} */ (event.target);
      last = { element, within: element.closest("[data-near]") };
    };
    const check = () => {
      if (!last || last.element.isConnected || document.activeElement !== document.body) return;
      const { element, within } = last;
      last = null;
      const target = where.current(within ?? element);
      if (target instanceof HTMLElement) target.focus({ preventScroll: true });
    };
    const watcher = new MutationObserver(check);
    part.addEventListener("focusin", came);
    watcher.observe(part, { childList: true, subtree: true });
    return () => {
      part.removeEventListener("focusin", came);
      watcher.disconnect();
    };
  }, []);
  return place;
}
