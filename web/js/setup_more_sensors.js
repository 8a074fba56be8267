/** Sensors that nobody can find by themselves: what they are is said here, and tried before it is taken. */

import { useState } from "../vendor/preact-hooks.js";
import { Act } from "./act.js";
import { post } from "./ask.js";
import { html } from "./html.js";
import { added, keyOf, leaving, taking, typing } from "./setup_draft.js";
import { Broker, TRIAL_MS, brokerOf } from "./setup_broker.js";
import { Choice, Typed, Wrong, fieldId } from "./setup_fields.js";
import { G } from "./strings_setup.js";

/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./setup_draft.js").Draft} Draft */
/** @typedef {import("./setup_draft.js").DraftSensor} DraftSensor */

const T = G.more;
const PARTICLES = "serial";
const NEW = { kind: "", device: "", thermocouple: "K", mains: "50", topic: "", pointer: "", port: "" };
const TYPES = /** @type {[string, string][]} */ (["K", "J", "T", "N", "E", "R", "S"].map((each) => [each, each]));

/** A sensor that nobody has named yet. @returns {DraftSensor} */
export function unnamed() {
  return { of: null, name: "", place: "chamber", driver: "", address: null, correction_k: null, drawn_at: null };
}

/** @param {{draft: Draft, change: import("./setup_steps.js").Change, finding: import("./setup_sensors.js").Finding | null, file: import("./setup_file.js").ChamberFile, files: import("./setup_file.js").Files, unit: Unit, stop: import("./setup_draft.js").Stop | null, halt: () => void, took: () => void}} props */
export function MoreSensors({ draft, change, finding, file, files, unit, stop, halt, took }) {
  const [reads, setReads] = useState("");
  const form = { ...NEW, ...draft.typed.sensor };
  const set = (/** @type {Partial<typeof NEW>} */ part) => (setReads(""), change(typing(draft, "sensor", { ...form, ...part })));
  const device = form.device || finding?.buses[0] || "";
  const port = form.port || finding?.ports[0] || "";
  const sensor = made(form, device);
  const particles = { do: "add particles", name: T.haze, port };
  const by_topic = form.kind === "mqtt";
  const whole = form.kind === PARTICLES ? Boolean(port) : by_topic ? Boolean(form.topic.trim()) && brokerOf(draft, file) !== null && !draft.typed.broker : Boolean(form.kind && device);
  const listed = file.settings?.particles ?? [];
  const gone = new Set(draft.more.filter((each) => each.do === "remove particles").map((each) => each.of));
  const news = draft.more.filter((each) => each.do === "add particles");
  const needs_broker = by_topic || draft.sensors.some((each) => each.driver === "mqtt") || file.settings?.mqtt;
  const look = async () => {
    setReads("");
    const of = form.kind === PARTICLES ? particles : { ...added(sensor), name: T.unnamed };
    const { value, fault } = await post("/api/finding/trial", { sensor: of });
    setReads(value === null ? T.fault(fault) : form.kind === PARTICLES ? T.counts(value) : T.reads(value, unit));
  };
  const take = () => {
    if (!whole) return halt();
    change({ ...(form.kind === PARTICLES ? taking(draft, particles) : { sensors: [...draft.sensors, sensor] }), ...typing(draft, "sensor", undefined) });
    setReads("");
    if (form.kind !== PARTICLES) took();
  };
  return html`<h2>${T.head}</h2>
    ${(listed.length > 0 || news.length > 0) && html`<ul class="noted">${listed.map(
      (each) => html`<li key=${each.name}>${T.one(each.name, each.port ?? each.driver)}${" "}
        <button type="button" class="act slight" aria-pressed=${gone.has(each.name)}
          onClick=${() => change(gone.has(each.name) ? leaving(draft, `remove particles ${each.name}`) : taking(draft, { do: "remove particles", of: each.name }))}>${G.switches.remove(each.name)}</button></li>`,
    )}
    ${news.map(
      (each) => html`<li key=${each.name}>${T.one(each.name, each.port)} <em>${G.unwritten}</em>${" "}
        <button type="button" class="act slight" onClick=${() => change(leaving(draft, `particles ${each.name}`))}>${G.leave_out(each.name)}</button></li>`,
    )}</ul>`}
    <div class="fields">
      <${Choice} label=${T.kind} value=${form.kind} among=${T.kinds} set=${(/** @type {string} */ kind) => set({ ...NEW, kind })} />
      ${form.kind.startsWith("max") && html`<${Named} label=${T.device} hint=${T.device_how} value=${device} among=${finding?.buses ?? []} set=${(/** @type {string} */ to) => set({ device: to })} />`}
      ${form.kind === "max31856" && html`<${Choice} label=${T.thermocouple} value=${form.thermocouple} among=${TYPES} set=${(/** @type {string} */ thermocouple) => set({ thermocouple })} />
        <${Choice} label=${T.mains} value=${form.mains} among=${T.hums} set=${(/** @type {string} */ mains) => set({ mains })} />`}
      ${form.kind === PARTICLES && html`<${Named} label=${T.port} hint=${T.port_how} value=${port} among=${finding?.ports ?? []} set=${(/** @type {string} */ to) => set({ port: to })} />`}
      ${by_topic && html`<${Typed} label=${T.topic} hint=${T.topic_how} field="sensor-topic" stop=${stop} value=${form.topic} set=${(/** @type {string} */ topic) => set({ topic })} />
        <details open=${form.pointer !== "" || undefined}><summary>${T.pointer_head}</summary>
          <${Typed} label=${T.pointer} hint=${T.pointer_how} value=${form.pointer} set=${(/** @type {string} */ pointer) => set({ pointer })} /></details>`}
      ${needs_broker && html`<${Broker} draft=${draft} change=${change} file=${file} files=${files} stop=${stop} at="sensors" topic=${by_topic ? form.topic : ""} pointer=${form.pointer} />`}
    </div>
    ${whole && !by_topic && html`<div class="acts"><${Act} kind="" work=${look}>${T.look}<//></div>`}
    <p role="status">${reads && html`<strong>${reads}</strong>`}</p>
    ${form.kind && html`<div class="acts"><button type="button" class="act" id=${fieldId("take-sensor")} aria-disabled=${!whole} onClick=${take}>${T.take}</button></div>`}
    <${Wrong} stop=${stop} field="take-sensor" />`;
}

/** Listen to a topic that a sensor has been given instead of its own. @param {{draft: Draft, file: import("./setup_file.js").ChamberFile, topic: string, pointer: string}} props */
export function TryTopic({ draft, file, topic, pointer }) {
  const [tried, setTried] = useState(/** @type {(import("./setup_broker.js").Tried & {of: string}) | null} */ (null));
  const of = JSON.stringify([topic, pointer]);
  const shown = tried?.of === of ? tried : null; // another topic has to be tried anew
  const listen = async () => {
    const broker = draft.more.find((each) => keyOf(each) === "mqtt") ?? null;
    const answer = await post("/api/finding/broker", { chamber: file.chamber, base: file.base, broker, topic, pointer }, { wait_ms: TRIAL_MS });
    setTried({ .../** @type {import("./setup_broker.js").Tried} */ (answer), of });
  };
  return html`<div class="acts"><${Act} kind="" work=${listen}>${G.broker.try_topic}<//></div>
    <p role="status">${!shown ? T.unheard(topic) : shown.heard ? html`<strong>${G.broker.heards[shown.heard](topic, shown.value ?? "")}</strong> ${shown.heard === "yes" ? "" : T.unheard(topic)}` : G.broker.answers[shown.answer](shown.where)}</p>`;
}

/** @param {typeof NEW} form  @param {string} device  @returns {DraftSensor} */
function made(form, device) {
  const sensor = { ...unnamed(), driver: form.kind };
  if (form.kind === "mqtt") return { ...sensor, topic: form.topic.trim(), ...(form.pointer.trim() ? { pointer: form.pointer.trim() } : {}) };
  if (form.kind === "max31856") return { ...sensor, device, thermocouple: form.thermocouple, mains_hz: Number(form.mains) };
  return { ...sensor, device };
}

/** One of what is there, or another by its path. @param {{label: string, hint: string, value: string, among: string[], set: (path: string) => void}} props */
function Named({ label, hint, value, among, set }) {
  if (!among.length) return html`<${Typed} label=${label} hint=${hint} value=${value} set=${set} />`;
  return html`<${Choice} label=${label} value=${value} among=${among.map((path) => [path, path.split("/").pop() ?? path])} set=${set} />`;
}
