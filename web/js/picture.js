/**
 * The camera's latest picture, renewed while somebody looks, with its age: less often where the
 * last one was long on its way or its reader pays for each byte, and not while it is out of sight.
 * The first one comes after the page's program, and on a narrow page or a slow link it is small.
 */

import { useEffect, useRef, useState } from "../vendor/preact-hooks.js";
import { AskError, request } from "./ask.js";
import { html } from "./html.js";
import { calm } from "./later.js";
import { PauseCamera } from "./pause_camera.js";
import { S } from "./strings.js";
import { P } from "./strings_people.js";
import { duration, moment } from "./units.js";

/** @typedef {import("./types.js").Chamber} Chamber */

const PAUSE_MS = 2_000; // after one picture has come, before the next is asked for
const SAVING_PAUSE_MS = 15_000; // for who asked the browser to save data
const SHARE = 3; // so many times as long as the last one took: it fills a quarter of the link
const LONGEST_PAUSE_MS = 30_000;
const OLD_S = 10;
const SMALL_PX = 320; // widths that the service makes
const MIDDLE_PX = 640;
const NARROW_PX = 480; // of the page's own pixels
const QUICK_MS = 300; // a small one: then a larger one takes a second or less
const LONG_MS = 1_500; // a larger one that took longer is the last
const MOST_DENSE = 2; // a telephone's third pixel shows nothing more of a camera's picture
const T = S.picture;

/** How long to wait for the next picture. @param {number} took_ms  the last one  @param {boolean} saving */
export function pauseAfter(took_ms, saving) {
  return Math.min(LONGEST_PAUSE_MS, Math.max(saving ? SAVING_PAUSE_MS : PAUSE_MS, SHARE * took_ms));
}

/**
 * How wide the next picture is to be; 0: as the camera gives it.
 * @param {{box_px: number, dense: number, closer: boolean, slow: boolean, small_ms: number | null}} how
 *   `closer` is somebody who has drawn it larger with two fingers, `slow` what is known of the
 *   link, `small_ms` how long the last small one took
 */
export function widthFor({ box_px, dense, closer, slow, small_ms }) {
  if (closer) return 0;
  if (slow || (small_ms === null ? box_px <= NARROW_PX : small_ms > QUICK_MS)) return SMALL_PX;
  return box_px * Math.min(dense, MOST_DENSE) <= MIDDLE_PX ? MIDDLE_PX : 0;
}

/** Whether the browser says that its link is slow, or is paid for by each byte. */
function isSlow() {
  const link = /** @type {any} */ (navigator).connection;
  return Boolean(link?.saveData) || /2g|3g/.test(link?.effectiveType ?? "");
}

/** @param {{chamber: Chamber, in_touch: boolean, may: boolean}} props */
export function Picture({ chamber, in_touch, may }) {
  const { camera } = chamber;
  const place = useRef(/** @type {HTMLElement | null} */ (null));
  const shown = usePicture(chamber.chamber, camera.watched && in_touch, camera.paused_until_at !== null, place);
  if (!camera.watched) return html`<p class="no-picture">${T.none}</p>`;
  if (camera.paused_until_at) {
    return html`<figure class="picture">
      <div class="frame"><p>${P.camera.paused(moment(camera.paused_until_at, chamber.at), camera.reason)}</p></div>
      ${may && html`<${PauseCamera} chamber=${chamber} />`}
    </figure>`;
  }
  // In the reader's seconds, however fast the chamber's time runs; the page is drawn anew each second.
  const age_s = shown ? shown.age_s / chamber.speed + (Date.now() - shown.came_ms) / 1000 : 0;
  const since = camera.since_at ? moment(camera.since_at, chamber.at) : "";
  const blind = camera.condition !== "fit" && T.condition[camera.condition];
  const over = blind
    ? T.blind(blind, since, shown !== null)
    : shown && age_s > OLD_S
      ? T.old(duration(age_s))
      : "";
  return html`<figure class="picture" ref=${place}>
    <div class=${shown || blind ? "frame" : "frame coming"}>
      ${shown
        ? html`<img src=${shown.address} alt=${T.alt} class=${over ? "doubtful" : ""} />`
        : html`<p>${T.waiting}</p>`}
      ${over && html`<p class="over">${over}</p>`}
    </div>
    <figcaption>${shown ? T.age(duration(age_s)) : ""}</figcaption>
    <p class="small">${T.limits}</p>
    ${may && html`<${PauseCamera} chamber=${chamber} />`}
  </figure>`;
}

/**
 * Fetch one picture after another, never two at once, and none while hidden.
 * @param {string} chamber
 * @param {boolean} wanted
 * @param {boolean} paused  then not even the last one is kept
 * @param {{current: HTMLElement | null}} place  where it is shown
 * @returns {{address: string, age_s: number, came_ms: number} | null}
 */
function usePicture(chamber, wanted, paused, place) {
  const [shown, setShown] = useState(
    /** @type {{address: string, age_s: number, came_ms: number} | null} */ (null),
  );
  const address = useRef("");
  useEffect(() => () => URL.revokeObjectURL(address.current), []);
  useEffect(() => {
    if (paused) setShown(null);
    if (!wanted || paused) return;
    let over = false;
    let asking = false;
    let in_sight = true; // until the browser knows
    let pause_ms = PAUSE_MS;
    let first = true;
    let in_vain = false; // a larger one took too long
    /** @type {number | null} */
    let small_ms = null;
    /** @type {number | undefined} */
    let timer;
    async function next() {
      timer = undefined;
      if (document.hidden || !in_sight) return;
      asking = true;
      if (first) await calm();
      first = false;
      if (over) return;
      const asked_ms = performance.now();
      const width = widthFor({
        box_px: place.current?.clientWidth || innerWidth,
        dense: devicePixelRatio,
        closer: (window.visualViewport?.scale ?? 1) > 1.1,
        slow: in_vain || isSlow(),
        small_ms,
      });
      try {
        const answer = await request(`/api/picture?chamber=${encodeURIComponent(chamber)}${width ? `&width=${width}` : ""}`, {
          wait_ms: 8_000,
        });
        const age_s = Number(answer.headers.get("Age")) || 0;
        const picture = await answer.blob();
        if (over) return;
        const before = address.current;
        address.current = URL.createObjectURL(picture);
        setShown({ address: address.current, age_s, came_ms: Date.now() });
        setTimeout(() => URL.revokeObjectURL(before), 1_000); // when the new one is painted
        const took_ms = performance.now() - asked_ms;
        if (width === SMALL_PX) small_ms = took_ms;
        else in_vain ||= took_ms > LONG_MS;
        const link = /** @type {any} */ (navigator).connection;
        pause_ms = pauseAfter(took_ms, Boolean(link?.saveData));
      } catch (error) {
        if (error instanceof AskError && error.status === 404) setShown(null);
        pause_ms = Math.min(LONGEST_PAUSE_MS, pause_ms * 2);
      }
      asking = false;
      if (!over) timer = setTimeout(next, pause_ms * (0.9 + 0.2 * Math.random()));
    }
    const seen = () => {
      if (!document.hidden && in_sight && timer === undefined && !asking) next();
    };
    const watched = new IntersectionObserver((all) => {
      in_sight = all[all.length - 1].isIntersecting;
      seen();
    });
    if (place.current) watched.observe(place.current);
    document.addEventListener("visibilitychange", seen);
    next();
    return () => {
      over = true;
      clearTimeout(timer);
      watched.disconnect();
      document.removeEventListener("visibilitychange", seen);
    };
  }, [chamber, wanted, paused]);
  return shown;
}
