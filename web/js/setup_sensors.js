/** Find out which sensor is which: a live list with how each has warmed since somebody began. */

import { useEffect, useId, useRef, useState } from "../vendor/preact-hooks.js";
import { Act } from "./act.js";
import { get, post } from "./ask.js";
import { html } from "./html.js";
import { Figure } from "./setup_fields.js";
import { MoreSensors, suggested } from "./setup_more_sensors.js";
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

/** @param {{draft: Draft, change: (part: Partial<Draft>) => void, file: ChamberFile, files: Files, unit: Unit, changes: object[], written: (chamber: string) => void}} props */
export function Sensors({ draft, change, file, files, unit, changes, written }) {
  const finding = useFinding();
  useEffect(() => {
    post("/api/finding/anew").catch(() => undefined); // a rise counts from when somebody began to look
  }, []);
  const [fresh, setFresh] = useState(""); // the one just taken: its name comes next
  const chips = finding?.sensors ?? [];
  const warmest = chips.reduce((/** @type {Chip | null} */ best, chip) => ((chip.rise_k ?? 0) > (best?.rise_k ?? WARMED_K) ? chip : best), null);
  const others = draft.sensors.filter((sensor) => !chips.some((chip) => same(sensor, chip)));
  /** @param {DraftSensor} old  @param {Partial<DraftSensor>} part */
  const set = (old, part) => change({ sensors: draft.sensors.map((each) => (each === old ? { ...each, ...part } : each)) });
  /** @param {DraftSensor} old */
  const drop = (old) => change({ sensors: draft.sensors.filter((each) => each !== old) });
  const named = warmest && (draft.sensors.find((each) => same(each, warmest))?.name || warmest.address);
  return html`<p class="sub">${T.how}</p>
    <p class="warming" role="status">${warmest && named ? T.warming(named, warmest.rise_k ?? 0, unit) : finding && chips.length ? T.still : ""}</p>
    ${!finding && html`<p class="waiting">${T.looking}</p>`}
    ${finding && !chips.length && html`<p>${T.none}</p>`}
    <ul class="chips">
      ${chips.map((chip) => {
        const taken = draft.sensors.find((each) => same(each, chip));
        const whose = chip.chamber && chip.chamber !== file.chamber ? files.items.find((each) => each.chamber === chip.chamber) : null;
        const free = !whose || chip.place === "room"; // air of the room is both boxes'
        return html`<li key=${mark(chip)} class=${chip === warmest ? "warmest" : ""} aria-label=${T.of(chip.address)}>
          <${Reading} chip=${chip} unit=${unit} />
          ${whose && !taken && html`<p>${G.another.taken(chip.name ?? "", whose.settings?.name ?? whose.chamber)}</p>`}
          ${taken && html`<${Named} sensor=${taken} fresh=${fresh === mark(chip)} set=${(/** @type {Partial<DraftSensor>} */ part) => set(taken, part)} drop=${() => drop(taken)} />`}
          ${!taken && free && html`<button type="button" class="act" onClick=${() => (setFresh(mark(chip)), change({ sensors: [...draft.sensors, taking(chip, draft)] }))}>${T.take}</button>`}
        </li>`;
      })}
      ${others.map((sensor) => {
        const reads = finding?.watched.find((each) => each.chamber === file.chamber && each.name === sensor.of);
        return html`<li key=${sensor.of ?? draft.sensors.indexOf(sensor)}>
          ${reads && html`<p class="chip"><span class="reads">${reads.temperature_c === null ? "–" : T.reads(reads.temperature_c, unit)} <small>${symbol(unit)}</small></span>
            <span class="rise">${reads.fault ?? ""}</span></p>`}
          <p class="small">${G.more.thing(sensor)}</p>
          <${Named} sensor=${sensor} set=${(/** @type {Partial<DraftSensor>} */ part) => set(sensor, part)} drop=${() => drop(sensor)} />
        </li>`;
      })}
    </ul>
    ${chips.length > 0 && html`<div class="acts"><${Act} kind="slight" work=${() => post("/api/finding/anew")}>${T.anew}<//></div>`}
    <${MoreSensors} draft=${draft} change=${change} finding=${finding} file=${file} files=${files} unit=${unit} changes=${changes} written=${written} />`;
}

/** Whether a sensor of the draft is this chip. @param {DraftSensor} sensor @param {Chip} chip */
function same(sensor, chip) {
  return sensor.address === chip.address && (sensor.device ?? null) === chip.device;
}

/** @param {Chip} chip */
function mark(chip) {
  return `${chip.device ?? ""}${chip.address}`;
}

/** A new one of what was found. @param {Chip} chip @param {Draft} draft @returns {DraftSensor} */
function taking({ driver, address, device }, draft) {
  return { ...suggested(draft, address), driver, address, ...(device ? { device } : {}) };
}

/** @param {{chip: Chip, unit: Unit}} props */
function Reading({ chip, unit }) {
  return html`<p class="chip">
    <span class="reads">${chip.temperature_c === null ? "–" : T.reads(chip.temperature_c, unit)} <small>${symbol(unit)}</small></span>
    <span class="rise">${chip.rise_k === null ? (chip.fault ?? "") : T.rise(chip.rise_k, unit)}</span>
    <span class="small">${chip.device ? G.more.thing(chip) : chip.address}</span>
  </p>`;
}

/** @param {{sensor: DraftSensor, set: (part: Partial<DraftSensor>) => void, drop: () => void, fresh?: boolean}} props */
function Named({ sensor, set, drop, fresh = false }) {
  const id = useId();
  const name = useRef(/** @type {HTMLInputElement | null} */ (null));
  useEffect(() => {
    if (fresh) name.current?.focus(); // the button that was pressed is gone
  }, [fresh]);
  return html`<div class="fields">
    <label for=${`${id}-name`}>${T.name}</label>
    <input id=${`${id}-name`} ref=${name} type="text" maxlength="40" autocomplete="off" value=${sensor.name}
      onInput=${(/** @type {any} */ event) => set({ name: event.target.value })} />
    <label for=${`${id}-place`}>${T.place}</label>
    <select id=${`${id}-place`} value=${sensor.place} onChange=${(/** @type {any} */ event) => set({ place: event.target.value })}>
      ${Object.entries(T.places).map(([value, words]) => html`<option key=${value} value=${value}>${words}</option>`)}
    </select>
    <details>
      <summary>${T.correction}</summary>
      <${Figure} label=${T.correction} hint=${T.correction_how} value=${sensor.correction_k || null}
        set=${(/** @type {number | null} */ correction_k) => set({ correction_k })} />
    </details>
    <button type="button" class="act slight" onClick=${drop}>${T.leave_out}</button>
  </div>`;
}
