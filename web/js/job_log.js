/** A job's log, filled in at the machine: how each piece came out, how the job was prepared. */

import { useEffect, useId, useRef, useState } from "../vendor/preact-hooks.js";
import { Refused, useWork } from "./act.js";
import { get, request } from "./ask.js";
import { html } from "./html.js";
import { Photographs } from "./photographs.js";
import { jobAddress } from "./route.js";
import { BRIMS, FLAWS, HOLDS, L, SPOTS } from "./strings_job_log.js";
import { height, typed } from "./units.js";

/** @typedef {import("./types.js").Flaw} Flaw */
/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").JobLog} JobLog */
/** @typedef {import("./types.js").LogSaid} LogSaid */
/** @typedef {import("./types.js").Outcome} Outcome */
/** @typedef {import("./types.js").Piece} Piece */
/** @typedef {(method: string, path: string, body: unknown) => Promise<void>} Send */

const WORDS = /** @type {Outcome[]} */ (["sound", "flawed", "failed"]);
const HIGHEST_MM = 2000;
const MOST_PIECES = 60;
/** Each field: a word of a list, a day, a line of text or a number. @type {[keyof JobLog, string[] | "day" | "line" | "number"][]} */
const FIELDS = [
  ["batch", "line"],
  ["dried_h", "number"],
  ["dried_c", "number"],
  ["humidity_percent", "number"],
  ["hold", HOLDS],
  ["held_since", "day"],
  ["brim", BRIMS],
  ["fan_percent", "number"],
  ["nozzle_c", "number"],
  ["bed_c", "number"],
  ["toolpath", "line"],
];

/** Open by itself where somebody should say how it came out. @param {{job: Job, when: string, may: boolean}} props */
export function JobLogPart({ job, when, may }) {
  const asked = may && job.state === "finished" && job.outcome === null;
  const [open, setOpen] = useState(asked);
  const { said, failed, again } = useLog(job.id, when);
  const { busy, error, run, refuse } = useWork();
  const [told, setTold] = useState("");
  const path = `/api/jobs/${encodeURIComponent(job.id)}`;
  /** @param {string} method  @param {string} what  @param {unknown} body  @param {string} words */
  const send = async (method, what, body, words) => {
    setTold("");
    const went = await run(async () => {
      await request(`${path}${what}`, { method, body });
      await again();
    });
    if (went) setTold(words);
    return went;
  };
  return html`<details class="job-log" open=${open}
    onToggle=${(/** @type {any} */ event) => setOpen(event.currentTarget.open)}>
    <summary><h2>${asked ? L.ask : L.heading}</h2></summary>
    ${open && failed && html`<p role="alert">${L.failed} ${failed}</p>`}
    ${open &&
    said &&
    html`<p class="said" role="status">${busy ? L.sending : told}</p>
      <${Refused} error=${error} />
      <${Pieces} said=${said} may=${may} send=${send} refuse=${refuse} />
      <${Prepared} said=${said} may=${may} send=${send} refuse=${refuse} />
      <${Photographs} job=${job} when=${when} may=${may} />
      ${said.by && html`<p class="small">${L.by(said.by)}</p>`}`}
  </details>`;
}

/** On the first page: the job that has cooled down, and the way to its log. @param {{job: import("./types.js").Unsaid}} props */
export function AskOf({ job }) {
  return html`<p class="ask-of" data-near>${L.cooled(job.name)} <a class="way" href=${jobAddress(job.id)}>${L.whole}</a></p>`;
}

/** @param {{said: LogSaid, may: boolean, send: any, refuse: (why: string) => void}} props */
function Pieces({ said, may, send, refuse }) {
  const { pieces } = said;
  const numbers = pieces.map((piece) => piece.number);
  const next = Math.max(0, ...numbers) + 1;
  return html`<section aria-label=${L.pieces}>
    <h3>${L.pieces}</h3>
    ${pieces.length === 0 && html`<p>${L.no_pieces}</p>`}
    ${pieces.map((piece) => html`<${PiecePart} key=${piece.number} piece=${piece} may=${may} send=${send} refuse=${refuse} />`)}
    ${may &&
    next <= MOST_PIECES &&
    html`<div class="acts">
      <button type="button" class="act" onClick=${() => send("PUT", `/pieces/${next}`, {}, L.kept(L.piece(next)))}>${L.more}</button>
    </div>`}
  </section>`;
}

/** @param {{piece: Piece, may: boolean, send: any, refuse: (why: string) => void}} props */
function PiecePart({ piece, may, send, refuse }) {
  const { number, place, outcome, flaws } = piece;
  const [adding, setAdding] = useState(false);
  const button = useRef(/** @type {HTMLElement | null} */ (null));
  const path = `/pieces/${number}`;
  const name = L.piece(number);
  if (!may) {
    return html`<div class="piece">
      <p>${[name, place, outcome && L.words[outcome]].filter(Boolean).join(", ")}</p>
      <${FlawList} flaws=${flaws} />
    </div>`;
  }
  const tell = (/** @type {object} */ body) => send("PUT", path, body, L.kept(name));
  const close = () => {
    setAdding(false);
    button.current?.focus();
  };
  return html`<div class="piece" role="group" aria-label=${name}>
    <div class="came-out" role="group" aria-label=${`${name}: ${L.outcome}`}>
      <span aria-hidden="true">${name}</span>
      ${WORDS.map(
        (word) => html`<button type="button" key=${word} aria-pressed=${word === outcome}
          onClick=${() => tell({ outcome: word === outcome ? null : word })}>${L.words[word]}</button>`,
      )}
    </div>
    <${Choice} label=${L.where} words=${SPOTS} value=${place} choose=${(/** @type {string | null} */ spot) => tell({ place: spot })} />
    <${FlawList} flaws=${flaws} remove=${(/** @type {number} */ i) => tell({ flaws: flaws.filter((_, j) => j !== i) })} />
    <div class="acts">
      <button type="button" class="act slight" ref=${button} aria-expanded=${adding} onClick=${() => setAdding(!adding)}>${L.flaw}</button>
      <button type="button" class="act slight" onClick=${() => send("DELETE", path, undefined, L.took_back(name))}>${L.gone(number)}</button>
    </div>
    ${adding &&
    html`<${NewFlaw} refuse=${refuse} close=${close}
      keep=${async (/** @type {Flaw} */ flaw) => (await tell({ flaws: [...flaws, flaw] })) && close()} />`}
  </div>`;
}

/** @param {{flaws: Flaw[], remove?: (i: number) => void}} props */
function FlawList({ flaws, remove }) {
  if (flaws.length === 0) return null;
  return html`<ul class="flaws">
    ${flaws.map(
      (flaw, i) => html`<li key=${i}>
        ${L.flawed(flaw, flaw.height_mm === null ? "" : height(flaw.height_mm))}
        ${remove && html` <button type="button" class="act slight" onClick=${() => remove(i)}>${L.take_back}</button>`}
      </li>`,
    )}
  </ul>`;
}

/** @param {{keep: (flaw: Flaw) => Promise<unknown>, refuse: (why: string) => void, close: () => void}} props */
function NewFlaw({ keep, refuse, close }) {
  const [kind, setKind] = useState(/** @type {string | null} */ (FLAWS[0]));
  const [high, setHigh] = useState("");
  const [place, setPlace] = useState(/** @type {string | null} */ (null));
  const [text, setText] = useState("");
  const id = useId();
  return html`<form
    class="aside"
    novalidate
    onKeyDown=${(/** @type {KeyboardEvent} */ event) => event.key === "Escape" && close()}
    onSubmit=${(/** @type {Event} */ event) => {
      event.preventDefault();
      const height_mm = high.trim() ? typed(high) : null;
      if (height_mm !== null && !(height_mm >= 0 && height_mm <= HIGHEST_MM)) refuse(L.height_wrong);
      else keep({ kind: kind ?? FLAWS[0], height_mm, place, text: text.trim() });
    }}
  >
    <${Choice} label=${L.kind} words=${FLAWS} value=${kind} choose=${setKind} must first />
    <label for=${`${id}-high`}>${L.height}</label>
    <input id=${`${id}-high`} inputmode="decimal" autocomplete="off" value=${high}
      onInput=${(/** @type {any} */ event) => setHigh(event.target.value)} />
    <${Choice} label=${L.where} words=${SPOTS} value=${place} choose=${setPlace} />
    <label for=${`${id}-text`}>${L.text}</label>
    <input id=${`${id}-text`} maxlength="200" autocomplete="off" value=${text}
      onInput=${(/** @type {any} */ event) => setText(event.target.value)} />
    <div class="acts">
      <button type="submit" class="act">${L.keep}</button>
      <button type="button" class="act slight" onClick=${close}>${L.cancel}</button>
    </div>
  </form>`;
}

/** @param {{said: LogSaid, may: boolean, send: any, refuse: (why: string) => void}} props */
function Prepared({ said, may, send, refuse }) {
  const { log, last_time } = said;
  const named = FIELDS.filter(([name]) => log[name] !== null);
  if (!may) {
    return html`<section aria-label=${L.prepared}>
      <h3>${L.prepared}</h3>
      ${named.length === 0 ? html`<p>${L.nothing}</p>` : html`<dl>${named.map(([name]) => html`<dt>${L.fields[name]}</dt><dd>${log[name]}</dd>`)}</dl>`}
    </section>`;
  }
  return html`<section aria-label=${L.prepared}>
    <h3>${L.prepared}</h3>
    ${last_time &&
    html`<div class="acts">
      <button type="button" class="act" onClick=${() => send("PATCH", "/log", last_time.log, L.filled)}>${L.last_time(last_time.name)}</button>
    </div>`}
    <div class="fields">
      ${FIELDS.map(([name, sort]) => {
        const tell = (/** @type {unknown} */ value) =>
          send("PATCH", "/log", { [name]: value }, (value === null ? L.took_back : L.kept)(L.fields[name]));
        return Array.isArray(sort)
          ? html`<${Choice} key=${name} label=${L.fields[name]} words=${sort} value=${log[name]} choose=${tell} />`
          : html`<${Line} key=${name} label=${L.fields[name]} sort=${sort} value=${log[name]} tell=${tell} refuse=${refuse} />`;
      })}
    </div>
  </section>`;
}

/**
 * One line that is kept when it is left; what is being typed stays whatever comes from elsewhere.
 * @param {{label: string, sort: "day" | "line" | "number", value: string | number | null,
 *   tell: (value: unknown) => Promise<boolean>, refuse: (why: string) => void}} props
 */
function Line({ label, sort, value, tell, refuse }) {
  const [draft, setDraft] = useState(/** @type {string | null} */ (null));
  const id = useId();
  const keep = async () => {
    if (draft === null) return;
    const text = draft.trim();
    const number = sort === "number" && text !== "";
    if (number && !Number.isFinite(typed(text))) refuse(L.number_wrong(label));
    else if (text === String(value ?? "") || (await tell(text === "" ? null : number ? typed(text) : text))) setDraft(null);
  };
  return html`<div class="field">
    <label for=${id}>${label}</label>
    <input id=${id} type=${sort === "day" ? "date" : "text"} inputmode=${sort === "number" ? "decimal" : undefined}
      autocomplete="off" maxlength="120" value=${draft ?? String(value ?? "")}
      onInput=${(/** @type {any} */ event) => setDraft(event.target.value)} onChange=${keep} />
  </div>`;
}

/**
 * @param {{label: string, words: string[], value: string | null, choose: (word: string | null) => unknown,
 *   must?: boolean, first?: boolean}} props
 */
function Choice({ label, words, value, choose, must = false, first = false }) {
  const id = useId();
  const place = useRef(/** @type {HTMLElement | null} */ (null));
  useEffect(() => {
    if (first) place.current?.focus();
  }, []);
  return html`<div class="field">
    <label for=${id}>${label}</label>
    <select id=${id} ref=${place} value=${value ?? ""} onChange=${(/** @type {any} */ event) => choose(event.target.value || null)}>
      ${!must && html`<option value="">${L.nowhere}</option>`}
      ${words.map((word) => html`<option key=${word} value=${word}>${word}</option>`)}
    </select>
  </div>`;
}

/**
 * @param {string} job  @param {string} when
 * @returns {{said: LogSaid | null, failed: string, again: () => Promise<void>}}
 */
function useLog(job, when) {
  const [known, setKnown] = useState(/** @type {{job: string, said: LogSaid | null, failed: string}} */ ({ job, said: null, failed: "" }));
  const asked = useRef(0);
  const again = async () => {
    const turn = ++asked.current;
    const said = await get(`/api/jobs/${encodeURIComponent(job)}/log`);
    if (turn === asked.current) setKnown({ job, said, failed: "" });
  };
  useEffect(() => {
    again().catch((error) => setKnown((before) => ({ job, said: before.job === job ? before.said : null, failed: String(error.message ?? error) })));
    return () => {
      asked.current++;
    };
  }, [job, when]);
  return known.job === job ? { ...known, again } : { said: null, failed: "", again };
}
