/** Find out which sensor is which: a live list with how each has warmed since somebody began. */

import { useEffect, useId, useRef, useState } from "../vendor/preact-hooks.js";
import { Act } from "./act.js";
import { get, post } from "./ask.js";
import { html } from "./html.js";
import { Figure, Typed, fieldId } from "./setup_fields.js";
import { MoreSensors, TryTopic, unnamed } from "./setup_more_sensors.js";
import { G } from "./strings_setup.js";
import { symbol } from "./units.js";

/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./setup_draft.js").Draft} Draft */
/** @typedef {import("./setup_draft.js").DraftSensor} DraftSensor */
/** @typedef {import("./setup_file.js").ChamberFile} ChamberFile */
/** @typedef {import("./setup_file.js").Files} Files */
/** @typedef {{address: string, driver: string, device: string | null, name: string | null, chamber: string | null, place: string | null, temperature_c: number | null, fault: string | null, rise_k: number | null}} Chip */
/** @typedef {{chamber: string, name: string, temperature_c: number | null, fault: string | null}} Watched */
/** @typedef {{sensors: Chip[], buses: string[], ports: string[], watched: Watched[], cameras: string[], camera_names: Record<string, string>}} Finding */

const EVERY_MS = 1_000;
const WARMED_K = 0.8; // more than air in a room does by itself in a minute
const T = G.sensors;

/** What is plugged in, asked for each second while somebody looks. @returns {Finding | null} */
export function useFinding() {
  const [finding, setFinding] = useState(/** @type {Finding | null} */ (null));
  useEffect(() => {
    let over = false;
    let asking = false;
    const ask = async () => {
      if (asking || document.hidden) return;
      asking = true;
      const answer = await get("/api/finding").catch(() => null);
      asking = false;
      if (answer && !over) setFinding(answer);
    };
    ask();
    const timer = setInterval(ask, EVERY_MS);
    return () => {
      over = true;
      clearInterval(timer);
    };
  }, []);
  return finding;
}

/** @param {{draft: Draft, change: import("./setup_steps.js").Change, file: ChamberFile, files: Files, unit: Unit, stop: import("./setup_draft.js").Stop | null, halt: () => void}} props */
export function Sensors({ draft, change, file, files, unit, stop, halt }) {
  const finding = useFinding();
  useEffect(() => {
    post("/api/finding/anew").catch(() => undefined); // a rise counts from when somebody began to look
  }, []);
  const [fresh, setFresh] = useState(-1); // the one just taken: its name comes next
  const chips = finding?.sensors ?? [];
  const warmest = chips.reduce((/** @type {Chip | null} */ best, chip) => ((chip.rise_k ?? 0) > (best?.rise_k ?? WARMED_K) ? chip : best), null);
  const others = draft.sensors.filter((sensor) => !chips.some((chip) => same(sensor, chip)));
  /** @param {DraftSensor} old  @param {Partial<DraftSensor>} part */
  const set = (old, part) => change({ sensors: draft.sensors.map((each) => (each === old ? { ...each, ...part } : each)) });
  /** @param {DraftSensor} old */
  const drop = (old) => (setFresh(-1), change({ sensors: draft.sensors.filter((each) => each !== old) }));
  const named_by = (/** @type {DraftSensor} */ sensor) => {
    const n = draft.sensors.indexOf(sensor);
    return html`<${Named} key=${n} n=${n} sensor=${sensor} draft=${draft} file=${file} fresh=${fresh === n} stop=${stop} set=${(/** @type {Partial<DraftSensor>} */ part) => set(sensor, part)} drop=${() => drop(sensor)} />`;
  };
  const named = warmest && (draft.sensors.find((each) => same(each, warmest))?.name || warmest.address);
  return html`<p class="sub">${T.how}</p>
    <p class="warming" role="status">${warmest && named ? T.warming(named, warmest.rise_k ?? 0, unit) : finding && chips.length ? T.still : ""}</p>
    ${!finding && html`<p class="waiting">${T.looking}</p>`}
    ${finding && !chips.length && html`${!draft.sensors.length && html`<p>${T.none}</p>`}
      <details><summary>${T.none_head}</summary><ul class="listed">${T.none_more.map((each) => html`<li key=${each}>${each}</li>`)}</ul></details>`}
    <ul class="chips">
      ${chips.map((chip) => {
        const taken = draft.sensors.find((each) => same(each, chip));
        const whose = chip.chamber && chip.chamber !== file.chamber ? files.items.find((each) => each.chamber === chip.chamber) : null;
        const free = !whose || chip.place === "room"; // air of the room is both boxes'
        return html`<li key=${mark(chip)} class=${chip === warmest ? "warmest" : ""} aria-label=${T.of(chip.address)}>
          <${Reading} chip=${chip} unit=${unit} />
          ${whose && !taken && html`<p>${G.another.taken(chip.name ?? "", whose.settings?.name ?? whose.chamber)}</p>`}
          ${taken && named_by(taken)}
          ${!taken && free && html`<button type="button" class="act" onClick=${() => (setFresh(draft.sensors.length), change({ sensors: [...draft.sensors, taking(chip)] }))}>${T.take}</button>`}
        </li>`;
      })}
      ${others.map((sensor) => {
        const reads = finding?.watched.find((each) => each.chamber === file.chamber && each.name === sensor.of);
        return html`<li key=${sensor.of ?? draft.sensors.indexOf(sensor)}>
          ${reads && html`<p class="chip"><span class="reads">${reads.temperature_c === null ? "–" : T.reads(reads.temperature_c, unit)} <small>${symbol(unit)}</small></span>
            <span class="small">${G.more.thing(sensor)}</span></p>`}
          ${reads?.fault && html`<p>${G.more.fault(reads.fault)}</p>`}
          ${!reads && html`<p class="small">${G.more.thing(sensor)}</p>`}
          ${named_by(sensor)}
        </li>`;
      })}
    </ul>
    ${chips.length > 0 && html`<div class="acts"><${Act} kind="slight" work=${() => post("/api/finding/anew")}>${T.anew}<//></div>`}
    <${MoreSensors} draft=${draft} change=${change} finding=${finding} file=${file} files=${files} unit=${unit} stop=${stop} halt=${halt} took=${() => setFresh(draft.sensors.length)} />`;
}

/** Whether a sensor of the draft is this chip. @param {DraftSensor} sensor @param {Chip} chip */
function same(sensor, chip) {
  return sensor.address === chip.address && (sensor.device ?? null) === chip.device;
}

/** @param {Chip} chip */
function mark(chip) {
  return `${chip.device ?? ""}${chip.address}`;
}

/** A new one of what was found. @param {Chip} chip @returns {DraftSensor} */
function taking({ driver, address, device }) {
  return { ...unnamed(), driver, address, ...(device ? { device } : {}) };
}

/** @param {{chip: Chip, unit: Unit}} props */
function Reading({ chip, unit }) {
  return html`<p class="chip">
    <span class="reads">${chip.temperature_c === null ? "–" : T.reads(chip.temperature_c, unit)} <small>${symbol(unit)}</small></span>
    ${chip.rise_k !== null && html`<span class="rise">${T.rise(chip.rise_k, unit)}</span>`}
    <span class="small">${chip.device ? G.more.thing(chip) : chip.address}</span>
  </p>
  ${chip.rise_k === null && chip.fault && html`<p>${G.more.fault(chip.fault)}</p>`}`;
}

/** @param {{sensor: DraftSensor, n: number, draft: Draft, file: ChamberFile, set: (part: Partial<DraftSensor>) => void, drop: () => void, fresh: boolean, stop: import("./setup_draft.js").Stop | null}} props */
function Named({ sensor, n, draft, file, set, drop, fresh, stop }) {
  const id = useId();
  const ask = useRef(/** @type {HTMLElement | null} */ (null));
  useEffect(() => {
    if (fresh) ask.current?.focus(); // the button that was pressed is gone
  }, [fresh]);
  const used = new Set(draft.sensors.map((each) => each.name.trim().toLowerCase()));
  const free = T.suggested.filter((each) => !used.has(each));
  const call = (/** @type {string} */ name) => (set({ name, place: name === "room" || name === "bed" ? name : sensor.place }), document.getElementById(fieldId(`sensor-${n}-name`))?.focus());
  const was = file.settings?.sensors.find((each) => each.name === sensor.of);
  const field = (/** @type {string} */ of) => `sensor-${n}-${of}`;
  return html`<div class="fields">
    ${!sensor.name.trim() && free.length > 0 && html`<div class="suggested" role="group" aria-label=${T.called} tabindex="-1" ref=${ask}>
      <p>${T.called}</p>
      ${free.map((name) => html`<button type="button" class="act" key=${name} onClick=${() => call(name)}>${name}</button>`)}
    </div>`}
    <${Typed} label=${T.name} most=${40} field=${field("name")} stop=${stop} value=${sensor.name} set=${(/** @type {string} */ name) => set({ name })} />
    <label for=${`${id}-place`}>${T.place}</label>
    <select id=${`${id}-place`} value=${sensor.place} onChange=${(/** @type {any} */ event) => set({ place: event.target.value })}>
      ${Object.entries(T.places).map(([value, words]) => html`<option key=${value} value=${value}>${words}</option>`)}
    </select>
    ${sensor.driver === "mqtt" && sensor.topic != null && html`<${Typed} label=${G.more.topic} field=${field("topic")} stop=${stop} value=${sensor.topic} set=${(/** @type {string} */ topic) => set({ topic })} />
      <details><summary>${G.more.pointer_head}</summary>
        <${Typed} label=${G.more.pointer} hint=${G.more.pointer_how} value=${sensor.pointer ?? ""} set=${(/** @type {string} */ pointer) => set({ pointer: pointer || null })} /></details>
      ${was && sensor.topic.trim() && (was.topic !== sensor.topic.trim() || (was.pointer ?? "") !== (sensor.pointer ?? "")) && html`<${TryTopic} draft=${draft} file=${file} topic=${sensor.topic.trim()} pointer=${sensor.pointer ?? ""} />`}`}
    <details>
      <summary>${T.correction}</summary>
      <${Figure} label=${T.correction_label} hint=${T.correction_how} field=${field("correction")} stop=${stop} value=${sensor.correction_k || null}
        set=${(/** @type {any} */ correction_k) => set({ correction_k })} />
    </details>
    <button type="button" class="act slight" onClick=${drop}>${T.leave_out}</button>
  </div>`;
}
