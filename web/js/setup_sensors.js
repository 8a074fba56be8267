/** Find out which sensor is which: a live list with how each has warmed since somebody began. */

import { useEffect, useId, useRef, useState } from "../vendor/preact-hooks.js";
import { Act } from "./act.js";
import { get, post } from "./ask.js";
import { html } from "./html.js";
import { G } from "./strings_setup.js";
import { symbol, typed } from "./units.js";

/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./setup_draft.js").Draft} Draft */
/** @typedef {import("./setup_draft.js").DraftSensor} DraftSensor */
/** @typedef {{address: string, name: string | null, temperature_c: number | null, fault: string | null, rise_k: number | null}} Chip */
/** @typedef {{sensors: Chip[], cameras: string[], camera_names: Record<string, string>}} Finding */

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

/** @param {{draft: Draft, change: (part: Partial<Draft>) => void, unit: Unit}} props */
export function Sensors({ draft, change, unit }) {
  const finding = useFinding();
  useEffect(() => {
    post("/api/finding/anew").catch(() => undefined); // a rise counts from when somebody began to look
  }, []);
  const [fresh, setFresh] = useState(""); // the one just taken: its name comes next
  const chips = finding?.sensors ?? [];
  const warmest = chips.reduce((/** @type {Chip | null} */ best, chip) => ((chip.rise_k ?? 0) > (best?.rise_k ?? WARMED_K) ? chip : best), null);
  const others = draft.sensors.filter((sensor) => !chips.some((chip) => chip.address === sensor.address));
  /** @param {DraftSensor} old  @param {Partial<DraftSensor>} part */
  const set = (old, part) => change({ sensors: draft.sensors.map((each) => (each === old ? { ...each, ...part } : each)) });
  /** @param {DraftSensor} old */
  const drop = (old) => change({ sensors: draft.sensors.filter((each) => each !== old) });
  const named = warmest && (draft.sensors.find((each) => each.address === warmest.address)?.name || warmest.address);
  return html`<p class="sub">${T.how}</p>
    <p class="warming" role="status">${warmest && named ? T.warming(named, warmest.rise_k ?? 0, unit) : finding && chips.length ? T.still : ""}</p>
    ${!finding && html`<p class="waiting">${T.looking}</p>`}
    ${finding && !chips.length && html`<p>${T.none}</p>`}
    <ul class="chips">
      ${chips.map((chip) => {
        const taken = draft.sensors.find((each) => each.address === chip.address);
        return html`<li key=${chip.address} class=${chip === warmest ? "warmest" : ""} aria-label=${T.of(chip.address)}>
          <${Reading} chip=${chip} unit=${unit} />
          ${taken
            ? html`<${Named} sensor=${taken} fresh=${fresh === chip.address} set=${(/** @type {Partial<DraftSensor>} */ part) => set(taken, part)} drop=${() => drop(taken)} />`
            : html`<button type="button" class="act" onClick=${() => (setFresh(chip.address), change({ sensors: [...draft.sensors, taking(chip.address, draft)] }))}>${T.take}</button>`}
        </li>`;
      })}
      ${others.map(
        (sensor) => html`<li key=${sensor.of ?? sensor.address}>
          <p class="chip"><span class="small">${sensor.address ?? sensor.driver}</span></p>
          <${Named} sensor=${sensor} set=${(/** @type {Partial<DraftSensor>} */ part) => set(sensor, part)} drop=${() => drop(sensor)} />
        </li>`,
      )}
    </ul>
    ${chips.length > 0 && html`<div class="acts"><${Act} kind="slight" work=${() => post("/api/finding/anew")}>${T.anew}<//></div>`}
    <${Door} draft=${draft} change=${change} />`;
}

/** A new one, with the first name that nobody has. @param {string} address @param {Draft} draft @returns {DraftSensor} */
function taking(address, draft) {
  const used = new Set(draft.sensors.map((sensor) => sensor.name));
  const name = T.suggested.find((each) => !used.has(each)) ?? address;
  const place = name === "room" || name === "bed" ? name : "chamber";
  return { of: null, name, place, driver: "onewire", address, correction_k: null, drawn_at: null };
}

/** @param {{chip: Chip, unit: Unit}} props */
function Reading({ chip, unit }) {
  return html`<p class="chip">
    <span class="reads">${chip.temperature_c === null ? "–" : T.reads(chip.temperature_c, unit)} <small>${symbol(unit)}</small></span>
    <span class="rise">${chip.rise_k === null ? (chip.fault ?? "") : T.rise(chip.rise_k, unit)}</span>
    <span class="small">${chip.address}</span>
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

/** @param {{draft: Draft, change: (part: Partial<Draft>) => void}} props */
function Door({ draft, change }) {
  return html`<div class="fields door-pin">
    <${Figure} label=${T.door} hint=${T.door_how} value=${draft.door_pin} whole=${true}
      set=${(/** @type {number | null} */ door_pin) => change({ door_pin })} />
  </div>`;
}

/**
 * A number, or none where the field is empty.
 * @param {{label: string, value: number | null, set: (value: number | null) => void, hint?: string, whole?: boolean}} props
 */
export function Figure({ label, value, set, hint, whole = false }) {
  const id = useId();
  const [text, setText] = useState(value === null ? "" : String(value));
  const told = (/** @type {any} */ event) => {
    setText(event.target.value);
    const number = typed(event.target.value);
    set(Number.isNaN(number) ? null : whole ? Math.round(number) : number);
  };
  const wrong = text.trim() !== "" && Number.isNaN(typed(text));
  return html`<label for=${id}>${label}</label>
    <input id=${id} type="text" inputmode="decimal" autocomplete="off" maxlength="12" value=${text} aria-invalid=${wrong}
      aria-describedby=${hint ? `${id}-hint` : undefined} onInput=${told} />
    ${hint && html`<p id=${`${id}-hint`} class="small">${hint}</p>`}`;
}
