/** Sensors that nobody can find by themselves: what they are is said here, and tried before it is taken. */

import { useState } from "../vendor/preact-hooks.js";
import { Act } from "./act.js";
import { post } from "./ask.js";
import { html } from "./html.js";
import { added } from "./setup_draft.js";
import { BrokerFields, NO_BROKER, brokerChange } from "./setup_broker.js";
import { Choice, Typed } from "./setup_fields.js";
import { Writing } from "./setup_file.js";
import { stepAddress } from "./route.js";
import { G } from "./strings_setup.js";

/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./setup_draft.js").Draft} Draft */
/** @typedef {import("./setup_draft.js").DraftSensor} DraftSensor */
/** @typedef {import("./setup_file.js").ChamberFile} ChamberFile */
/** @typedef {import("./setup_file.js").Files} Files */

const T = G.more;
const PARTICLES = "serial";
const NEW = { kind: "", device: "", thermocouple: "K", mains: "50", topic: "", pointer: "", port: "" };
const TYPES = /** @type {[string, string][]} */ (["K", "J", "T", "N", "E", "R", "S"].map((each) => [each, each]));

/** A sensor with the first name that nobody has. @param {Draft} draft @param {string} otherwise @returns {DraftSensor} */
export function suggested(draft, otherwise) {
  const used = new Set(draft.sensors.map((sensor) => sensor.name));
  const name = G.sensors.suggested.find((each) => !used.has(each)) ?? otherwise;
  const place = name === "room" || name === "bed" ? name : "chamber";
  return { of: null, name, place, driver: "", address: null, correction_k: null, drawn_at: null };
}

/** @param {{draft: Draft, change: (part: Partial<Draft>) => void, finding: import("./setup_sensors.js").Finding | null, file: ChamberFile, files: Files, unit: Unit, changes: object[], written: (chamber: string) => void}} props */
export function MoreSensors({ draft, change, finding, file, files, unit, changes, written }) {
  const [form, setForm] = useState(NEW);
  const [gone, setGone] = useState("");
  const [reads, setReads] = useState("");
  const [broker, setBroker] = useState(NO_BROKER);
  const set = (/** @type {Partial<typeof NEW>} */ part) => (setReads(""), setGone(""), setForm({ ...form, ...part }));
  const again = (/** @type {string} */ key) => (setForm(NEW), setBroker(NO_BROKER), setReads(""), setGone(""), written(key));
  const device = form.device || finding?.buses[0] || "";
  const port = form.port || finding?.ports[0] || "";
  const sensor = made(form, device, draft);
  const particles = { do: "add particles", name: T.haze, port };
  const whole = form.kind === PARTICLES ? Boolean(port) : form.kind === "mqtt" ? Boolean(form.topic.trim()) : Boolean(form.kind && device);
  const asks_broker = form.kind === "mqtt" && !file.settings?.mqtt;
  const look = async () => {
    setReads("");
    const of = form.kind === PARTICLES ? particles : { ...added(sensor) };
    const { value, fault } = await post("/api/finding/trial", { sensor: of });
    setReads(value === null ? T.fault(fault) : form.kind === PARTICLES ? T.counts(value) : T.reads(value, unit));
  };
  const take = () => {
    change({ sensors: [...draft.sensors, sensor] });
    setForm(NEW);
    setReads("");
  };
  return html`<h2>${T.head}</h2>
    ${Boolean(file.settings?.particles.length) && html`<ul class="noted">${file.settings?.particles.map(
      (each) => html`<li key=${each.name}>${T.one(each.name, each.port ?? each.driver)}${" "}
        <button type="button" class="act slight" aria-pressed=${gone === each.name} onClick=${() => setGone(gone === each.name ? "" : each.name)}>${G.switches.remove(each.name)}</button></li>`,
    )}</ul>`}
    ${gone && html`<${Writing} file=${file} files=${files} changes=${[{ do: "remove particles", of: gone }]} unit=${unit} done=${again} />`}
    <div class="fields">
      <${Choice} label=${T.kind} value=${form.kind} among=${T.kinds} set=${(/** @type {string} */ kind) => set({ ...NEW, kind })} />
      ${form.kind.startsWith("max") && html`<${Named} label=${T.device} hint=${T.device_how} value=${device} among=${finding?.buses ?? []} set=${(/** @type {string} */ to) => set({ device: to })} />`}
      ${form.kind === "max31856" && html`<${Choice} label=${T.thermocouple} value=${form.thermocouple} among=${TYPES} set=${(/** @type {string} */ thermocouple) => set({ thermocouple })} />
        <${Choice} label=${T.mains} value=${form.mains} among=${T.hums} set=${(/** @type {string} */ mains) => set({ mains })} />`}
      ${form.kind === PARTICLES && html`<${Named} label=${T.port} hint=${T.port_how} value=${port} among=${finding?.ports ?? []} set=${(/** @type {string} */ to) => set({ port: to })} />`}
      ${form.kind === "mqtt" && html`<${Typed} label=${T.topic} hint=${T.topic_how} value=${form.topic} set=${(/** @type {string} */ topic) => set({ topic })} />
        <${Typed} label=${T.pointer} hint=${T.pointer_how} value=${form.pointer} set=${(/** @type {string} */ pointer) => set({ pointer })} />`}
      ${asks_broker && html`<${BrokerFields} broker=${broker} set=${setBroker} />`}
    </div>
    ${whole && form.kind !== "mqtt" && html`<div class="acts"><${Act} kind="" work=${look}>${T.look}<//></div>`}
    <p role="status">${reads && html`<strong>${reads}</strong>`}</p>
    ${whole && form.kind !== PARTICLES && !asks_broker && html`<div class="acts"><button type="button" class="act" onClick=${take}>${T.take}</button></div>`}
    ${whole && asks_broker && broker.host && html`<${Writing} file=${file} files=${files} changes=${[...changes, added(sensor), brokerChange(broker)]} unit=${unit} done=${again} say=${T.see} />`}
    ${whole && form.kind === PARTICLES && (file.settings ? html`<${Writing} file=${file} files=${files} changes=${[particles]} unit=${unit} done=${again} />` : html`<p>${G.first} <a href=${stepAddress("places")}>${G.names.places}</a>.</p>`)}`;
}

/** @param {typeof NEW} form  @param {string} device  @param {Draft} draft  @returns {DraftSensor} */
function made(form, device, draft) {
  const sensor = { ...suggested(draft, T.unnamed), driver: form.kind };
  if (form.kind === "mqtt") return { ...sensor, topic: form.topic.trim(), ...(form.pointer.trim() ? { pointer: form.pointer.trim() } : {}) };
  if (form.kind === "max31856") return { ...sensor, device, thermocouple: form.thermocouple, mains_hz: Number(form.mains) };
  return { ...sensor, device };
}

/** One of what is there, or another by its path. @param {{label: string, hint: string, value: string, among: string[], set: (path: string) => void}} props */
function Named({ label, hint, value, among, set }) {
  if (!among.length) return html`<${Typed} label=${label} hint=${hint} value=${value} set=${set} />`;
  return html`<${Choice} label=${label} value=${value} among=${among.map((path) => [path, path.split("/").pop() ?? path])} set=${set} />`;
}
