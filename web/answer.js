/**
 * The page that the link of a message opens: what stands, and two buttons. Stands alone, for
 * nothing else may be loaded without a session. Only a press of a button changes anything.
 */

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
const T = {
  class: /** @type {Record<string, string>} */ ({
    alarm: "Danger",
    supervisory: "Needs a hand",
    trouble: "The watch itself is impaired",
    notice: "You waited for this",
  }),
  family: /** @type {Record<string, string>} */ ({
    simulated: "Simulated: nothing of this is real.",
    recorded: "Recorded: this happened once, and isn't so now.",
  }),
  since: (/** @type {string} */ at, /** @type {string} */ lasting) => `Since ${at}, for ${lasting}`,
  over: (/** @type {string} */ began) => `It began at ${began} and is over`,
  unseen: "nobody has seen it yet",
  seen: (/** @type {string | null} */ by) => (by ? `seen by ${by}` : "seen"),
  quiet_until: (/** @type {string} */ at) => `quiet until ${at}`,
  hidden: "not asked for just now",
  quiet: (/** @type {number} */ minutes) => `Quiet for ${minutes} minutes`,
  sending: "Sending …",
  done_seen: "Done: the others see that you know.",
  done_quiet: "Done: it comes back by itself.",
  not_stored: "It isn't stored yet: a power cut now could lose it.",
  not_done: "Not done.",
  no_answer: "The service doesn't answer. Are you in its network? What stands here may be old.",
  whose: (/** @type {string} */ who, /** @type {string} */ until) =>
    `You answer as ${who}. This link is good for this alarm alone, until ${until}; whoever has it can answer for you.`,
  picture: (/** @type {number} */ age_s) => (age_s > OLD_S ? `The picture is ${age_s} s old.` : "The picture of this moment."),
  picture_alt: "What the camera shows",
  hour: "The last hour, °C",
  shorter: (/** @type {string} */ at) => `Since ${at}, °C`,
  hour_alt: (/** @type {string} */ ranges) => `Temperatures of the last hour: ${ranges}`,
  range: (/** @type {string} */ name, /** @type {string} */ low, /** @type {string} */ high) => `${name} from ${low} to ${high} °C`,
};

const here = `/api/answer/${location.pathname.split("/")[2] ?? ""}`;
const CLOCK = new Intl.DateTimeFormat("en-GB", { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
const DAY = new Intl.DateTimeFormat("en-GB", { weekday: "long" });

/** @param {string} id */
const part = (id) => /** @type {HTMLElement} */ (document.getElementById(id));
const seen = /** @type {HTMLButtonElement} */ (part("seen"));
const quiet = /** @type {HTMLButtonElement} */ (part("quiet"));

/** @param {string} id  @param {string} text  shown unless it is empty */
function say(id, text) {
  if (part(id).textContent !== text) part(id).textContent = text;
  part(id).hidden = !text;
}

/** "14:05", or "Sunday, 14:05" of another day than `now`. @param {string} at  @param {string} now */
function clock(at, now) {
  const then = new Date(at);
  const same = then.toDateString() === new Date(now).toDateString();
  return same ? CLOCK.format(then) : `${DAY.format(then)}, ${CLOCK.format(then)}`;
}

/** @param {number} seconds */
function duration(seconds) {
  const s = Math.max(0, Math.round(seconds));
  if (s < 60) return `${s} s`;
  const min = Math.round(s / 60);
  return min < 60 ? `${min} min` : `${Math.floor(min / 60)} h ${min % 60} min`;
}

/** How far it is with the answers, in words. @param {Shown} it */
function state({ alarm, at }) {
  if (alarm.suppression === "shelved" && alarm.shelved_until) return T.quiet_until(clock(alarm.shelved_until, at));
  if (alarm.suppression !== "none") return T.hidden;
  if (alarm.annunciation.endsWith("unacknowledged")) return T.unseen;
  return T.seen(alarm.acknowledged_by);
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
  say("mark", T.family[it.family] ?? "");
  say("head", it.danger ? `${T.class.alarm}: ${head}` : head);
  say("rest", rest);
  const began = clock(alarm.began_at, at);
  const lasting = duration((Date.parse(at) - Date.parse(alarm.began_at)) / 1000);
  const when = alarm.condition ? T.since(began, lasting) : T.over(began);
  say("when", `${it.name}. ${it.danger ? "" : `${T.class[alarm.class] ?? ""}. `}${when}; ${state(it)}.`);
  part("danger").hidden = !it.danger;
  seen.hidden = !it.can_see;
  quiet.hidden = !it.can_quiet;
  quiet.textContent = T.quiet(it.quiet_minutes);
  part("means").hidden = seen.hidden;
  say("whose", T.whose(it.person, clock(it.until_at, new Date().toISOString())));
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
      say("lost", told.detail ?? T.not_done);
      for (const id of ["seen", "quiet", "means", "picture", "hour"]) part(id).hidden = true;
      return false;
    }
    if (!answer.ok) throw new Error(String(answer.status));
    shown = /** @type {Shown} */ (await answer.json());
    show(shown);
    say("lost", shown.stored ? "" : T.not_stored);
  } catch {
    say("lost", T.no_answer);
  }
  return true;
}

/** @param {HTMLButtonElement} button  @param {string} path  @param {unknown} body  @param {string} done */
async function act(button, path, body, done) {
  const words = button.textContent ?? "";
  button.disabled = true;
  button.textContent = T.sending;
  let said = T.no_answer;
  try {
    const how = body === undefined ? {} : { headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) };
    const answer = await ask(`${here}/${path}`, { method: "POST", ...how });
    const told = await answer.json().catch(() => ({}));
    said = answer.ok ? (told.stored ? done : `${done} ${T.not_stored}`) : `${T.not_done} ${told.detail ?? ""}`;
  } catch {
    said = `${T.not_done} ${T.no_answer}`;
  }
  button.disabled = false;
  button.textContent = words;
  part("said").textContent = said;
  await look();
}

seen.addEventListener("click", () => act(seen, "seen", undefined, T.done_seen));
quiet.addEventListener("click", () => shown && act(quiet, "quiet", { minutes: shown.quiet_minutes }, T.done_quiet));

async function picture() {
  const figure = part("picture");
  try {
    const answer = shown?.picture ? await ask(shown.picture) : null;
    if (!answer?.ok) {
      figure.hidden = true;
      return;
    }
    const image = /** @type {HTMLImageElement} */ (figure.querySelector("img"));
    const before = image.src;
    image.src = URL.createObjectURL(await answer.blob());
    image.alt = T.picture_alt;
    if (before) URL.revokeObjectURL(before);
    /** @type {HTMLElement} */ (figure.querySelector("figcaption")).textContent = T.picture(Number(answer.headers.get("Age")));
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
    parts.push(drawn("text", { class: "unit", x: x(at_s), y: BOTTOM + 18, "text-anchor": anchor }, CLOCK.format(at_s * 1000)));
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
    parts.push(drawn("text", { class: line, x: RIGHT + 6, y: free + 4 }, now === null ? short : `${short} ${now.toFixed(1)}`));
    free += PITCH;
  }
  const svg = /** @type {Element} */ (figure.querySelector("svg"));
  svg.replaceChildren(...parts);
  const ranges = named.map(([name, column]) => {
    const told = /** @type {number[]} */ (column.filter((t) => t !== null));
    return T.range(name, Math.min(...told).toFixed(1), Math.max(...told).toFixed(1));
  });
  svg.setAttribute("aria-label", T.hour_alt(ranges.join(", ")));
  /** @type {HTMLElement} */ (figure.querySelector("figcaption")).textContent =
    to_s - from_s > 0.9 * HOUR_S ? T.hour : T.shorter(CLOCK.format(from_s * 1000));
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

export {}; // a module of its own, also to who checks types
