/** Setting a chamber up, one thing a screen: the first time in order, later any part of it. */

import { useEffect, useRef, useState } from "../vendor/preact-hooks.js";
import { html } from "./html.js";
import { keep, recall } from "./kept.js";
import { STEPS, hasTurned, stepAddress } from "./route.js";
import { ToDo, isToDo } from "./first_steps.js";
import { Camera } from "./setup_camera.js";
import { changesOf, keptDraft, laidOn, stopAt, textOf } from "./setup_draft.js";
import { Figure, Typed, Wrong, fieldId } from "./setup_fields.js";
import { Returned, Writing, useFiles } from "./setup_file.js";
import { People } from "./setup_people.js";
import { Drawn, Places } from "./setup_places.js";
import { Sensors } from "./setup_sensors.js";
import { ANOTHER, WHICH } from "./setup_which.js";
import { Switches } from "./setup_switches.js";
import { S } from "./strings.js";
import { G } from "./strings_setup.js";
import { inUnit, symbol } from "./units.js";

/** @typedef {import("./types.js").Now} Now */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./setup_draft.js").Draft} Draft */
/** @typedef {import("./setup_draft.js").Stop} Stop */
/** @typedef {import("./setup_file.js").ChamberFile} ChamberFile */
/** @typedef {import("./setup_file.js").Files} Files */
/** @typedef {import("./first_steps.js").Found} Found */
/** @typedef {(part: Partial<Draft> | ((draft: Draft) => Partial<Draft>)) => void} Change */

const MATERIAL = S.section.materials;
const KEPT = "setup-draft";
const FIELDS = "input, select, textarea";

/**
 * What was chosen so far for the chamber of a file, each kept by itself: none is taken for
 * another's, and what is answered late changes the one it was asked for, as that is by then.
 * @param {ChamberFile | undefined} file  @returns {{draft: Draft | null, change: Change, clear: () => void}}
 */
export function useDraft(file) {
  const of = file?.file ?? "";
  const key = `${KEPT}:${of}`;
  const drafts = useRef(/** @type {Map<string, Draft>} */ (new Map()));
  const [, show] = useState({});
  if (file) drafts.current.set(of, laidOn(drafts.current.get(of) ?? keptDraft(recall(key), of), file));
  const change = (/** @type {Parameters<Change>[0]} */ part) => {
    const now = drafts.current.get(of);
    if (!now) return;
    const next = { ...now, ...(typeof part === "function" ? part(now) : part) };
    drafts.current.set(of, next);
    keep(key, textOf(next));
    show({});
  };
  const clear = () => {
    drafts.current.delete(of);
    keep(key, "");
  };
  return { draft: drafts.current.get(of) ?? null, change, clear };
}

/** @param {{step: string, now: Now, when: string, unit: Unit, found: Found[] | null, in_touch: boolean}} props */
export function SetupSteps({ step, now, when, unit, found, in_touch }) {
  const { files, failed, again } = useFiles(when);
  const [which, setWhich] = useState(recall(WHICH) ?? "");
  const fresh = which === ANOTHER ? files?.another : null;
  const file = fresh ?? files?.items.find((each) => each.chamber === which) ?? files?.items[0];
  const { draft, change: changeDraft, clear } = useDraft(file);
  const [wrote, setWrote] = useState(""); // on which step that is said
  const [stopped, setStopped] = useState({ at: "", times: 0 });
  const [asks, setAsks] = useState(false); // what changes is shown: writing it comes next
  const head = useRef(/** @type {HTMLElement | null} */ (null));
  const known = Boolean(files && file && draft);
  useEffect(() => {
    setStopped({ at: "", times: 0 });
    if (known && hasTurned()) head.current?.focus({ preventScroll: true });
  }, [step, known]);
  useEffect(() => {
    if (stopped.times) toWhatStops(stop);
  }, [stopped.times]);
  if (!files || !file || !draft) {
    return html`<section class="past setup"><h1 class="sentence">${G.begin}</h1>
      <p class="waiting">${failed ? `${G.failed} ${failed}` : G.asking}</p></section>`;
  }
  const change = (/** @type {any} */ part) => (setWrote(""), changeDraft(part));
  const at = STEPS.indexOf(step);
  const others = file.simulated ? [] : files.items.filter((each) => each !== file).map((each) => each.settings?.name ?? each.chamber);
  const stopOf = (/** @type {string} */ of) => stopAt(of, draft, file.settings, others);
  const stop = stopped.at === step ? stopOf(step) : null;
  const open = [step, ...STEPS].find(stopOf);
  const halt = () => setStopped((last) => ({ at: step, times: last.times + 1 }));
  const onward = (/** @type {Event} */ event) => {
    if (!stopOf(step)) return;
    event.preventDefault();
    halt();
  };
  const written = async (/** @type {string} */ chamber) => {
    clear();
    keep(WHICH, chamber);
    const next = first ? (STEPS[at + 1] ?? step) : step; // the first time one goes on
    await again();
    setWhich(chamber);
    setWrote(next);
    location.hash = stepAddress(next);
    head.current?.focus();
  };
  const begun = fresh !== null || Boolean(files.another && recall(`${KEPT}:${files.another.file}`)); // another box, perhaps half-typed
  const changes = file.faults.length ? [] : changesOf(draft, file.settings);
  const ready = file.settings !== null || draft.sensors.length > 0;
  const more = { draft, change, file, files, unit, stop, halt };
  const first = file.settings === null; // then all of it is gone through, and written at its end
  const ends = at === STEPS.length - 1; // before it, going on is what one most likely does
  return html`<section class="past setup" aria-labelledby="setup">
    <p class="small which">${G.step(at + 1, STEPS.length)}${(begun || files.items.length > 1) && html`<${Which} files=${files} begun=${begun} which=${fresh ? ANOTHER : file.chamber} choose=${(/** @type {string} */ key) => (keep(WHICH, key), setWhich(key))} />`}</p>
    <h1 id="setup" class="sentence" tabindex="-1" ref=${head}>${/** @type {any} */ (G)[step].head}</h1>
    <${Returned} files=${files} unit=${unit} done=${again} />
    <p role="status">${wrote === step && html`<strong>${G.write.written(files.gap_s)}</strong>`}</p>
    ${file.faults.length > 0 && html`<p class="refused">${G.faults(file.file)}</p><ul>${file.faults.map((fault) => html`<li key=${fault}>${fault}</li>`)}</ul>`}
    ${file.simulated && at < 3 && html`<p class="small">${G.simulated}</p>`}
    <div class="beside"><div key=${`${file.file} ${file.base} ${step}`}>
      ${step === "box" && html`<${Box} ...${more} />`}
      ${step === "sensors" && html`<${Sensors} ...${more} />`}
      ${step === "places" && html`<${Places} draft=${draft} set=${(/** @type {any} */ sensors) => change({ sensors })} />`}
      ${step === "switches" && html`<${Switches} ...${more} />`}
      ${step === "camera" && html`<${Camera} ...${more} now=${now} found=${found} in_touch=${in_touch} />`}
      ${step === "people" && html`<${People} ...${more} />`}
      ${step === "done" && html`<${Done} found=${found} unit=${unit} unwritten=${changes.length > 0} />`}
      ${draft.lost.length > 0 && html`<p class="aside">${G.lost(draft.lost)}</p>`}
      ${draft.again.length > 0 && html`<div class="aside" role="status"><p>${G.meanwhile(file.file, draft.again)}</p>
        <div class="acts"><button type="button" class="act slight" onClick=${() => change({ again: [] })}>${G.write.seen}</button></div></div>`}
      ${ready
        ? html`<${Writing} file=${file} files=${files} changes=${changes} unit=${unit} done=${written} kind=${ends ? "must" : "slight"} shows=${setAsks}
            hold=${open ? { step: open, say: stopOf(open)?.say ?? "", halt: open === step ? halt : null } : null} />`
        : changes.length > 0 && step !== "sensors" && html`<p class="small">${G.not_yet}</p>`}
    </div>${step !== "places" && html`<${Drawn} draft=${draft} />`}</div>
    <${Onward} at=${at} onward=${onward} kind=${asks ? "" : "must"} />
  </section>`;
}

/** To the field that one is stopped at, also in what is folded. @param {Stop | null} stop */
function toWhatStops(stop) {
  const field = stop && document.getElementById(fieldId(stop.field));
  const fold = field?.closest("details");
  if (fold) fold.open = true;
  const meets = field?.matches(`${FIELDS}, button, [tabindex]`) ? field : field?.querySelector(FIELDS);
  /** @type {HTMLElement | null | undefined} */ (meets)?.focus();
}

/** @param {{files: Files, begun: boolean, which: string, choose: (key: string) => void}} props */
function Which({ files, begun, which, choose }) {
  return html`<label>${G.chamber} <select value=${which} onChange=${(/** @type {any} */ event) => choose(event.target.value)}>
    ${files.items.map((each) => html`<option key=${each.chamber} value=${each.chamber}>${each.settings?.name ?? each.chamber}</option>`)}
    ${begun && html`<option value=${ANOTHER}>${G.another.name}</option>`}
  </select></label>`;
}

/** Back, next, and out: always there, at the same place. @param {{at: number, onward: (event: Event) => void, kind: string}} props */
function Onward({ at, onward, kind }) {
  return html`<nav class="onward" aria-label=${G.steps}>
    ${at > 0 ? html`<a class="act" href=${stepAddress(STEPS[at - 1])}>${G.back}</a>` : html`<span></span>`}
    <a class="act slight" href="#/setting-up">${G.later}</a>
    ${at < STEPS.length - 1 ? html`<a class=${`act ${kind}`} href=${stepAddress(STEPS[at + 1])} onClick=${onward}>${G.next}</a>` : html`<a class="act" href="#/">${G.done.watch}</a>`}
  </nav>`;
}

/** @param {{draft: Draft, change: Change, files: Files, unit: Unit, stop: Stop | null}} props */
function Box({ draft, change, files, unit, stop }) {
  const T = G.box;
  const turn = (/** @type {string} */ material) =>
    change({
      enclosure: draft.enclosure.includes(material)
        ? draft.enclosure.filter((each) => each !== material)
        : [...draft.enclosure, material],
    });
  const figure = (/** @type {"target_c" | "limit_c" | "width_mm" | "height_mm"} */ key, /** @type {string} */ label, /** @type {string} */ hint = "") =>
    html`<${Figure} label=${label} hint=${hint} field=${key} stop=${stop} value=${draft[key]} set=${(/** @type {number | string | null} */ value) => change({ [key]: value })} />`;
  return html`<div class="fields">
    <${Typed} label=${T.name} hint=${T.name_how} most=${40} field="name" stop=${stop} value=${draft.name} set=${(/** @type {string} */ name) => change({ name })} />
    <fieldset class="materials" id=${fieldId("enclosure")} aria-describedby=${stop?.field === "enclosure" ? `${fieldId("enclosure")}-wrong` : undefined}><legend>${T.materials}</legend>
      ${files.materials.map(
        ({ material, bears_c, combustible }) => html`<label key=${material}><input type="checkbox" checked=${draft.enclosure.includes(material)} onChange=${() => turn(material)} />
          <span>${MATERIAL[material] ?? material}<small>${T.bears(`${Math.round(inUnit(bears_c, unit))} ${symbol(unit)}`)}${combustible ? `, ${T.burns}` : ""}</small></span></label>`,
      )}
    </fieldset>
    <${Wrong} stop=${stop} field="enclosure" />
    ${figure("target_c", `${T.target} ${T.in_c}`, T.target_how)}
    <details>
      <summary>${T.size}</summary>
      <div class="fields">
        ${figure("limit_c", `${T.limit} ${T.in_c}`, T.limit_how)}
        ${figure("width_mm", T.width)}
        ${figure("height_mm", T.height)}
      </div>
    </details>
  </div>`;
}

/** @param {{found: Found[] | null, unit: Unit, unwritten: boolean}} props */
function Done({ found, unit, unwritten }) {
  const T = G.done;
  const open = (found ?? []).filter(isToDo);
  return html`<p class="sub">${T.how}</p>
    ${unwritten ? html`<p><strong>${T.unwritten}</strong></p>` : html`<p class="acts"><a class="act must" href="#/alarm-test">${T.test}</a></p>`}
    <h2>${T.open}</h2>
    ${open.length
      ? html`<${ToDo} todo=${open} unit=${unit} />`
      : html`<p>${T.nothing}</p>`}
    <p><a class="way" href="#/setting-up">${T.all}</a></p>`;
}
