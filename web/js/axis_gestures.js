/** How a hand moves along a job's time: wheel, drag, pinch, double tap and keys. */

import { useEffect, useRef, useState } from "../vendor/preact-hooks.js";
import { panned, within, zoomed } from "./axis_view.js";

/** @typedef {import("./axis_view.js").View} View */
/** @typedef {import("./axis_view.js").Axis} Axis */
/** @typedef {{left: number, right: number, width: number}} Laid */

const DRAG_PX = 5; // less is a tap by a hand that shakes
const WHEEL = 0.0022; // of a factor's logarithm, for each pixel a wheel turns
const LINE_PX = 30; // of a wheel that counts in lines
const KEY_STEP = 0.01;
const KEY_PAN = 0.25;
const DOUBLE = 0.4;

/**
 * A plain wheel scrolls the page; with Ctrl held, which is also what a pinch on a touchpad
 * says, it comes closer, and sideways it moves along.
 * @param {{axis: Axis, view: View, whole: View, laid: Laid}} props
 */
export function useGestures({ axis, view, whole, laid }) {
  const ref = useRef(/** @type {HTMLElement | null} */ (null));
  const [hover_s, setHover] = useState(/** @type {number | null} */ (null));
  const [spoken, setSpoken] = useState(false);
  const latest = useRef({ axis, view, whole, laid });
  latest.current = { axis, view, whole, laid };
  useEffect(() => {
    const place = ref.current;
    return place ? listen(place, latest, setHover, setSpoken) : undefined;
  }, []);
  const key = (/** @type {KeyboardEvent} */ event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const act = keyed(event.key, event.shiftKey, latest.current);
    if (!act) return;
    event.preventDefault();
    setSpoken(true);
    setHover(null);
    act();
  };
  return { ref, key, spoken, hover_s };
}

/**
 * What a key does, if it does anything.
 * @param {string} key  @param {boolean} shift
 * @param {{axis: Axis, view: View, whole: View}} now
 */
function keyed(key, shift, { axis, view, whole }) {
  const long_s = view.to_s - view.from_s;
  const marked = axis.marked(); // two keys may come within one frame
  const at_s = marked !== null && marked >= view.from_s && marked <= view.to_s ? marked : null;
  const zoom = (/** @type {number} */ factor) => () => axis.change((now, all) => zoomed(now, all, factor, at_s ?? undefined));
  const pan = (/** @type {number} */ by) => () => axis.change((now, all) => panned(now, all, by));
  const step = (/** @type {number} */ by) => () => {
    const next_s = at_s === null ? view.from_s + long_s / 2 : at_s + by * long_s;
    const next = Math.min(whole.to_s, Math.max(whole.from_s, next_s));
    if (next < view.from_s || next > view.to_s) axis.change((now, all) => panned(now, all, by < 0 ? -KEY_PAN : KEY_PAN));
    axis.mark(next);
  };
  if (key === "ArrowLeft") return shift ? pan(-KEY_PAN) : step(-KEY_STEP);
  if (key === "ArrowRight") return shift ? pan(KEY_PAN) : step(KEY_STEP);
  if (key === "+" || key === "=") return zoom(0.5);
  if (key === "-" || key === "_") return zoom(2);
  if (key === "0") return axis.showAll;
  if (key === "Escape" && marked !== null) return () => axis.mark(null);
  return null;
}

/**
 * @param {HTMLElement} place
 * @param {{current: {axis: Axis, view: View, whole: View, laid: Laid}}} latest
 * @param {(at_s: number | null) => void} setHover  @param {(spoken: boolean) => void} setSpoken
 */
function listen(place, latest, setHover, setSpoken) {
  /** Fingers, or the mouse while it is pressed, by where they are. @type {Map<number, number>} */
  const down = new Map();
  /** @type {{view: View, from: number[]} | null} */
  let grip = null;
  let dragged = false;
  let frame = 0;

  const plotLeft = () => place.getBoundingClientRect().left + latest.current.laid.left;
  const timeAt = (/** @type {number} */ x, view = latest.current.view) =>
    view.from_s + ((x - plotLeft()) / latest.current.laid.width) * (view.to_s - view.from_s);
  const bounded = (/** @type {number} */ at_s) => {
    const { view } = latest.current;
    return Math.min(view.to_s, Math.max(view.from_s, at_s));
  };
  const take = () => (grip = down.size ? { view: latest.current.view, from: [...down.values()] } : null);

  const wheel = (/** @type {WheelEvent} */ event) => {
    const unit = event.deltaMode === 1 ? LINE_PX : 1;
    const { axis } = latest.current;
    if (event.ctrlKey || event.metaKey) {
      event.preventDefault();
      const about_s = bounded(timeAt(event.clientX));
      axis.change((view, whole) => zoomed(view, whole, Math.exp(event.deltaY * unit * WHEEL), about_s));
      return;
    }
    const along = event.deltaX || (event.shiftKey ? event.deltaY : 0);
    if (Math.abs(along) <= Math.abs(event.shiftKey ? 0 : event.deltaY)) return;
    event.preventDefault();
    axis.change((view, whole) => panned(view, whole, (along * unit) / latest.current.laid.width));
  };
  const press = (/** @type {PointerEvent} */ event) => {
    if (event.button !== 0) return;
    if (down.size === 0) dragged = false;
    down.set(event.pointerId, event.clientX);
    take();
  };
  const move = (/** @type {PointerEvent} */ event) => {
    setSpoken(false);
    if (!down.has(event.pointerId)) {
      if (event.pointerType !== "mouse") return;
      const at_s = timeAt(event.clientX);
      cancelAnimationFrame(frame);
      frame = requestAnimationFrame(() => setHover(at_s === bounded(at_s) ? at_s : null));
      return;
    }
    down.set(event.pointerId, event.clientX);
    if (!grip) return;
    const { from, view } = grip;
    const now = [...down.values()];
    if (!dragged && now.every((x, i) => Math.abs(x - from[i]) < DRAG_PX)) return;
    if (!dragged) {
      dragged = true;
      setHover(null);
      place.setPointerCapture(event.pointerId);
    }
    const { axis, whole } = latest.current;
    axis.setView(within(held(view, from, now), whole));
  };
  /** The stretch in which what was under each finger is under it again. @param {View} view  @param {number[]} from  @param {number[]} now */
  function held(view, from, now) {
    const { width } = latest.current.laid;
    const [a, b] = [Math.min(...from), Math.max(...from)];
    const [c, d] = [Math.min(...now), Math.max(...now)];
    const factor = from.length > 1 ? Math.max(b - a, 20) / Math.max(d - c, 20) : 1;
    const long_s = (view.to_s - view.from_s) * factor;
    const from_s = timeAt((a + b) / 2, view) - (((c + d) / 2 - plotLeft()) / width) * long_s;
    return { from_s, to_s: from_s + long_s };
  }
  const release = (/** @type {PointerEvent} */ event) => {
    if (!down.delete(event.pointerId)) return;
    take();
    if (event.type === "pointercancel") dragged = true; // the page scrolls instead
    if (down.size > 0 || dragged || /** @type {Element} */ (event.target).closest("button")) return;
    const at_s = timeAt(event.clientX);
    if (at_s === bounded(at_s)) latest.current.axis.mark(at_s);
  };
  // What was dragged wasn't meant to be pressed.
  const click = (/** @type {MouseEvent} */ event) => {
    if (!dragged) return;
    event.preventDefault();
    event.stopPropagation();
    dragged = false;
  };
  const twice = (/** @type {MouseEvent} */ event) => {
    if (/** @type {Element} */ (event.target).closest("button")) return;
    const about_s = bounded(timeAt(event.clientX));
    latest.current.axis.change((view, whole) => zoomed(view, whole, event.shiftKey ? 1 / DOUBLE : DOUBLE, about_s));
  };
  const leave = () => {
    cancelAnimationFrame(frame);
    setHover(null);
  };
  place.addEventListener("wheel", wheel, { passive: false });
  place.addEventListener("pointerdown", press);
  place.addEventListener("pointermove", move);
  place.addEventListener("pointerup", release);
  place.addEventListener("pointercancel", release);
  place.addEventListener("pointerleave", leave);
  place.addEventListener("click", click, { capture: true });
  place.addEventListener("dblclick", twice);
  return () => cancelAnimationFrame(frame); // the rest goes with the element
}
