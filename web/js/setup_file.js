/** The chamber files as the service tells them, and the one way of writing one: seen first. */

import { useEffect, useId, useRef, useState } from "../vendor/preact-hooks.js";
import { Act, Refused, useWork } from "./act.js";
import { AskError, get, post } from "./ask.js";
import { html } from "./html.js";
import { BACK } from "./live.js";
import { Twice } from "./twice.js";
import { stepAddress } from "./route.js";
import { G } from "./strings_setup.js";
import { whole, words } from "./units.js";

/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./setup_draft.js").Settings} Settings */
/** @typedef {{chamber: string, file: string, base: string, simulated: boolean, fixed: string | null, by_hand: boolean, faults: string[], settings: Settings | null, undo: {words: string[], by: string, at: string, takes_away: boolean, gives_up: string[], warning: string} | null}} ChamberFile */
/** @typedef {{file: string, words: string[], by: string, at: string}} Gone */
/** @typedef {{items: ChamberFile[], another: ChamberFile | null, another_why: string, gone: Gone[], returned: {words: string[], why: string, at: string} | null, on_trial: boolean, materials: {material: string, bears_c: number, combustible: boolean}[], gap_s: number | null}} Files */

const ASK_AGAIN_MS = 500;
const TRIAL_MS = 2_000;
const GIVE_UP_MS = 90_000;
const T = G.write;

/**
 * @param {string} when  changes when they may have changed
 * @returns {{files: Files | null, failed: string, again: () => Promise<Files | null>}}
 */
export function useFiles(when) {
  const [files, setFiles] = useState(/** @type {Files | null} */ (null));
  const [failed, setFailed] = useState("");
  const over = useRef(false);
  const again = async () => {
    try {
      const answer = /** @type {Files} */ (await get("/api/chamber-files"));
      if (!over.current) {
        setFiles(answer);
        setFailed("");
      }
      return answer;
    } catch (failure) {
      if (!over.current) setFailed(failure instanceof AskError ? failure.message : String(failure));
      return null;
    }
  };
  useEffect(() => {
    over.current = false;
    again();
    return () => {
      over.current = true;
    };
  }, [when]);
  useEffect(() => {
    if (!files?.on_trial) return undefined;
    const timer = setTimeout(again, TRIAL_MS); // what can be undone is known after it
    return () => clearTimeout(timer);
  }, [files]);
  return { files, failed, again };
}

/**
 * Wait until the service watches by a file that is another than before.
 * @param {Files} before  @returns {Promise<Files>}
 */
async function comeBack(before) {
  const until_ms = performance.now() + GIVE_UP_MS;
  const known = new Set(before.items.map((item) => item.base));
  while (performance.now() < until_ms) {
    await new Promise((done) => setTimeout(done, ASK_AGAIN_MS));
    const now = /** @type {Files | null} */ (await get("/api/chamber-files", { wait_ms: 3_000 }).catch(() => null));
    if (!now) continue;
    if (now.returned && now.returned.at !== before.returned?.at) throw new AskError(`${T.returned} ${now.returned.why}`, 0);
    const other = now.items.length !== before.items.length || now.items.some((item) => !known.has(item.base));
    if (other && now.items.every((item) => !item.by_hand)) {
      dispatchEvent(new Event(BACK));
      return now;
    }
  }
  throw new AskError(T.late, 0);
}

/** What was written last is tried for some seconds; nothing is written meanwhile. */
async function tried() {
  const until_ms = performance.now() + GIVE_UP_MS;
  while (performance.now() < until_ms) {
    const now = /** @type {Files} */ (await get("/api/chamber-files"));
    if (!now.on_trial) return;
    await new Promise((done) => setTimeout(done, ASK_AGAIN_MS));
  }
}

/**
 * See what would change, then write it or not.
 * `hold`: why that has to wait, and what leads there; `shows` hears whether what changes is seen.
 * @param {{file: ChamberFile, files: Files, changes: object[], unit: Unit, done: (chamber: string) => void, say?: string, kind?: string, yes?: string, hold?: {step: string, say: string, halt: (() => void) | null} | null, shows?: (is: boolean) => void}} props
 */
export function Writing({ file, files, changes, unit, done, say = T.see, kind = "must", yes = T.yes, hold = null, shows }) {
  const [seen, setSeen] = useState(/** @type {{words: string[], chamber: string, gives_up: string[], of: string} | null} */ (null));
  const [written, setWritten] = useState(false);
  const [held, setHeld] = useState(false);
  const { busy, error, run } = useWork();
  const head = useRef(/** @type {HTMLElement | null} */ (null));
  const id = useId();
  const of = JSON.stringify(changes);
  const body = { chamber: file.chamber, base: file.base, changes };
  useEffect(() => {
    if (seen) head.current?.focus();
  }, [seen]);
  const shown = seen && seen.of === of && !hold && !file.fixed && changes.length ? seen : null; // what was chosen since is asked anew
  useEffect(() => {
    shows?.(shown !== null);
    return () => shows?.(false);
  }, [shown !== null]);
  if (file.fixed) return html`<p class="aside">${file.fixed}</p>`;
  if (!changes.length) return null;
  const see = () =>
    hold ? (hold.halt ? hold.halt() : setHeld(true)) :
    run(async () => {
      const answer = await post("/api/chamber-files/proposal", body);
      setSeen({ ...answer, of });
    });
  const write = () =>
    run(async () => {
      await tried();
      const answer = await post("/api/chamber-files", { ...body, gives_up: shown?.gives_up ?? [] });
      try {
        setWritten(true);
        if (answer.begins_anew) await comeBack(files);
      } finally {
        setWritten(false);
      }
      setSeen(null);
      done(answer.chamber);
    });
  if (!shown) {
    return html`<div class="acts">
      <button type="button" class=${`act ${kind}`} aria-disabled=${busy} onClick=${see}>${say}</button>
      <${Refused} error=${error} />
      ${held && hold && !hold.halt && html`<p class="refused" role="alert">${hold.say} <a href=${stepAddress(hold.step)}>${T.there(G.names[hold.step])}</a></p>`}
    </div>`;
  }
  return html`<div class="aside changes" role="group" aria-labelledby=${id}>
    <h2 id=${id} tabindex="-1" ref=${head}>${T.head}</h2>
    ${file.by_hand && html`<p>${G.by_hand}</p>`}
    <ul>${shown.words.map((line) => html`<li key=${line}>${words(line, unit)}</li>`)}</ul>
    <p class="small">${T.gap(files.gap_s)}</p>
    <p role="status">${written ? T.busy : busy && files.on_trial && T.tried}</p>
    <div class="acts">
      <button type="button" class="act must" aria-disabled=${busy} onClick=${write}>${shown.gives_up.length ? T.gives_up(shown.gives_up.join(", ")) : yes}</button>
      ${!busy && html`<button type="button" class="act slight" onClick=${() => setSeen(null)}>${T.no}</button>`}
      <${Refused} error=${error} />
    </div>
  </div>`;
}

/** What was changed last, and taking it back. @param {{file: ChamberFile, files: Files, unit: Unit, done: () => void}} props */
export function Undo({ file, files, unit, done }) {
  if (!file.undo || file.fixed) return null;
  const work = async () => {
    await post("/api/chamber-files/undo", { chamber: file.chamber, base: file.base, gives_up: file.undo?.gives_up ?? [] });
    await comeBack(files);
  };
  return html`<p>${G.file.last(whole(file.undo.at), file.undo.by)}</p>
    <ul class="found">${file.undo.words.map((line) => html`<li key=${line}>${words(line, unit)}</li>`)}</ul>
    <${Twice} ask=${G.file.undo} question=${`${file.undo.warning} ${file.undo.takes_away ? G.file.undo_away : G.file.undo_ask} ${T.gap(files.gap_s)}`}
      yes=${file.undo.gives_up.length ? T.gives_up(file.undo.gives_up.join(", ")) : G.file.undo_yes} no=${G.file.undo_no} kind="" work=${work} done=${done} />`;
}

/** Boxes that were taken away, and bringing one back. @param {{files: Files, unit: Unit, done: () => void}} props */
export function Gone({ files, unit, done }) {
  return files.gone.map((gone) => {
    const work = async () => {
      await post("/api/chamber-files/undo", { chamber: gone.file, base: "" });
      await comeBack(files);
    };
    return html`<div key=${gone.file}><p>${G.file.last(whole(gone.at), gone.by)}</p>
      <ul class="found">${gone.words.slice(0, 1).map((line) => html`<li key=${line}>${words(line, unit)}</li>`)}</ul>
      <${Twice} ask=${G.another.back} question=${`${G.another.back_ask} ${T.gap(files.gap_s)}`}
        yes=${G.another.back_yes} no=${G.file.undo_no} kind="" work=${work} done=${done} /></div>`;
  });
}

/** A change that came back by itself. @param {{files: Files, unit: Unit, done: () => unknown}} props */
export function Returned({ files, unit, done }) {
  if (!files.returned) return null;
  return html`<div class="aside" role="alert">
    <p><strong>${T.returned}</strong> ${words(files.returned.why, unit)}</p>
    <ul>${files.returned.words.map((line) => html`<li key=${line}>${words(line, unit)}</li>`)}</ul>
    <div class="acts"><${Act} work=${() => post("/api/chamber-files/seen")} done=${done}>${T.seen}<//></div>
  </div>`;
}

