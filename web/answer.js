/**
 * The page that the link of a message opens: what stands, and two buttons. Stands alone, for
 * nothing else may be loaded without a session. Only a press of a button changes anything.
 */

import { A } from "./js/strings_strangers.js";
import { clock, duration, figure as reading, moment } from "./js/units.js";

/** @typedef {{time_s: number[], sensors: Record<string, (number | null)[]>}} Columns */
/**
 * @typedef {object} Shown
 * @property {string} person
 * @property {string} until_at
 * @property {string} name         of the chamber
 * @property {string} family       real, recorded or simulated
 * @property {string} at           now, as the chamber has it
 * @property {{class: string, text: string, began_at: string, condition: boolean,
 *   annunciation: string, suppression: string, acknowledged_by: string | null, shelved_until: string | null}} alarm
 * @property {boolean} danger
 * @property {boolean} can_see
 * @property {boolean} can_quiet
 * @property {Record<string, number | null>} temperatures  now, as on the first page
 * @property {number} quiet_minutes
 * @property {boolean} stored
 * @property {string | null} picture
 * @property {string} readings
 */

const EVERY_MS = 5_000;
const HOUR_EVERY_MS = 30_000;
const HOUR_S = 3_600;
const WAIT_MS = 10_000;
const OLD_S = 10; // a picture older than this isn't how it is
const LINES = 5; // --line-1 to --line-5 in the stylesheet

const here = `/api/answer/${location.pathname.split("/")[2] ?? ""}`;

/** @param {string} id */
const part = (id) => /** @type {HTMLElement} */ (document.getElementById(id));
const seen = /** @type {HTMLButtonElement} */ (part("seen"));
const quiet = /** @type {HTMLButtonElement} */ (part("quiet"));

/** @param {string} id  @param {string} text  shown unless it is empty */
function say(id, text) {
  if (part(id).textContent !== text) part(id).textContent = text;
  part(id).hidden = !text;
}

/** How far it is with the answers, in words. @param {Shown} it */
function state({ alarm, at }) {
  if (alarm.suppression === "shelved" && alarm.shelved_until) return A.quiet_until(moment(alarm.shelved_until, at));
  if (alarm.suppression !== "none") return A.hidden;
  if (alarm.annunciation.endsWith("unacknowledged")) return A.unseen;
  return A.seen(alarm.acknowledged_by);
}

/** @param {Shown} it */
function show(it) {
  const { alarm, at } = it;
  const end = alarm.text.indexOf(". ");
  const [head, rest] = end < 0 ? [alarm.text, ""] : [alarm.text.slice(0, end + 1), alarm.text.slice(end + 2)];
  const main = /** @type {HTMLElement} */ (document.querySelector("main"));
  main.removeAttribute("aria-busy");
  main.classList.remove("alarm", "supervisory", "trouble", "notice");
  main.classList.add(alarm.class);
  say("mark", A.family[it.family] ?? "");
  say("head", it.danger ? `${A.class.alarm}: ${head}` : head);
  say("rest", rest);
  const began = moment(alarm.began_at, at);
  const lasting = duration((Date.parse(at) - Date.parse(alarm.began_at)) / 1000);
  const when = alarm.condition ? A.since(began, lasting) : A.over(began);
  say("when", `${it.name}. ${it.danger ? "" : `${A.class[alarm.class] ?? ""}. `}${when}; ${state(it)}.`);
  part("danger").hidden = !it.danger;
  seen.hidden = !it.can_see;
  quiet.hidden = !it.can_quiet;
  quiet.textContent = A.quiet(it.quiet_minutes);
  part("means").hidden = seen.hidden;
  say("whose", A.whose(it.person, moment(it.until_at, Date.now())));
  document.title = `${it.name}: ${head}`;
}

/**
 * @param {string} path  @param {RequestInit} [how]
 * @returns {Promise<Response>}  also of a refusal; raises where there is no answer
 */
function ask(path, how = {}) {
  return fetch(path, { ...how, signal: AbortSignal.timeout(WAIT_MS), referrerPolicy: "no-referrer" });
}

/** @type {Shown | null} */
let shown = null;

/** Ask how it is now. False: this link answers nothing any more. */
async function look() {
  try {
    const answer = await ask(here);
    if (answer.status === 404 || answer.status === 410) {
      const told = await answer.json().catch(() => ({}));
      say("lost", told.detail ?? A.not_done);
      for (const id of ["seen", "quiet", "means", "picture", "hour"]) part(id).hidden = true;
      return false;
    }
    if (!answer.ok) throw new Error(String(answer.status));
    shown = /** @type {Shown} */ (await answer.json());
    show(shown);
    say("lost", shown.stored ? "" : A.not_stored);
  } catch {
    say("lost", A.no_answer);
  }
  return true;
}

/** @param {HTMLButtonElement} button  @param {string} path  @param {unknown} body  @param {string} done */
async function act(button, path, body, done) {
  const words = button.textContent ?? "";
  button.disabled = true;
  button.textContent = A.sending;
  let said = A.no_answer;
  try {
    const how = body === undefined ? {} : { headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) };
    const answer = await ask(`${here}/${path}`, { method: "POST", ...how });
    const told = await answer.json().catch(() => ({}));
    said = answer.ok ? (told.stored ? done : `${done} ${A.not_stored}`) : `${A.not_done} ${told.detail ?? ""}`;
  } catch {
    said = `${A.not_done} ${A.no_answer}`;
  }
  button.disabled = false;
  button.textContent = words;
  part("said").textContent = said;
  await look();
}

seen.addEventListener("click", () => act(seen, "seen", undefined, A.done_seen));
quiet.addEventListener("click", () => shown && act(quiet, "quiet", { minutes: shown.quiet_minutes }, A.done_quiet));

async function picture() {
  const figure = part("picture");
  try {
    const answer = shown?.picture ? await ask(shown.picture) : null;
    if (!answer?.ok) {
      figure.hidden = true;
      return;
    }
    const image = /** @type {HTMLImageElement} */ (figure.querySelector("img"));
    const age_s = Number(answer.headers.get("Age"));
    const before = image.src;
    image.src = URL.createObjectURL(await answer.blob());
    image.alt = A.picture_alt;
    if (before) URL.revokeObjectURL(before);
    /** @type {HTMLElement} */ (figure.querySelector("figcaption")).textContent = age_s > OLD_S ? A.picture_old(duration(age_s)) : A.picture;
    figure.hidden = false;
  } catch {
    figure.hidden = true; // a picture that may be old is none
  }
}

// --- the last hour -------------------------------------------------------------

const [LEFT, RIGHT, TOP, BOTTOM] = [34, 262, 10, 142];
const PITCH = 15;

/** @param {string} tag  @param {Record<string, string | number>} named  @param {string} [text] */
function drawn(tag, named, text) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(named)) made.setAttribute(name, String(value));
  if (text !== undefined) made.textContent = text;
  return made;
}

/** @param {Columns} columns */
function draw({ time_s, sensors }) {
  const named = Object.entries(sensors).filter(([, column]) => column.some((t) => t !== null));
  const known = /** @type {number[]} */ (named.flatMap(([, column]) => column.filter((t) => t !== null)));
  const figure = part("hour");
  figure.hidden = known.length === 0;
  if (known.length === 0) return;
  const low = Math.floor(Math.min(...known)) - 1;
  const high = Math.ceil(Math.max(...known)) + 1;
  const [from_s, to_s] = [time_s[0], time_s[time_s.length - 1]];
  const x = (/** @type {number} */ s) => LEFT + ((RIGHT - LEFT) * (s - from_s)) / Math.max(1, to_s - from_s);
  const y = (/** @type {number} */ t) => BOTTOM - ((BOTTOM - TOP) * (t - low)) / (high - low);
  const parts = [low + 1, high - 1].flatMap((t) => [
    drawn("line", { class: "grid", x1: LEFT, x2: RIGHT, y1: y(t), y2: y(t) }),
    drawn("text", { class: "unit", x: LEFT - 5, y: y(t) + 4, "text-anchor": "end" }, `${t}°`),
  ]);
  for (const [at_s, anchor] of /** @type {[number, string][]} */ ([
    [from_s, "start"],
    [to_s, "end"],
  ]))
    parts.push(drawn("text", { class: "unit", x: x(at_s), y: BOTTOM + 18, "text-anchor": anchor }, clock(at_s * 1000)));
  const ends = named.map(([name, column], i) => {
    let path = "";
    let pen = false;
    column.forEach((t, row) => {
      if (t !== null) path += `${pen ? "L" : "M"}${x(time_s[row]).toFixed(1)} ${y(t).toFixed(1)}`;
      pen = t !== null;
    });
    const line = `line-${(i % LINES) + 1}`;
    parts.push(drawn("path", { class: `trace ${line}`, d: path }));
    const last = /** @type {number} */ (column.filter((t) => t !== null).pop());
    const now = shown?.temperatures[name] ?? null; // the line may end earlier than now
    return { name, line, now, at: y(last) };
  });
  let free = TOP;
  for (const { name, line, now, at } of ends.sort((a, b) => a.at - b.at)) {
    free = Math.max(free, at);
    const short = name.length > 9 ? `${name.slice(0, 8)}…` : name;
    parts.push(drawn("text", { class: line, x: RIGHT + 6, y: free + 4 }, now === null ? short : `${short} ${reading(now, "c")}`));
    free += PITCH;
  }
  const svg = /** @type {Element} */ (figure.querySelector("svg"));
  svg.replaceChildren(...parts);
  const ranges = named.map(([name, column]) => {
    const told = /** @type {number[]} */ (column.filter((t) => t !== null));
    return A.range(name, reading(Math.min(...told), "c"), reading(Math.max(...told), "c"));
  });
  svg.setAttribute("aria-label", A.hour_alt(ranges.join(", ")));
  /** @type {HTMLElement} */ (figure.querySelector("figcaption")).textContent =
    to_s - from_s > 0.9 * HOUR_S ? A.hour : A.shorter(clock(from_s * 1000));
}

async function hour() {
  try {
    const answer = shown ? await ask(shown.readings) : null;
    if (!answer?.ok) return;
    columns = await answer.json();
    draw(columns);
  } catch {
    // Out of touch: said above.
  }
}

let hour_at_ms = -Infinity;
let columns = /** @type {Columns} */ ({ time_s: [], sensors: {} });
async function round() {
  if (document.visibilityState === "visible") {
    if (!(await look())) return;
    await picture();
    if (performance.now() - hour_at_ms > HOUR_EVERY_MS) {
      hour_at_ms = performance.now();
      await hour();
    } else draw(columns); // with the present temperatures
  }
  setTimeout(round, EVERY_MS);
}
document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && look());
round();
