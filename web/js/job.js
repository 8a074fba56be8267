/** The job that runs in a chamber, what can be told to it, and how one is begun. */

import { useId, useLayoutEffect, useRef, useState } from "../vendor/preact-hooks.js";
import { Act, leave, Refused, useFocus, useWork } from "./act.js";
import { get, post } from "./ask.js";
import { nameOf } from "./guessed.js";
import { html } from "./html.js";
import { keep, recallList } from "./kept.js";
import { later } from "./later.js";
import { NewJob } from "./new_job.js";
import { jobAddress } from "./route.js";
import { S } from "./strings.js";
import { useNear } from "./near.js";
import { noteLine } from "./notes.js";
import { useOfJob } from "./past.js";
import { clock, duration, height, moment, typed, words } from "./units.js";

/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").Note} Note */
/** @typedef {import("./types.js").Unit} Unit */

const AskOf = later(() => import("./job_log.js"), "AskOf", "asks");
const NOTES_KEPT = 5;
const NOTES_SHOWN = 3;
const HIGHEST_MM = 2000;
const MINUTE_MS = 60_000;
const T = S.job;

/** @param {{chamber: Chamber, unit: Unit, may: boolean, notes: Note[], when: string}} props */
export function JobPart({ chamber, unit, may, notes, when }) {
  const { job } = chamber;
  const known = useReckoned(job, chamber.at, when);
  const place = useNear(() => place.current?.querySelector("h2"));
  return html`<section class="job" aria-label=${T.heading} ref=${place}>
    <h2 tabindex="-1">${job ? nameOf(job) : T.none}</h2>
    ${may && chamber.unsaid && html`<${AskOf} job=${chamber.unsaid} />`}
    ${job && html`<${About} job=${job} chamber=${chamber} unit=${unit} notes=${notes} known=${known} />`}
    ${may && job && job.state !== "cooling" && html`<${Running} key=${job.id} job=${job} />`}
    ${may && (!job || job.state === "cooling") && html`<${Begin} chamber=${chamber.chamber} />`}
  </section>`;
}

/** @param {{job: Job, chamber: Chamber, unit: Unit, notes: Note[], known: import("./heights.js").Found | null}} props */
function About({ job, chamber, unit, notes, known }) {
  const { at: now, last_sound } = chamber;
  const at =
    (job.state === "paused" && job.paused_since_at) ||
    (job.state === "cooling" && job.finished_at) ||
    job.started_at;
  const lasting = duration((Date.parse(now) - Date.parse(at)) / 1000);
  const what = [job.material, job.machine && T.on(job.machine)].filter(Boolean).join(" ");
  return html`<p>
      ${what && `${what}. `}${T.since(T[job.state], moment(at, now), lasting)}.${" "}
      ${job.height_mm === null ? reckoned(known) : T.at(height(job.height_mm))}
    </p>
    ${last_sound &&
    html`<p>${words(last_sound.text, unit)} <a href=${jobAddress(last_sound.job)}>${T.that_job}</a></p>`}
    ${job.notes && html`<p class="notes">${job.notes}</p>`}
    ${notes.length > 0 &&
    html`<ul class="noted">
      ${notes
        .slice(-NOTES_SHOWN)
        .reverse()
        .map((note) => html`<li key=${note.seq}><time datetime=${note.at}>${moment(note.at, now)}</time> ${noteLine(note)}</li>`)}
    </ul>`}
    <p><a class="way" href=${jobAddress(job.id)}>${T.all}</a></p>`;
}

/**
 * How high the part is by all that is known, where nobody has told it: by its toolpath, or a pin.
 * @param {Job | null} job
 * @param {string} now
 * @param {string} when  changes when it may have changed
 */
function useReckoned(job, now, when) {
  const at = (job?.state === "cooling" && job.finished_at) || now;
  /** @type {import("./heights.js").Found | null} */
  const none = null;
  return useOfJob(
    job?.height_mm === null ? job.id : "",
    `${when} ${Math.floor(Date.now() / MINUTE_MS)}`, // the reader's minute, however fast the chamber's time runs
    (id) => get(`/api/jobs/${encodeURIComponent(id)}/heights/when?at=${encodeURIComponent(at)}`),
    none,
  );
}

/** @param {import("./heights.js").Found | null} known */
function reckoned(known) {
  const [then] = known?.items ?? [];
  if (then) return T.reckoned(height(then.height_mm));
  return known?.by === "toolpath" ? T.nothing_laid : T.height_unknown;
}

/** @param {{job: Job}} props */
function Running({ job }) {
  const [open, setOpen] = useState(/** @type {"" | "note" | "height" | "done"} */ (""));
  const [said, setSaid] = useState("");
  const buttons = useRef(/** @type {HTMLElement | null} */ (null));
  const path = `/api/jobs/${encodeURIComponent(job.id)}`;
  const close = (/** @type {string} */ text = "") => {
    setOpen("");
    setSaid(text);
    buttons.current?.querySelector("button")?.focus();
  };
  const toggle = (/** @type {"note" | "height" | "done"} */ what) => () => {
    setSaid("");
    setOpen(open === what ? "" : what);
  };
  return html`
    <div class="acts" ref=${buttons}>
      <button type="button" class="act" aria-expanded=${open === "note"} onClick=${toggle("note")}>
        ${T.note}
      </button>
      ${job.state === "paused"
        ? html`<${Act} key="resume" work=${() => post(`${path}/resume`)}>${T.resume}<//>`
        : html`<${Act} key="pause" work=${() => post(`${path}/pause`)}>${T.pause}<//>`}
      <button type="button" class="act" aria-expanded=${open === "done"} onClick=${toggle("done")}>
        ${T.done}
      </button>
      <button type="button" class="act slight" aria-expanded=${open === "height"} onClick=${toggle("height")}>
        ${T.height}
      </button>
    </div>
    ${open === "note" && html`<${Note} path=${path} close=${close} />`}
    ${open === "height" && html`<${Height} path=${path} before_mm=${job.height_mm} close=${close} />`}
    ${open === "done" && html`<${Done} path=${path} close=${close} />`}
    <p class="said" role="status">${said}</p>
  `;
}

/** One tap on an earlier note keeps it; a new one is typed. @param {{path: string, close: (said?: string) => void}} props */
function Note({ path, close }) {
  const [text, setText] = useState("");
  const { busy, error, run, refuse } = useWork();
  const before = recallList("notes").slice(0, NOTES_KEPT);
  const id = useId();
  const first = useFocus();
  /** @param {string} told */
  async function send(told) {
    if (!told.trim()) {
      refuse(T.note_empty);
      first.current?.focus();
      return;
    }
    if (!(await run(() => post(`${path}/note`, { text: told.trim() })))) return;
    const list = [told.trim(), ...before.filter((b) => b !== told.trim())];
    keep("notes", JSON.stringify(list.slice(0, NOTES_KEPT)));
    close(T.noted(clock(Date.now()), told.trim()));
  }
  return html`<form
    class="aside"
    novalidate
    onKeyDown=${leave(close)}
    onSubmit=${(/** @type {Event} */ event) => {
      event.preventDefault();
      send(text);
    }}
  >
    <label for=${id}>${T.note_what}</label>
    <input id=${id} ref=${first} value=${text} maxlength="200" autocomplete="off"
      onInput=${(/** @type {any} */ event) => setText(event.target.value)} />
    ${before.length > 0 &&
    html`<div class="acts before">
      <span>${T.note_again}</span>
      ${before.map(
        (told) => html`<button type="button" class="act slight" onClick=${() => send(told)}>${told}</button>`,
      )}
    </div>`}
    <div class="acts">
      <button type="submit" class="act" aria-disabled=${busy}>${busy ? T.sending : T.note_keep}</button>
      <button type="button" class="act slight" onClick=${() => close()}>${T.cancel}</button>
    </div>
    <${Refused} error=${error} />
  </form>`;
}

/**
 * Parts don't shrink: who types a lower height than before is asked once. The API isn't so
 * strict: pieces that are built in turn begin again at 0.
 * @param {{path: string, before_mm: number | null, close: (said?: string) => void}} props
 */
function Height({ path, before_mm, close }) {
  const [text, setText] = useState("");
  const [doubted, setDoubted] = useState("");
  const { busy, error, run, refuse } = useWork();
  const first = useFocus();
  const id = useId();
  const asked = doubted !== "" && doubted === text;
  return html`<form
    class="aside"
    novalidate
    onKeyDown=${leave(close)}
    onSubmit=${async (/** @type {Event} */ event) => {
      event.preventDefault();
      const height_mm = typed(text);
      if (!(height_mm >= 0 && height_mm <= HIGHEST_MM)) {
        refuse(T.height_wrong(HIGHEST_MM));
        first.current?.focus();
      } else if (before_mm !== null && height_mm < before_mm && doubted !== text) {
        setDoubted(text);
      } else if (await run(() => post(`${path}/progress`, { height_mm }))) close();
    }}
  >
    <label for=${id}>${T.height_what}</label>
    <input id=${id} ref=${first} value=${text} inputmode="decimal" autocomplete="off"
      aria-invalid=${error ? "true" : undefined}
      onInput=${(/** @type {any} */ event) => setText(event.target.value)} />
    ${asked && html`<p role="alert">${T.height_lower(height(before_mm ?? 0))}</p>`}
    <div class="acts">
      <button type="submit" class="act" aria-disabled=${busy}>
        ${busy ? T.sending : asked ? T.height_lower_keep(height(typed(text))) : T.height_keep}
      </button>
      <button type="button" class="act slight" onClick=${() => close()}>${T.cancel}</button>
    </div>
    <${Refused} error=${error} />
  </form>`;
}

/** Ask once more, and say what will happen. @param {{path: string, close: (said?: string) => void}} props */
function Done({ path, close }) {
  const first = useFocus();
  return html`<div class="aside" role="group" aria-label=${T.done} onKeyDown=${leave(close)}>
    <p ref=${first} tabindex="-1">${T.done_really}</p>
    <div class="acts">
      <${Act} work=${() => post(`${path}/finish`)} done=${close}>${T.done_yes}<//>
      <button type="button" class="act slight" onClick=${() => close()}>${T.done_no}</button>
    </div>
  </div>`;
}

/** @param {{chamber: string}} props */
function Begin({ chamber }) {
  const [open, setOpen] = useState(false);
  const left = useRef(false);
  const button = useRef(/** @type {HTMLElement | null} */ (null));
  useLayoutEffect(() => {
    if (!open && left.current) button.current?.focus();
  }, [open]);
  if (!open) {
    return html`<div class="acts">
      <button type="button" class="act" ref=${button} onClick=${() => setOpen(true)}>${T.start}</button>
    </div>`;
  }
  const close = (/** @type {boolean} */ begun) => {
    left.current = !begun;
    setOpen(false);
  };
  return html`<${NewJob} chamber=${chamber} begun=${() => close(true)} leave=${() => close(false)} />`;
}
