/** What the camera saw of an event: the pictures with the place marked, and a person's word on it. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { Act } from "./act.js";
import { get, post } from "./ask.js";
import { html } from "./html.js";
import { S } from "./strings.js";
import { duration, moment } from "./units.js";

/** @typedef {import("./types.js").Evidence} Shown */
/** @typedef {import("./types.js").KeptPicture} KeptPicture */
/** @typedef {import("./types.js").Ignoring} Ignoring */

const T = S.evidence;
const DANGERS = ["fire", "flame", "smoke", "detector_contact", "rapid_rise", "over_temperature"];
const KINDS = [...DANGERS, "no_motion", "door_open", "draft"];
const AGAIN_MS = [1_500, 3_000, 8_000, 12_000]; // while pictures are still to come

/** Whether pictures are kept of such an event. @param {string} kind */
export function isPictured(kind) {
  return KINDS.includes(kind);
}

/**
 * All of it, fetched when it is shown.
 * `stands`: the event isn't over. `folded` unfolds with a tap, and only then asks.
 * @param {{chamber: string, event: number, kind: string, now: string, may: boolean, stands: boolean, when?: string, folded?: boolean}} props
 */
export function Evidence({ chamber, event, kind, now, may, stands, when = "", folded = false }) {
  const [open, setOpen] = useState(false);
  const inside = html`<${Inside} chamber=${chamber} event=${event} kind=${kind} now=${now} may=${may} stands=${stands} when=${when} />`;
  if (!folded) return inside;
  return html`<details class="evidence-fold" onToggle=${(/** @type {Event} */ e) => setOpen(/** @type {HTMLDetailsElement} */ (e.target).open)}>
    <summary>${T.fold}</summary>
    ${open && inside}
  </details>`;
}

/** @param {{chamber: string, event: number, kind: string, now: string, may: boolean, stands: boolean, when: string}} props */
function Inside({ chamber, event, kind, now, may, stands, when }) {
  const path = `/api/events/${event}`;
  const query = `?chamber=${encodeURIComponent(chamber)}`;
  const { shown, failed, again } = useEvidence(`${path}/evidence${query}`, when);
  const [chosen, setChosen] = useState("");
  if (!shown) return html`<p class="evidence">${failed ? T.failed : T.loading}</p>`;
  const pictures = inOrder(shown.pictures);
  const picture = pictures.find((p) => p.id === chosen) ?? pictures.find((p) => p.part === "marked") ?? pictures.find((p) => p.part === "moment") ?? pictures[0];
  const judge = (/** @type {boolean} */ wrong) => () => post(`${path}/judge${query}`, { false: wrong }).then(again);
  const wrong = shown.judged?.false === true;
  return html`<div class="evidence">
    ${picture
      ? html`<div><${Kept} key=${picture.id} picture=${picture} alt=${T.alt[picture.part] ?? T.alt.moment} words=${told(picture, now)} /></div>`
      : html`<p>${shown.coming ? T.coming : T.none}</p>`}
    <div>
    ${may && stands && kind !== "flame" && shown.signs.some(({ sign }) => sign === "smoke") && html`<p>${T.taken_up}</p>`}
    ${may &&
    html`<div class="acts">
      ${(stands || !wrong) && html`<${Act} key=${wrong ? "still" : "nothing"} work=${judge(true)}>${wrong ? T.say_still_nothing : T.say_nothing}<//>`}
      ${wrong && html`<${Act} key="so" work=${judge(false)} kind=${stands ? "" : "slight"}>${T.say_so}<//>`}
    </div>`}
    ${pictures.length > 1 &&
    html`<div class="moments" role="group" aria-label=${T.moments}>
      ${pictures.map(
        (p) => html`<button type="button" key=${p.id} aria-pressed=${p === picture} onClick=${() => setChosen(p.id)}>${briefly(p)}</button>`,
      )}
    </div>`}
    ${shown.saw && html`<p>${T.saw} ${shown.saw.replace(/ %/g, "\u00a0%")}</p>`}
    ${shown.judged &&
    html`<p class="judged">
      ${(wrong ? T.was_nothing : T.was_so)(shown.judged.by, moment(shown.judged.at, now))}
      ${shown.judged.note && ` ${shown.judged.note}`}
    </p>`}
    ${wrong && html`<${WouldIgnore} settings=${shown.settings} warning=${shown.warning} camera=${BY_CAMERA.includes(kind)} />`}
    </div>
  </div>`;
}

const BY_CAMERA = ["fire", "flame", "smoke"];

/** @param {{settings: Ignoring[], warning: string, camera: boolean}} props */
function WouldIgnore({ settings, warning, camera }) {
  if (settings.length === 0) return html`<p>${camera ? T.no_setting : T.not_by_camera}</p>`;
  return html`<div class="would-ignore" role="status">
    <p>${T.unchanged}</p>
    <ul>
      ${settings.map(({ setting, text }) => html`<li key=${setting}>${text}</li>`)}
    </ul>
    <p><strong>${warning}</strong></p>
  </div>`;
}

/**
 * One kept picture with its caption, which says when it was no picture of anything real.
 * @param {{picture: KeptPicture, alt: string, words: string}} props
 */
export function Kept({ picture, alt, words }) {
  const [gone, setGone] = useState(false);
  return html`<figure class="kept">
    ${gone
      ? html`<p>${T.gone}</p>`
      : html`<img src=${`/api/pictures/${picture.id}`} alt=${alt} onError=${() => setGone(true)} />`}
    <figcaption>${words} ${unreal(picture) && html`<strong>${unreal(picture)}</strong>`}</figcaption>
  </figure>`;
}

/** @param {KeptPicture} picture */
function unreal({ origin }) {
  return origin === "simulated" ? S.head.simulated : origin === "recorded" ? S.head.recorded : "";
}

/** As time went; of the moment itself the marked one first. @param {KeptPicture[]} pictures */
function inOrder(pictures) {
  return [...pictures].sort((a, b) => (a.offset_s ?? 0) - (b.offset_s ?? 0) || (a.part === "marked" ? -1 : 1));
}

/** @param {KeptPicture} picture */
function briefly({ part, offset_s }) {
  if (part === "marked") return T.marked;
  const far = duration(Math.abs(offset_s ?? 0));
  return part === "before" ? T.before(far) : part === "after" ? T.after(far) : T.moment;
}

/** @param {KeptPicture} picture  @param {string} now */
function told(picture, now) {
  const when = moment(picture.at, now);
  const far = duration(Math.abs(picture.offset_s ?? 0));
  if (picture.part === "before") return T.told_before(when, far);
  if (picture.part === "after") return T.told_after(when, far);
  return picture.part === "marked" ? T.told_marked(when) : T.told_moment(when);
}

/**
 * What is known of an event, asked for again while pictures are still to come.
 * @param {string} path
 * @param {string} when  changes when somebody may have said something of it
 * @returns {{shown: Shown | null, failed: boolean, again: () => void}}
 */
function useEvidence(path, when) {
  const [state, setState] = useState(/** @type {{path: string, shown: Shown | null, failed: boolean}} */ ({ path, shown: null, failed: false }));
  const [round, setRound] = useState(0);
  useEffect(() => {
    let over = false;
    /** @type {number | undefined} */
    let timer;
    async function ask(/** @type {number} */ turn) {
      let shown = null;
      try {
        shown = /** @type {Shown} */ (await get(path));
      } catch {
        // Asked for again below: what happens now may not be stored yet.
      }
      if (over) return;
      setState((/** @type {{path: string, shown: Shown | null, failed: boolean}} */ before) => ({
        path,
        shown: shown ?? (before.path === path ? before.shown : null),
        failed: !shown,
      }));
      const whole = shown && shown.pictures.some((p) => p.part === "after");
      const last = AGAIN_MS.length - 1;
      if (shown?.coming || (!whole && turn <= last)) timer = setTimeout(() => ask(turn + 1), AGAIN_MS[Math.min(turn, last)]);
    }
    ask(0);
    return () => {
      over = true;
      clearTimeout(timer);
    };
  }, [path, when, round]);
  const known = state.path === path ? state : { shown: null, failed: false };
  return { shown: known.shown, failed: known.failed, again: () => setRound(round + 1) };
}
