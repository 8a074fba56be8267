/** Setting a chamber up, one thing a screen: the first time in order, later any part of it. */

import { useEffect, useId, useRef, useState } from "../vendor/preact-hooks.js";
import { html } from "./html.js";
import { keep, recall } from "./kept.js";
import { STEPS, stepAddress } from "./route.js";
import { ToDo, isToDo } from "./first_steps.js";
import { Camera } from "./setup_camera.js";
import { changesOf, draftOf, keptDraft } from "./setup_draft.js";
import { Choice, Figure, Typed } from "./setup_fields.js";
import { Returned, Writing, useFiles } from "./setup_file.js";
import { Places } from "./setup_places.js";
import { Sensors } from "./setup_sensors.js";
import { ANOTHER, WHICH } from "./setup_which.js";
import { Switches } from "./setup_switches.js";
import { S } from "./strings.js";
import { G } from "./strings_setup.js";
import { inUnit, symbol } from "./units.js";

/** @typedef {import("./types.js").Now} Now */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./setup_draft.js").Draft} Draft */
/** @typedef {import("./setup_file.js").ChamberFile} ChamberFile */
/** @typedef {import("./setup_file.js").Files} Files */
/** @typedef {import("./first_steps.js").Found} Found */

const MATERIAL = S.section.materials;
const KEPT = "setup-draft";

/** @param {{step: string, now: Now, when: string, unit: Unit, found: Found[] | null, in_touch: boolean}} props */
export function SetupSteps({ step, now, when, unit, found, in_touch }) {
  const { files, failed, again } = useFiles(when);
  const [which, setWhich] = useState(recall(WHICH) ?? "");
  const [draft, setDraft] = useState(/** @type {Draft | null} */ (null));
  const [wrote, setWrote] = useState(""); // on which step that is said
  const head = useRef(/** @type {HTMLElement | null} */ (null));
  const fresh = which === ANOTHER ? files?.another : null;
  const file = fresh ?? files?.items.find((each) => each.chamber === which) ?? files?.items[0];
  const base = file?.base;
  useEffect(() => {
    if (!file) return;
    setDraft(keptDraft(recall(KEPT), file.base) ?? draftOf(file.base, file.settings));
  }, [base, file?.chamber]);
  const shown = useRef(step);
  useEffect(() => {
    if (shown.current !== step) head.current?.focus({ preventScroll: true });
    shown.current = step;
  }, [step]);
  if (!files || !file || !draft) {
    return html`<section class="past setup"><h1 class="sentence">${G.begin}</h1>
      <p class="waiting">${failed ? `${G.failed} ${failed}` : G.asking}</p></section>`;
  }
  const change = (/** @type {Partial<Draft>} */ part) => {
    const next = { ...draft, ...part };
    setWrote("");
    setDraft(next);
    keep(KEPT, JSON.stringify(next));
  };
  const at = STEPS.indexOf(step);
  const written = async (/** @type {string} */ chamber) => {
    keep(KEPT, "");
    keep(WHICH, chamber);
    setWhich(chamber);
    const next = file.settings === null ? "switches" : step; // the first time one goes on
    setWrote(next);
    await again();
    location.hash = stepAddress(next);
  };
  const changes = file.faults.length ? [] : changesOf(draft, file.settings);
  const ready = file.settings !== null || draft.sensors.length > 0;
  const more = { file, files, unit, written };
  return html`<section class="past setup" aria-labelledby="setup">
    <p class="small">${G.step(at + 1, STEPS.length)}${(fresh || files.items.length > 1) && html` <${Which} files=${files} which=${fresh ? ANOTHER : file.chamber} choose=${(/** @type {string} */ key) => (keep(WHICH, key), setWhich(key))} />`}</p>
    <h1 id="setup" class="sentence" tabindex="-1" ref=${head}>${/** @type {any} */ (G)[step].head}</h1>
    <${Returned} files=${files} unit=${unit} done=${again} />
    <p role="status">${wrote === step && html`<strong>${G.write.written(files.gap_s)}</strong>`}</p>
    ${file.faults.length > 0 && html`<p class="refused">${G.faults(file.file)}</p><ul>${file.faults.map((fault) => html`<li key=${fault}>${fault}</li>`)}</ul>`}
    ${file.simulated && at < 3 && html`<p class="small">${G.simulated}</p>`}
    ${step === "box" && html`<${Box} draft=${draft} change=${change} files=${files} unit=${unit} />`}
    ${step === "sensors" && html`<${Sensors} draft=${draft} change=${change} changes=${changes} ...${more} />`}
    ${step === "places" && html`<${Places} draft=${draft} set=${(/** @type {any} */ sensors) => change({ sensors })} />`}
    ${step === "switches" && html`<${Switches} ...${more} />`}
    ${step === "camera" && html`<${Camera} ...${more} now=${now} found=${found} in_touch=${in_touch} />`}
    ${step === "people" && html`<${People} ...${more} />`}
    ${step === "done" && html`<${Done} found=${found} unit=${unit} />`}
    ${at < 3 && ready && (file.settings !== null || step === "places") && html`<${Writing} file=${file} files=${files} changes=${changes} unit=${unit} done=${written} />`}
    <${Onward} at=${at} />
  </section>`;
}

/** @param {{files: Files, which: string, choose: (key: string) => void}} props */
function Which({ files, which, choose }) {
  return html`<label>${G.chamber} <select value=${which} onChange=${(/** @type {any} */ event) => choose(event.target.value)}>
    ${files.items.map((each) => html`<option key=${each.chamber} value=${each.chamber}>${each.settings?.name ?? each.chamber}</option>`)}
    ${which === ANOTHER && html`<option value=${ANOTHER}>${G.another.name}</option>`}
  </select></label>`;
}

/** Back, next, and out: always there, at the same place. @param {{at: number}} props */
function Onward({ at }) {
  return html`<nav class="onward" aria-label=${G.steps}>
    ${at > 0 ? html`<a class="act" href=${stepAddress(STEPS[at - 1])}>${G.back}</a>` : html`<span></span>`}
    <a class="act slight" href="#/setting-up">${G.later}</a>
    ${at < STEPS.length - 1 ? html`<a class="act" href=${stepAddress(STEPS[at + 1])}>${G.next}</a>` : html`<a class="act" href="#/">${G.done.watch}</a>`}
  </nav>`;
}

/** @param {{draft: Draft, change: (part: Partial<Draft>) => void, files: Files, unit: Unit}} props */
function Box({ draft, change, files, unit }) {
  const id = useId();
  const T = G.box;
  const turn = (/** @type {string} */ material) =>
    change({
      enclosure: draft.enclosure.includes(material)
        ? draft.enclosure.filter((each) => each !== material)
        : [...draft.enclosure, material],
    });
  return html`<div class="fields">
    <label for=${id}>${T.name}</label>
    <input id=${id} type="text" maxlength="40" autocomplete="off" value=${draft.name} aria-describedby=${`${id}-how`}
      onInput=${(/** @type {any} */ event) => change({ name: event.target.value })} />
    <p id=${`${id}-how`} class="small">${T.name_how}</p>
    <fieldset class="materials"><legend>${T.materials}</legend>
      ${files.materials.map(
        ({ material, bears_c, combustible }) => html`<label key=${material}><input type="checkbox" checked=${draft.enclosure.includes(material)} onChange=${() => turn(material)} />
          <span>${MATERIAL[material] ?? material}<small>${T.bears(`${Math.round(inUnit(bears_c, unit))} ${symbol(unit)}`)}${combustible ? `, ${T.burns}` : ""}</small></span></label>`,
      )}
    </fieldset>
    <${Figure} label=${`${T.target} ${T.in_c}`} hint=${T.target_how} value=${draft.target_c} set=${(/** @type {number | null} */ target_c) => change({ target_c })} />
    <details>
      <summary>${T.limit}; ${T.size.toLowerCase()}</summary>
      <${Figure} label=${`${T.limit} ${T.in_c}`} hint=${T.limit_how} value=${draft.limit_c} set=${(/** @type {number | null} */ limit_c) => change({ limit_c })} />
      <${Figure} label=${T.width} value=${draft.width_mm} set=${(/** @type {number | null} */ width_mm) => change({ width_mm })} />
      <${Figure} label=${T.height} value=${draft.height_mm} set=${(/** @type {number | null} */ height_mm) => change({ height_mm })} />
    </details>
  </div>`;
}

const NOBODY = { name: "", way: "webpush", address: "", host: "", security: "starttls", username: "", password: "" };

/** @param {{file: ChamberFile, files: Files, unit: Unit, written: (chamber: string) => void}} props */
function People({ file, files, unit, written }) {
  const T = G.people;
  const [who, setWho] = useState(NOBODY);
  const [gone, setGone] = useState("");
  const set = (/** @type {Partial<typeof NOBODY>} */ part) => (setGone(""), setWho({ ...who, ...part }));
  if (!file.settings) return html`<p>${G.first} <a href=${stepAddress("places")}>${G.names.places}</a>.</p>`;
  const asks_server = who.way === "mailto" && !file.settings.mail;
  const route = who.way === "webpush" ? "webpush:" : who.way === "mailto" ? who.address && `mailto:${who.address.trim()}` : who.address.trim();
  const adds = who.name.trim() && route ? [{ do: "person", name: who.name.trim(), add: [route] }] : [];
  const server = { do: "mail", host: who.host.trim(), security: who.security, ...(who.username ? { username: who.username.trim() } : {}), ...(who.password ? { password: who.password } : {}) };
  const changes = gone ? [{ do: "remove person", of: gone }] : adds.length && asks_server && server.host ? [...adds, server] : adds;
  const done = (/** @type {string} */ key) => (setWho(NOBODY), setGone(""), written(key));
  return html`<p class="sub">${T.how}</p>
    <h2>${T.told}</h2>
    ${!file.settings.people.length && html`<p>${T.nobody}</p>`}
    <ul class="noted">${file.settings.people.map(
      ({ name, routes }) => html`<li key=${name}>${T.one(name, routes)}${" "}
        <button type="button" class="act slight" onClick=${() => setGone(gone === name ? "" : name)}>${T.remove(name)}</button></li>`,
    )}</ul>
    ${file.settings.people.some(({ routes }) => routes.some((each) => each.includes("telephones"))) && html`<p><a class="way" href="#/telephones">${T.telephones}</a></p>`}
    <div class="fields">
      <${Typed} label=${T.name} value=${who.name} set=${(/** @type {string} */ name) => set({ name })} most=${40} />
      <${Choice} label=${T.by} value=${who.way} among=${T.ways} set=${(/** @type {string} */ way) => set({ way, address: "" })} />
      ${who.way === "mailto" && html`<${Typed} label=${T.mail} type="email" value=${who.address} set=${(/** @type {string} */ address) => set({ address })} />`}
      ${who.way === "other" && html`<${Typed} label=${T.other} hint=${T.other_how} value=${who.address} set=${(/** @type {string} */ address) => set({ address })} />`}
      ${asks_server && html`<fieldset><legend>${T.server}</legend>
        <${Typed} label=${T.host} value=${who.host} set=${(/** @type {string} */ host) => set({ host })} />
        <${Choice} label=${T.security} value=${who.security} among=${T.securities} set=${(/** @type {string} */ security) => set({ security })} />
        <${Typed} label=${T.username} value=${who.username} set=${(/** @type {string} */ username) => set({ username })} />
        <${Typed} label=${T.password} type="password" hint=${T.password_how} value=${who.password} set=${(/** @type {string} */ password) => set({ password })} />
      </fieldset>`}
    </div>
    <${Writing} file=${file} files=${files} changes=${changes} unit=${unit} done=${done} />`;
}

/** @param {{found: Found[] | null, unit: Unit}} props */
function Done({ found, unit }) {
  const T = G.done;
  const open = (found ?? []).filter(isToDo);
  return html`<p class="sub">${T.how}</p>
    <p class="acts"><a class="act must" href="#/alarm-test">${T.test}</a></p>
    <h2>${T.open}</h2>
    ${open.length
      ? html`<${ToDo} todo=${open} unit=${unit} />`
      : html`<p>${T.nothing}</p>`}
    <p><a class="way" href="#/setting-up">${T.all}</a></p>`;
}
