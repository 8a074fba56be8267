/** Find out at which pin a switch hangs: open the door, and see which one changes. The sounder's pin, too. */

import { useEffect, useId, useRef, useState } from "../vendor/preact-hooks.js";
import { Act } from "./act.js";
import { get, post } from "./ask.js";
import { html } from "./html.js";
import { later } from "./later.js";
import { stepAddress } from "./route.js";
import { BrokerFields, NO_BROKER, brokerChange } from "./setup_broker.js";
import { Choice, Figure, Typed } from "./setup_fields.js";
import { Writing } from "./setup_file.js";
import { G } from "./strings_setup.js";

/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./setup_draft.js").Settings} Settings */
/** @typedef {import("./setup_file.js").ChamberFile} ChamberFile */
/** @typedef {import("./setup_file.js").Files} Files */
/** @typedef {{pin: number, is_closed: boolean, changes: number}} Pin */
/** @typedef {{is_looking: boolean, free: Pin[], used: {pin: number, by: string}[], unused: number[], why: string}} Pins */

const TrySounder = later(() => import("./try_sounder.js"), "TrySounder", "");
const EVERY_MS = 500;
const T = G.switches;
const NEW = { way: "gpio", pin: /** @type {number | null} */ (null), name: "", kind: "door", means: "safe", topic: "", pointer: "", active: "" };

/** All pins, asked for while somebody looks at them. @returns {{pins: Pins | null, again: () => void}} */
function usePins() {
  const [pins, setPins] = useState(/** @type {Pins | null} */ (null));
  const [when, setWhen] = useState(0);
  useEffect(() => {
    let over = false;
    let asking = false;
    let looking = true; // once in any case: it may go on from before
    const ask = async () => {
      if (asking || document.hidden || !looking) return;
      asking = true;
      const answer = /** @type {Pins | null} */ (await get("/api/finding/pins").catch(() => null));
      asking = false;
      if (!answer || over) return;
      looking = answer.is_looking;
      setPins(answer);
    };
    ask();
    const timer = setInterval(ask, EVERY_MS);
    return () => {
      over = true;
      clearInterval(timer);
    };
  }, [when]);
  return { pins, again: () => setWhen((n) => n + 1) };
}

/** @param {{file: ChamberFile, files: Files, unit: Unit, written: (chamber: string) => void}} props */
export function Switches({ file, files, unit, written }) {
  const { pins, again } = usePins();
  const [fresh, setFresh] = useState(NEW);
  const [broker, setBroker] = useState(NO_BROKER);
  const [gone, setGone] = useState("");
  if (!file.settings) return html`<p>${G.first} <a class="way" href=${stepAddress("places")}>${G.names.places}</a></p>`;
  const set = (/** @type {Partial<typeof NEW>} */ part) => (setGone(""), setFresh({ ...fresh, ...part }));
  const used = new Set(file.settings.contacts.map(({ name }) => name));
  const suggested = T.suggested.find((each) => !used.has(each)) ?? "";
  const choose = (/** @type {number | null} */ pin) => set({ pin, name: fresh.name || suggested });
  const name = fresh.name.trim();
  const by_topic = fresh.way === "mqtt";
  const asks_broker = by_topic && !file.settings.mqtt;
  const adds = !name ? [] : by_topic ? topicChanges(fresh, name, asks_broker ? broker : null) : pinChanges(fresh, name);
  const changes = gone ? [{ do: "remove contact", of: gone }] : adds;
  const done = (/** @type {string} */ key) => (setFresh(NEW), setBroker(NO_BROKER), setGone(""), written(key));
  const kinds = new Map(T.kinds);
  return html`<p class="sub">${T.how}</p>
    <h2>${T.now}</h2>
    ${!file.settings.contacts.length && html`<p>${T.none}</p>`}
    <ul class="noted">${file.settings.contacts.map(
      (each) => html`<li key=${each.name}>${T.one(each.name, kinds.get(each.kind) ?? each.kind, each.pin === null ? (T.elsewhere[each.driver] ?? each.driver) : T.pin(each.pin))}${" "}
        <button type="button" class="act slight" aria-pressed=${gone === each.name} onClick=${() => setGone(gone === each.name ? "" : each.name)}>${T.remove(each.name)}</button></li>`,
    )}</ul>
    <h2>${T.find}</h2>
    <div class="fields"><${Choice} label=${T.way} value=${fresh.way} among=${T.ways} set=${(/** @type {string} */ way) => set({ ...NEW, way, name: way === "mqtt" ? suggested : "" })} /></div>
    ${!by_topic && html`<${Finding} pins=${pins} again=${again} pin=${fresh.pin} choose=${choose} />`}
    <div class="fields">
      ${!by_topic && html`<${PinField} label=${T.which} pins=${pins} value=${fresh.pin} set=${choose} />`}
      ${(by_topic || fresh.pin !== null) && html`<${Named} fresh=${fresh} set=${set} seen=${by_topic ? undefined : pins?.free.find(({ pin }) => pin === fresh.pin)} />`}
      ${asks_broker && html`<${BrokerFields} broker=${broker} set=${setBroker} />`}
    </div>
    <${Writing} file=${file} files=${files} changes=${changes} unit=${unit} done=${done} />
    <${Sounder} file=${file} files=${files} settings=${file.settings} pins=${pins} unit=${unit} written=${written} />
    <h2>${G.stop.head}</h2>
    <p>${file.settings.stop ? G.stop.has : G.stop.none} ${G.stop.why}</p>`;
}

/** @param {typeof NEW} fresh  @param {string} name */
function pinChanges({ kind, pin, means }, name) {
  return pin === null ? [] : [{ do: "contact", name, kind, pin, closed_means: means }];
}

/** @param {typeof NEW} fresh  @param {string} name  @param {typeof NO_BROKER | null} broker  where it has to be named as well */
function topicChanges({ kind, topic, pointer, active }, name, broker) {
  const whole = topic.trim() && active.trim() && broker?.host.trim() !== "";
  const more = pointer.trim() ? { pointer: pointer.trim() } : {};
  return whole ? [{ do: "add topic contact", name, kind, topic: topic.trim(), active: active.trim(), ...more }, ...(broker ? [brokerChange(broker)] : [])] : [];
}

/** @param {{pins: Pins | null, again: () => void, pin: number | null, choose: (pin: number) => void}} props */
function Finding({ pins, again, pin, choose }) {
  const id = useId();
  const place = useRef(/** @type {HTMLElement | null} */ (null));
  if (pins?.why) return html`<p>${pins.why[0].toUpperCase()}${pins.why.slice(1)}.</p>`;
  const looking = Boolean(pins?.is_looking);
  const changed = (pins?.free ?? []).filter(({ changes }) => changes > 0).sort((a, b) => b.changes - a.changes);
  const begin = async () => {
    await post("/api/finding/pins");
    again();
    place.current?.focus();
  };
  return html`<p>${T.find_how}</p>
    <p class="small">${T.care}</p>
    <div class="acts"><${Act} kind=${looking ? "slight" : "must"} work=${begin}>${looking ? T.again : T.look}<//></div>
    <div ref=${place} tabindex="-1" class="pins" role="group" aria-label=${T.find}>
      <p role="status">${looking && !changed.length && pins?.free.length ? T.still(pins.free.length) : ""}</p>
      ${changed.length > 0 && html`<div class="among">${changed.map(
        (each) => html`<label key=${each.pin}><input type="radio" name=${id} checked=${pin === each.pin} onChange=${() => choose(each.pin)} />
          <span aria-live="polite">${T.changed(each.pin, each.is_closed, each.changes)}</span></label>`,
      )}</div>`}
      ${looking && pins && pins.used.length > 0 && html`<p class="small">${T.used(pins.used.map((each) => `GPIO ${each.pin} (${each.by})`).join(", "))}</p>`}
    </div>`;
}

/** @param {{fresh: typeof NEW, set: (part: Partial<typeof NEW>) => void, seen: Pin | undefined}} props */
function Named({ fresh, set, seen }) {
  const [safe, alarm] = T.meanings[fresh.kind];
  const state = seen && (seen.is_closed === (fresh.means === "safe") ? safe : alarm);
  const pressed = fresh.kind === "presence" || fresh.kind === "reset" || fresh.kind === "heater";
  return html`<${Typed} label=${T.name} value=${fresh.name} most=${40} set=${(/** @type {string} */ name) => set({ name })} />
    <${Choice} label=${T.kind} value=${fresh.kind} among=${T.kinds}
      set=${(/** @type {string} */ kind) => set({ kind, means: ["presence", "reset", "heater"].includes(kind) ? "alarm" : "safe" })} />
    ${fresh.way === "mqtt" ? html`<${Topic} fresh=${fresh} set=${set} off_normal=${alarm} />` : html`<${Choice} label=${T.means} value=${fresh.means} among=${[["safe", safe], ["alarm", alarm]]} set=${(/** @type {string} */ means) => set({ means })} />`}
    <p role="status">${state && html`<strong>${T.so(fresh.name, state)}</strong>`}</p>
    ${!pressed && fresh.means === "alarm" && html`<p class="small">${T.cut}</p>`}`;
}

/** @param {{fresh: typeof NEW, set: (part: Partial<typeof NEW>) => void, off_normal: string}} props */
function Topic({ fresh, set, off_normal }) {
  const M = G.more;
  return html`<${Typed} label=${M.topic} hint=${M.topic_how} value=${fresh.topic} set=${(/** @type {string} */ topic) => set({ topic })} />
    <${Typed} label=${M.pointer} hint=${M.pointer_how} value=${fresh.pointer} set=${(/** @type {string} */ pointer) => set({ pointer })} />
    <${Typed} label=${T.active_of(off_normal)} value=${fresh.active} most=${200} hint=${T.retained} set=${(/** @type {string} */ active) => set({ active })} />`;
}

/** A pin among those that nothing uses, or where they aren't known any number. @param {{label: string, pins: Pins | null, value: number | null, set: (pin: number | null) => void}} props */
function PinField({ label, pins, value, set }) {
  if (!pins?.unused.length) return html`<${Figure} label=${`${label}: ${T.number}`} hint=${T.number_how} whole=${true} value=${value} set=${set} />`;
  const among = [["", T.choose], ...pins.unused.map((pin) => [String(pin), `GPIO ${pin}`])];
  return html`<${Choice} label=${label} value=${value === null ? "" : String(value)} among=${among} set=${(/** @type {string} */ pin) => set(pin ? Number(pin) : null)} />`;
}

/** @param {{file: ChamberFile, files: Files, settings: Settings, pins: Pins | null, unit: Unit, written: (chamber: string) => void}} props */
function Sounder({ file, files, settings, pins, unit, written }) {
  const S = G.sounder;
  const [pin, setPin] = useState(/** @type {number | null} */ (null));
  const [gone, setGone] = useState(false);
  const now = settings.sounder;
  const changes = gone ? [{ do: "sounder", pin: null }] : pin === null ? [] : [{ do: "sounder", pin }];
  const done = (/** @type {string} */ key) => (setPin(null), setGone(false), written(key));
  return html`<h2>${S.head}</h2>
    <p>${now === null ? S.none : now.pin === null ? S.program : S.on(now.pin)}</p>
    ${now !== null && html`<p><a class="way" href="#/alarm-test">${S.test}</a></p>
      <p><${TrySounder} chamber=${file.chamber} /></p>
      <div class="acts"><button type="button" class="act slight" aria-pressed=${gone} onClick=${() => setGone(!gone)}>${S.remove}</button></div>`}
    <p>${S.how}</p>
    <div class="fields"><${PinField} label=${S.pin} pins=${pins} value=${pin} set=${(/** @type {number | null} */ to) => (setGone(false), setPin(to))} /></div>
    <${Writing} file=${file} files=${files} changes=${changes} unit=${unit} done=${done} />`;
}
