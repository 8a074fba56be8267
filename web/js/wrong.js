/** Of a part that is flawed, first of all: where it is, the minute in which that was laid, and what happened then. */

import { useEffect, useId, useRef, useState } from "../vendor/preact-hooks.js";
import { Refused, useWork } from "./act.js";
import { get, request } from "./ask.js";
import { together } from "./flaws.js";
import { mm } from "./heights.js";
import { html } from "./html.js";
import { useNear } from "./near.js";
import { useOfJob } from "./past.js";
import { jobAddress } from "./route.js";
import { A } from "./strings_axis.js";
import { W } from "./strings_flaws.js";
import { FLAWS } from "./strings_job_log.js";
import { X } from "./strings_wrong.js";
import { duration, moment, typed, words } from "./units.js";

/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").Piece} Piece */
/** @typedef {import("./types.js").Then} Then */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./flaws.js").Told & {then: Then[]}} Found  a flaw, and when its height was laid */
/** @typedef {{pieces: Piece[], flaws: Found[], others: number, log: Record<string, unknown>}} Log */

const MOST = 3; // so many are looked up; the log has the others
const HIGHEST_MM = 2000;
const TELL = "?tell"; // at the end of an address: what is wrong is about to be said
/** @type {Log | null} */
const NONE = null;

/** The address at which what is wrong is told. @param {string} job */
export function tellAddress(job) {
  return jobAddress(job) + TELL;
}

/** The log, and the minutes of its first flaws that have a height. @param {string} job  @returns {Promise<Log | null>} */
export async function fetchLog(job) {
  const path = `/api/jobs/${encodeURIComponent(job)}`;
  /** @type {{pieces: Piece[], log: Record<string, unknown>}} */
  const { pieces, log } = await get(`${path}/log`);
  const all = together(pieces);
  const first = [...all].sort((a, b) => Number(a.height_mm === null) - Number(b.height_mm === null)).slice(0, MOST);
  const flaws = first.map(async (flaw) => ({ ...flaw, then: flaw.height_mm === null ? [] : await laid(path, flaw.height_mm) }));
  return { pieces, flaws: await Promise.all(flaws), others: all.length - first.length, log };
}

/** When a height was laid, as far as anybody knows. @param {string} path  @param {number} height_mm  @returns {Promise<Then[]>} */
function laid(path, height_mm) {
  return get(`${path}/heights/when?height_mm=${height_mm}`).then(
    ({ items }) => items,
    () => [],
  );
}

/**
 * @param {{job: Job, known: string, may: boolean, unit: Unit, look: (at_s: number) => void}} props
 *   `known` changes when the log or what is known of heights may have changed
 */
export function Wrong({ job, known, may, unit, look }) {
  const [told, setTold] = useState(0);
  const [more, setMore] = useState(false);
  const [tell] = useState(() => location.hash.endsWith(TELL));
  const button = useRef(/** @type {HTMLElement | null} */ (null));
  const id = useId();
  const bad = job.outcome === "flawed" || job.outcome === "failed";
  const log = useOfJob(bad ? job.id : "", `${job.id} ${bad} ${known} ${told}`, fetchLog, NONE);
  const place = useNear(() => place.current?.querySelector("h2"));
  return html`<div ref=${place}>${bad && (log?.flaws.length !== 0 || may) && said()}</div>`;

  function said() {
    // So that what follows does not move down under a finger when it is there.
    if (!log) return html`<section class="stories wrong"><h2>${X.heading}</h2><p class="waiting-flaw">${X.looking}</p></section>`;
    const { pieces, flaws, others } = log;
    const asked = flaws.length === 0;
    const shut = () => {
      setMore(false);
      button.current?.focus();
    };
    return html`<section class="stories wrong" aria-labelledby=${id}>
      <h2 id=${id} tabindex="-1">${asked ? X.ask : X.heading}</h2>
      ${flaws.map((flaw) => html`<${Flawed} key=${`${flaw.kind} ${flaw.height_mm} ${flaw.text}`} flaw=${flaw} job=${job} unit=${unit} look=${look} />`)}
      ${others > 0 && html`<p class="small">${X.others(others)}</p>`}
      ${may &&
      (asked || more) &&
      html`<${Tell} key=${told} job=${job} pieces=${pieces} focus=${more || tell} shut=${asked ? null : shut}
        kept=${() => (setTold(told + 1), setMore(false))} />`}
      ${may &&
      !asked &&
      html`<div class="acts"><button type="button" class="act slight" ref=${button} aria-expanded=${more} onClick=${() => setMore(!more)}>${X.more}</button></div>`}
    </section>`;
  }
}

/** One flaw; with the way to its moment where there is one. @param {{flaw: Found, job: Job, unit: Unit, look?: (at_s: number) => void}} props */
export function Flawed({ flaw, job, unit, look }) {
  const { kind, height_mm, text, pieces, then } = flaw;
  const what = height_mm === null ? X.upper(kind) : X.at(kind, mm(height_mm));
  // Pieces that are built one after the other have each its own minute.
  const own = then.filter(({ piece }) => pieces.includes(piece + 1));
  return html`<div class="laid">
    <p><b>${what}</b> (${W.pieces(pieces)})${text && `: ${text}`}</p>
    ${height_mm !== null && then.length === 0 && html`<p>${X.unknown}</p>`}
    ${(own.length ? own : then).slice(0, 1).map((each) => {
      const at = moment(each.start_at, job.started_at);
      return html`<p>${X.laid(at, duration(each.uncertainty_s), each.layer)} ${each.events.length === 0 && X.quiet}</p>
        ${each.events.length > 0 &&
        html`<ul>
          ${each.events.map((event) => html`<li key=${event.event}>${moment(event.onset_at, job.started_at)}: ${words(event.text, unit)}</li>`)}
        </ul>`}
        ${look && html`<button type="button" class="act slight" onClick=${() => look(Date.parse(each.start_at) / 1000)}>${A.go(at)}</button>`}`;
    })}
  </div>`;
}

/**
 * One flaw, told with a tap and a height.
 * @param {{job: Job, pieces: Piece[], focus: boolean, shut: (() => void) | null, kept: () => void}} props
 */
function Tell({ job, pieces, focus, shut, kept }) {
  const worst = pieces.find(({ outcome }) => outcome === job.outcome) ?? pieces[0];
  const [number, setNumber] = useState(worst?.number ?? 1);
  const [kind, setKind] = useState("");
  const [high, setHigh] = useState("");
  const { busy, error, run, refuse } = useWork();
  const place = useRef(/** @type {HTMLElement | null} */ (null));
  const id = useId();
  useEffect(() => {
    if (focus) place.current?.querySelector("button")?.focus();
  }, []);
  const keep = async (/** @type {Event} */ event) => {
    event.preventDefault();
    const height_mm = high.trim() ? typed(high) : null;
    if (!kind) return refuse(X.pick);
    if (height_mm !== null && !(height_mm >= 0 && height_mm <= HIGHEST_MM)) return refuse(X.height_wrong);
    const piece = pieces.find((each) => each.number === number);
    const flaws = [...(piece?.flaws ?? []), { kind, height_mm }];
    const outcome = piece?.outcome === "failed" ? "failed" : job.outcome;
    const path = `/api/jobs/${encodeURIComponent(job.id)}/pieces/${number}`;
    if (await run(() => request(path, { method: "PUT", body: { outcome, flaws } }))) kept();
  };
  return html`<form class="tell-flaw" novalidate onSubmit=${keep}
    onKeyDown=${(/** @type {KeyboardEvent} */ event) => event.key === "Escape" && shut?.()}>
    <div class="moments" role="group" aria-label=${X.kinds} ref=${place}>
      ${FLAWS.map((each) => html`<button type="button" key=${each} aria-pressed=${each === kind} onClick=${() => (setKind(each), refuse(""))}>${each}</button>`)}
    </div>
    <div class="asked">
      ${pieces.length > 1 &&
      html`<label for=${`${id}-piece`}>${X.piece}</label>
        <select id=${`${id}-piece`} value=${number} onChange=${(/** @type {any} */ event) => setNumber(Number(event.target.value))}>
          ${pieces.map((piece) => html`<option key=${piece.number} value=${piece.number}>${piece.number}</option>`)}
        </select>`}
      <label for=${`${id}-mm`}>${X.height}</label>
      <input id=${`${id}-mm`} inputmode="decimal" autocomplete="off" value=${high} aria-describedby=${`${id}-how`}
        onInput=${(/** @type {any} */ event) => setHigh(event.target.value)} />
      <button type="submit" class="act" aria-disabled=${busy}>${X.keep}</button>
      ${shut && html`<button type="button" class="act slight" onClick=${shut}>${X.leave}</button>`}
    </div>
    <p class="small" id=${`${id}-how`}>${X.no_height}</p>
    <${Refused} error=${error} />
  </form>`;
}
