/** A job's log, filled in at the machine: how each piece came out, how the job was prepared. */

import { useEffect, useId, useRef, useState } from "../vendor/preact-hooks.js";
import { Refused } from "./act.js";
import { get, request } from "./ask.js";
import { CameOut } from "./came_out.js";
import { html } from "./html.js";
import { Photographs } from "./photographs.js";
import { jobAddress } from "./route.js";
import { BRIMS, FLAWS, HOLDS, L, SPOTS } from "./strings_job_log.js";
import { typed } from "./units.js";
import { tellAddress } from "./wrong.js";

/** @typedef {import("./types.js").Flaw} Flaw */
/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").JobLog} JobLog */
/** @typedef {import("./types.js").LogSaid} LogSaid */
/** @typedef {import("./types.js").Outcome} Outcome */
/** @typedef {import("./types.js").Piece} Piece */
/** Tells the service, and fetches what stands then; throws. @typedef {(method: string, path: string, body: unknown, words: string) => Promise<void>} Send */

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
  const [told, setTold] = useState("");
  const path = `/api/jobs/${encodeURIComponent(job.id)}`;
  /** @type {Send} */
  const send = async (method, what, body, words) => {
    setTold("");
    await request(`${path}${what}`, { method, body });
    await again();
    setTold(words);
  };
  return html`<details class="job-log" open=${open}
    onToggle=${(/** @type {any} */ event) => setOpen(event.currentTarget.open)}>
    <summary><h2>${asked ? L.ask : L.heading}</h2></summary>
    ${open && failed && html`<p role="alert">${L.failed} ${failed}</p>`}
    ${open &&
    said &&
    html`<p class="said" role="status">${told}</p>
      <${Pieces} said=${said} may=${may} send=${send} />
      <${Prepared} said=${said} may=${may} send=${send} />
      <${Photographs} job=${job} when=${when} may=${may} />
      ${said.by && html`<p class="small">${L.by(said.by)}</p>`}`}
  </details>`;
}

/**
 * On the first page: the job that is over, its cooling too as far as anybody could tell. Sound is
 * said with one tap; what is wrong is asked for on its own page.
 * @param {{job: import("./types.js").Unsaid}} props
 */
export function AskOf({ job }) {
  const unsaid = { id: job.id, state: /** @type {const} */ ("finished"), outcome: null, outcome_at: null, outcome_by: null };
  const said = (/** @type {Outcome | null} */ word) => {
    if (word && word !== "sound") location.hash = tellAddress(job.id);
  };
  return html`<div class="ask-of" data-near>
    <p>${L.cooled(job.name)}</p>
    <${CameOut} key=${job.id} job=${unsaid} may said=${said} />
    <p><a class="way" href=${jobAddress(job.id)}>${L.whole}</a></p>
  </div>`;
}

/** @param {{said: LogSaid, may: boolean, send: Send}} props */
function Pieces({ said, may, send }) {
  const { error, tell } = useTelling();
  const { pieces } = said;
  const numbers = pieces.map((piece) => piece.number);
  const next = Math.max(0, ...numbers) + 1;
  return html`<section class="pieces" aria-label=${L.pieces}>
    <h3>${L.pieces}</h3>
    ${pieces.length === 0 && html`<p>${L.no_pieces}</p>`}
    ${pieces.map((piece) => html`<${PiecePart} key=${piece.number} piece=${piece} may=${may} send=${send} />`)}
    ${may &&
    next <= MOST_PIECES &&
    html`<div class="acts">
      <button type="button" class="act" onClick=${() => tell(() => send("PUT", `/pieces/${next}`, {}, L.kept(L.piece(next))))}>${L.more}</button>
      <${Refused} error=${error} />
    </div>`}
  </section>`;
}

/** @param {{piece: Piece, may: boolean, send: Send}} props */
function PiecePart({ piece, may, send }) {
  const { error, tell } = useTelling();
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
  const say = (/** @type {object} */ body) => tell(() => send("PUT", path, body, L.kept(name)));
  const close = () => {
    setAdding(false);
    button.current?.focus();
  };
  return html`<div class="piece" role="group" aria-label=${name}>
    <div class="came-out" role="group" aria-label=${`${name}: ${L.outcome}`}>
      <span aria-hidden="true">${name}</span>
      ${WORDS.map(
        (word) => html`<button type="button" key=${word} aria-pressed=${word === outcome}
          onClick=${() => say({ outcome: word === outcome ? null : word })}>${L.words[word]}</button>`,
      )}
    </div>
    <${Choice} label=${L.where} words=${SPOTS} value=${place} choose=${(/** @type {string | null} */ spot) => say({ place: spot })} />
    <${FlawList} flaws=${flaws} remove=${(/** @type {number} */ i) => say({ flaws: flaws.filter((_, j) => j !== i) })} />
    <div class="acts">
      <button type="button" class="act slight" ref=${button} aria-expanded=${adding} onClick=${() => setAdding(!adding)}>${L.flaw}</button>
      <button type="button" class="act slight" onClick=${() => tell(() => send("DELETE", path, undefined, L.took_back(name)))}>${L.gone(number)}</button>
    </div>
    <${Refused} error=${error} />
    ${adding &&
    html`<${NewFlaw} close=${close}
      keep=${async (/** @type {Flaw} */ flaw) => (await say({ flaws: [...flaws, flaw] })) && close()} />`}
  </div>`;
}

/** @param {{flaws: Flaw[], remove?: (i: number) => void}} props */
function FlawList({ flaws, remove }) {
  if (flaws.length === 0) return null;
  return html`<ul class="flaws">
    ${flaws.map(
      (flaw, i) => html`<li key=${i}>
        ${L.flawed(flaw)}
        ${remove && html` <button type="button" class="act slight" onClick=${() => remove(i)}>${L.take_back}</button>`}
      </li>`,
    )}
  </ul>`;
}

/** @param {{keep: (flaw: Flaw) => Promise<unknown>, close: () => void}} props */
function NewFlaw({ keep, close }) {
  const [wrong, setWrong] = useState("");
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
      if (height_mm !== null && !(height_mm >= 0 && height_mm <= HIGHEST_MM)) setWrong(L.height_wrong);
      else keep({ kind: kind ?? FLAWS[0], height_mm, place, text: text.trim() });
    }}
  >
    <${Choice} label=${L.kind} words=${FLAWS} value=${kind} choose=${setKind} must first />
    <label for=${`${id}-high`}>${L.height}</label>
    <input id=${`${id}-high`} inputmode="decimal" autocomplete="off" value=${high}
      aria-invalid=${wrong ? "true" : undefined}
      onInput=${(/** @type {any} */ event) => (setHigh(event.target.value), setWrong(""))} />
    <${Refused} error=${wrong} />
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

/** @param {{said: LogSaid, may: boolean, send: Send}} props */
function Prepared({ said, may, send }) {
  const { error, tell } = useTelling();
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
      <button type="button" class="act" onClick=${() => tell(() => send("PATCH", "/log", last_time.log, L.filled))}>${L.last_time(last_time.name)}</button>
      <${Refused} error=${error} />
    </div>`}
    <div class="log-fields">
      ${FIELDS.map(([name, sort]) => {
        const say = (/** @type {unknown} */ value) =>
          send("PATCH", "/log", { [name]: value }, (value === null ? L.took_back : L.kept)(L.fields[name]));
        const field = { key: name, label: L.fields[name], value: log[name], say };
        return Array.isArray(sort) ? html`<${Listed} ...${field} words=${sort} />` : html`<${Line} ...${field} sort=${sort} />`;
      })}
    </div>
  </section>`;
}

/** @param {{label: string, words: string[], value: string | null, say: (value: unknown) => Promise<void>}} props */
function Listed({ label, words, value, say }) {
  const { error, tell } = useTelling();
  return html`<div class="log-field">
    <${Choice} label=${label} words=${words} value=${value} choose=${(/** @type {string | null} */ word) => tell(() => say(word))} />
    <${Refused} error=${error} />
  </div>`;
}

/**
 * One line that is kept when it is left; what is being typed stays whatever comes from elsewhere.
 * @param {{label: string, sort: "day" | "line" | "number", value: string | number | null,
 *   say: (value: unknown) => Promise<void>}} props
 */
function Line({ label, sort, value, say }) {
  const [draft, setDraft] = useState(/** @type {string | null} */ (null));
  const { error, tell, refuse } = useTelling();
  const id = useId();
  const keep = async (/** @type {any} */ event) => {
    const text = event.target.value.trim();
    const number = sort === "number" && text !== "";
    if (number && !Number.isFinite(typed(text))) refuse(L.number_wrong(label));
    else if (await tell(() => say(text === "" ? null : number ? typed(text) : text))) setDraft(null);
  };
  return html`<div class="log-field">
    <label for=${id}>${label}</label>
    <input id=${id} type=${sort === "day" ? "date" : "text"} inputmode=${sort === "number" ? "decimal" : undefined}
      autocomplete="off" maxlength="120" value=${draft ?? String(value ?? "")} aria-invalid=${error ? "true" : undefined}
      onInput=${(/** @type {any} */ event) => setDraft(event.target.value)} onChange=${keep} />
    <${Refused} error=${error} />
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
  return html`<div class="log-field">
    <label for=${id}>${label}</label>
    <select id=${id} ref=${place} value=${value ?? ""} onChange=${(/** @type {any} */ event) => choose(event.target.value || null)}>
      ${!must && html`<option value="">${L.nowhere}</option>`}
      ${words.map((word) => html`<option key=${word} value=${word}>${word}</option>`)}
    </select>
  </div>`;
}

/**
 * Tells one thing after the other, however quickly they are tapped, and why one was not taken.
 * @returns {{error: string, tell: (work: () => Promise<void>) => Promise<boolean>, refuse: (why: string) => void}}
 */
function useTelling() {
  const [error, setError] = useState("");
  const turn = useRef(Promise.resolve(true));
  const tell = (/** @type {() => Promise<void>} */ work) => {
    turn.current = turn.current.then(async () => {
      try {
        await work();
        setError("");
        return true;
      } catch (failure) {
        setError(failure instanceof Error ? failure.message : String(failure));
        return false;
      }
    });
    return turn.current;
  };
  return { error, tell, refuse: setError };
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
    again().catch((error) => setKnown((/** @type {any} */ before) => ({ job, said: before.job === job ? before.said : null, failed: String(error.message ?? error) })));
    return () => {
      asked.current++;
    };
  }, [job, when]);
  return known.job === job ? { ...known, again } : { said: null, failed: "", again };
}
