/**
 * What somebody has chosen so far for a chamber, in all steps, and which changes of its file that
 * means. Pure. A draft is kept by the browser, so a reload loses nothing; it begins with what the
 * file says. What is kept never holds a password or an address that is secret.
 */

import { G } from "./strings_setup.js";

/**
 * @typedef {{name: string, place: string, driver: string, address: string | null, device: string | null, topic: string | null, pointer: string | null, correction_k: number, drawn_at: [number, number] | null}} SetSensor
 * @typedef {{name: string, kind: string, driver: string, pin: number | null, closed_means: string | null}} SetContact
 * @typedef {{host: string, port: number, tls: boolean, username: string | null, password: boolean}} SetBroker
 * @typedef {{name: string, enclosure: string[], target_c: number | null, limit_c: number, timezone: string | null, width_mm: number | null, depth_mm: number | null, height_mm: number | null, sensors: SetSensor[], contacts: SetContact[], particles: {name: string, driver: string, port: string | null}[], sounder: {driver: string, pin: number | null} | null, stop: boolean, webhook: boolean, mqtt: SetBroker | null, camera: string | null, people: {name: string, routes: string[]}[], mail: {host: string, port: number, security: string, username: string | null, password: boolean} | null}} Settings
 * @typedef {number | string | null} Figured  a string: what was typed is no number
 * @typedef {{of: string | null, name: string, place: string, driver: string, address: string | null, device?: string | null, topic?: string | null, pointer?: string | null, thermocouple?: string, mains_hz?: number, correction_k: Figured, drawn_at: [number, number] | null}} DraftSensor
 * @typedef {{do: string} & Record<string, any>} Change
 * @typedef {{base: string, of: string, name: string, enclosure: string[], target_c: Figured, limit_c: Figured, width_mm: Figured, height_mm: Figured, sensors: DraftSensor[], more: Change[], typed: Record<string, any>, lost: string[]}} Draft
 * @typedef {{field: string, say: string}} Stop  why one can't go on, and the field to see to
 */

/**
 * `more` holds all that was taken beside box and sensors, as changes; `typed` what stands in the
 * forms and isn't taken; `lost` what a reload has dropped because it was secret.
 * @param {string} base  what the file is known by  @param {Settings | null} settings  @param {string} [of]  the file
 * @returns {Draft}
 */
export function draftOf(base, settings, of = "") {
  return {
    base,
    of,
    name: settings?.name ?? "",
    enclosure: settings?.enclosure ?? [],
    target_c: settings?.target_c ?? null,
    limit_c: settings?.limit_c ?? null,
    width_mm: settings?.width_mm ?? null,
    height_mm: settings?.height_mm ?? null,
    sensors: (settings?.sensors ?? []).map((sensor) => ({ ...sensor, of: sensor.name })),
    more: [],
    typed: {},
    lost: [],
  };
}

/** What may be kept of a draft, as text. @param {Draft} draft */
export function textOf(draft) {
  const open = draft.more.filter((change) => !isSecret(change));
  const lost = draft.more.filter(isSecret).map(lostOf);
  const { camera, person, broker, ...typed } = draft.typed;
  return JSON.stringify({
    ...draft,
    more: open,
    lost: [...new Set([...draft.lost, ...lost])],
    typed: {
      ...typed,
      ...(camera && !hides(camera.source) ? { camera } : {}),
      ...(person ? { person: { ...person, password: "", address: person.way === "other" ? "" : person.address } } : {}),
      ...(broker ? { broker: { ...broker, password: "" } } : {}),
    },
  });
}

/** @param {Change} change */
function isSecret(change) {
  if (change.do === "camera") return hides(change.source ?? "");
  if (change.do === "person") return change.add.some((/** @type {string} */ route) => !/^(webpush|mailto|mqtt):/i.test(route));
  return "password" in change || change.do === "webhook";
}

/** An address with a login or a question in it may be as good as a password. @param {string} address */
function hides(address) {
  return /@|\?/.test(address);
}

/**
 * A kept draft, if it is one and of the file as it is now; else null.
 * @param {string | null} text  @param {string} base  @param {string} [of]  @returns {Draft | null}
 */
export function keptDraft(text, base, of = "") {
  try {
    const draft = JSON.parse(text ?? "null");
    const whole = draft && draft.base === base && draft.of === of && [draft.sensors, draft.enclosure, draft.more, draft.lost].every(Array.isArray);
    return whole && draft.typed ? draft : null;
  } catch {
    return null;
  }
}

/** What a change is about: one of these is enough. @param {Change} change */
export function keyOf(change) {
  if (change.do === "broker") return "mqtt";
  if (change.do === "same server") return change.table;
  if (change.do === "person") return `person ${change.name} ${change.add}`;
  return [change.do.replace("topic ", "").replace("add ", ""), change.of ?? (change.do === "camera" ? "" : change.name)].filter(Boolean).join(" ");
}

/** The same without an address in it. @param {Change} change */
function lostOf(change) {
  return change.do === "person" ? `person ${change.name}` : keyOf(change);
}

/** One more change, in the place of an earlier one of the same thing. @param {Draft} draft @param {Change[]} changes */
export function taking(draft, ...changes) {
  const keys = new Set(changes.map(keyOf));
  const found = new Set(changes.map(lostOf));
  return {
    more: [...draft.more.filter((change) => !keys.has(keyOf(change))), ...changes],
    lost: draft.lost.filter((key) => !found.has(key)),
  };
}

/** @param {Draft} draft @param {string} key */
export function leaving(draft, key) {
  return { more: draft.more.filter((change) => keyOf(change) !== key) };
}

/** What stands in a form that isn't taken yet. @param {Draft} draft @param {string} form @param {any} value */
export function typing(draft, form, value) {
  return { typed: { ...draft.typed, [form]: value } };
}

const BOX = /** @type {const} */ (["name", "enclosure", "target_c", "limit_c", "width_mm", "height_mm"]);
const FIGURES = /** @type {const} */ (["target_c", "limit_c", "width_mm", "height_mm"]);

/**
 * The changes that make the file say what the draft does.
 * @param {Draft} draft  @param {Settings | null} settings  @returns {Change[]}
 */
export function changesOf(draft, settings) {
  const before = draftOf(draft.base, settings);
  /** @type {Record<string, unknown>} */
  const box = {};
  for (const key of BOX) {
    const value = key === "name" ? draft.name.trim() : draft[key];
    if (JSON.stringify(value) !== JSON.stringify(before[key])) box[key] = value;
  }
  /** @type {Change[]} */
  const changes = Object.keys(box).length ? [{ do: "chamber", ...box }] : [];
  for (const old of before.sensors) {
    if (!draft.sensors.some((sensor) => sensor.of === old.of)) changes.push({ do: "remove sensor", of: old.of });
  }
  for (const sensor of draft.sensors) {
    const change = sensor.of === null ? added(sensor) : changed(sensor, before.sensors.find((old) => old.of === sensor.of));
    if (change) changes.push(change);
  }
  return [...changes, ...draft.more];
}

/** The change that adds a sensor. @param {DraftSensor} sensor */
export function added(sensor) {
  const { name, place, driver, address, correction_k, drawn_at } = sensor;
  /** @type {Record<string, unknown>} */
  const more = {};
  for (const key of /** @type {const} */ (["device", "topic", "pointer", "thermocouple", "mains_hz"])) {
    if (sensor[key]) more[key] = sensor[key];
  }
  const at = address === null ? {} : { address: driver === "mcp9600" ? Number(address) : address };
  return {
    do: "add sensor", name: name.trim(), place,
    ...(driver === "onewire" ? {} : { driver }),
    ...at,
    ...more,
    ...(correction_k ? { correction_k } : {}),
    ...(drawn_at && place === "chamber" ? { drawn_at } : {}),
  };
}

/** @param {DraftSensor} sensor  @param {DraftSensor | undefined} old */
function changed(sensor, old) {
  if (!old) return null;
  /** @type {Record<string, unknown>} */
  const change = {};
  for (const key of /** @type {const} */ (["name", "place", "topic", "pointer", "correction_k", "drawn_at"])) {
    const value = key === "name" ? sensor.name.trim() : (sensor[key] ?? null);
    if (JSON.stringify(value) !== JSON.stringify(old[key] ?? null)) change[key] = value;
  }
  if (sensor.place !== "chamber" && sensor.drawn_at) change.drawn_at = null;
  return Object.keys(change).length ? { do: "sensor", of: sensor.of, ...change } : null;
}

/** Whether two messages are one to the service. @param {string} one @param {string} other */
export function alike(one, other) {
  return one.trim().toLowerCase() === other.trim().toLowerCase();
}

/** As the service makes a key of a name: two boxes need two of them. @param {string} name */
export function keyed(name) {
  return name.toLowerCase().replace(/[^a-z0-9]+/g, "-").replace(/^-|-$/g, "") || "chamber";
}

/**
 * Why one can't go on from a step, or null: something is missing, no number, or not taken yet.
 * @param {string} step  @param {Draft} draft  @param {Settings | null} settings
 * @param {string[]} others  what the other boxes are called  @returns {Stop | null}
 */
export function stopAt(step, draft, settings, others) {
  const T = G.stops;
  const { typed } = draft;
  if (step === "box") {
    if (!draft.name.trim()) return { field: "name", say: T.name };
    const same = others.find((name) => keyed(name) === keyed(draft.name));
    if (same) return { field: "name", say: T.same_name(same) };
    if (!draft.enclosure.length && !(settings && !settings.enclosure.length)) return { field: "enclosure", say: T.enclosure };
    const wrong = FIGURES.find((key) => typeof draft[key] === "string");
    if (wrong) return { field: wrong, say: T.figure(String(draft[wrong])) };
  }
  if (step === "sensors") {
    for (const [n, { name, correction_k, of, driver, topic }] of draft.sensors.entries()) {
      if (!name.trim()) return { field: `sensor-${n}-name`, say: T.sensor_name };
      const twin = draft.sensors.findIndex((each) => each.name.trim().toLowerCase() === name.trim().toLowerCase());
      if (twin < n) return { field: `sensor-${n}-name`, say: T.sensor_twin(name.trim()) };
      if (typeof correction_k === "string") return { field: `sensor-${n}-correction`, say: T.figure(correction_k) };
      if (of !== null && driver === "mqtt" && !topic?.trim()) return { field: `sensor-${n}-topic`, say: T.topic };
    }
  }
  if ((step === "sensors" || step === "switches") && typed.broker?.at === step) return { field: "try-broker", say: T.broker };
  if (step === "sensors" && typed.sensor?.kind) {
    return typed.sensor.kind === "mqtt" && !typed.sensor.topic?.trim() ? { field: "sensor-topic", say: T.topic } : { field: "take-sensor", say: T.sensor };
  }
  if (step === "switches" && (typed.switch?.pin != null || typed.switch?.topic || typed.switch?.active || typed.switch?.normal)) return switchStop(typed.switch);
  if (step === "camera" && typed.camera?.source.trim()) return { field: "take-camera", say: T.camera };
  if (step === "people") {
    const { name = "", way = "webpush", address = "", host = "" } = typed.person ?? {};
    if (!name.trim() && !address.trim() && !host.trim()) return null;
    if (!name.trim()) return { field: "person-name", say: T.person_name };
    if (way !== "webpush" && !address.trim()) return { field: "person-address", say: T.person_address(name.trim()) };
    return { field: "take-person", say: T.person(name.trim()) };
  }
  return null;
}

/** @param {any} of  a switch as it was typed so far  @returns {Stop} */
function switchStop(of) {
  const T = G.stops;
  if (!of.name?.trim()) return { field: "switch-name", say: T.switch_name };
  if (of.way === "mqtt" && !of.topic?.trim()) return { field: "switch-topic", say: T.topic };
  if (of.way === "mqtt" && !of.active?.trim()) return { field: "switch-active", say: T.switch_active };
  if (of.way === "mqtt" && !of.normal?.trim()) return { field: "switch-normal", say: T.switch_active };
  if (of.way === "mqtt" && alike(of.active, of.normal)) return { field: "switch-normal", say: T.switch_twice };
  return { field: "take-switch", say: T.switch };
}
