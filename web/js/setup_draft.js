/**
 * What somebody has chosen so far for a chamber, in all steps, and which changes of its file that
 * means. Pure. A draft is kept by the browser, so a reload loses nothing; it begins with what the
 * file says, and is laid on the file anew when that is changed by somebody else meanwhile. What is
 * kept never holds a password or an address that is secret.
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
 * @typedef {{base: string, of: string, name: string, enclosure: string[], target_c: Figured, limit_c: Figured, width_mm: Figured, height_mm: Figured, sensors: DraftSensor[], more: Change[], typed: Record<string, any>, lost: string[], began: Settings | null, again: string[]}} Draft
 * @typedef {{field: string, say: string}} Stop  why one can't go on, and the field to see to
 */

/**
 * `more` holds all that was taken beside box and sensors, as changes; `typed` what stands in the
 * forms and isn't taken; `lost` what a reload has dropped because it was secret; `began` what the
 * file said, and `again` what was chosen and no longer fits it.
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
    began: settings && { ...settings, camera: settings.camera && openSource(settings.camera) },
    again: [],
  };
}

/** What may be kept of a draft, as text. @param {Draft} draft */
export function textOf(draft) {
  const open = draft.more.filter((change) => !isSecret(change));
  const { camera, person, broker, mail, ...typed } = draft.typed;
  const source = openSource(camera?.source ?? "");
  const lost = [...draft.more.filter(isSecret).map(lostOf), ...(camera && source !== camera.source ? ["camera"] : [])];
  return JSON.stringify({
    ...draft,
    more: open,
    lost: [...new Set([...draft.lost, ...lost])],
    typed: {
      ...typed,
      ...(source ? { camera: { ...camera, source } } : {}),
      ...(person ? { person: { ...person, password: "", address: isOpenRoute(routeOf(person)) ? person.address : "" } } : {}),
      ...(broker ? { broker: withoutSecret(broker) } : {}),
      ...(mail ? { mail: withoutSecret(mail) } : {}),
    },
  });
}

/** A form for a server as it may be kept. @param {{host: string}} typed */
function withoutSecret(typed) {
  return { ...typed, password: "", host: /@/.test(typed.host) ? "" : typed.host };
}

/** @param {Change} change */
function isSecret(change) {
  if (change.do === "camera") return change.source !== openSource(change.source ?? "");
  if (change.do === "person") return !change.add.every(isOpenRoute);
  return "password" in change || change.do === "webhook" || /@/.test(change.host ?? "");
}

/** The route that a form for a person names. @param {{way: string, address: string}} typed */
export function routeOf({ way, address }) {
  if (way === "webpush") return "webpush:";
  return way === "mailto" ? address && `mailto:${address.trim()}` : address.trim();
}

/**
 * Whether a route may be read by everybody. As the service sees it, what has `//` behind its
 * scheme is a message service's address, mqtt:// too, and that holds a password.
 * @param {string} route
 */
export function isOpenRoute(route) {
  return /^(webpush|mailto|mqtt):(?!\/\/)/i.test(route);
}

/**
 * What may be kept of a camera's address: a path on this computer is whole. Of one in the network
 * a password may stand anywhere behind the host, and before it.
 * @param {string} source
 */
export function openSource(source) {
  if (/^\/(?!\/)/.test(source)) return source;
  return (/^[a-z][a-z0-9+.-]*:\/\/(?:(?:[a-z0-9.-]+|\[[0-9a-f:.]+\])(?::\d+)?(?=\/|$)(?!.*@)\/?)?/i.exec(source) ?? [""])[0];
}

/**
 * A kept draft, if it is one and of that file, as it was or is; else null.
 * @param {string | null} text  @param {string} [of]  @returns {Draft | null}
 */
export function keptDraft(text, of = "") {
  try {
    const draft = JSON.parse(text ?? "null");
    const whole = draft && typeof draft.base === "string" && draft.of === of && [draft.sensors, draft.enclosure, draft.more, draft.lost, draft.again].every(Array.isArray);
    return whole && draft.typed && draft.began !== undefined ? draft : null;
  } catch {
    return null;
  }
}

/**
 * A draft on its file as that is now. What somebody else has changed counts where both have, and
 * is named in `again`; all else that was chosen stays. A file with faults says nothing to lay it on.
 * @param {Draft | null} draft  @param {{base: string, settings: Settings | null, file: string, faults: string[]}} file
 * @returns {Draft}
 */
export function laidOn(draft, { base, settings, file, faults }) {
  const now = draftOf(base, settings, file);
  if (!draft || draft.base === base || faults.length) return draft ?? now;
  const was = draftOf(draft.base, draft.began);
  /** @type {Set<string>} */
  const again = new Set(draft.again);
  /** @type {<T extends object>(keys: readonly (keyof T & string)[], mine: T, before: T, there: T, name?: string) => T} */
  const merged = (keys, mine, before, there, name) => {
    const both = { ...there };
    for (const key of keys) {
      if (isSame(mine[key], before[key]) || isSame(mine[key], there[key])) continue;
      if (isSame(before[key], there[key])) both[key] = mine[key];
      else again.add(name ?? key);
    }
    return both;
  };
  const sensors = now.sensors.flatMap((there) => {
    const before = was.sensors.find((each) => each.of === there.of);
    if (!before) return [there];
    const mine = draft.sensors.find((each) => each.of === there.of);
    if (mine) return [merged(SENSOR, mine, before, there, `sensor ${there.name}`)];
    if (isSame(before, there)) return [];
    again.add(`sensor ${there.name}`);
    return [there];
  });
  for (const mine of draft.sensors) {
    const before = was.sensors.find((each) => each.of === mine.of);
    const fits = before ? now.sensors.some((each) => each.of === mine.of) : !now.sensors.some((each) => isSameChip(each, mine));
    if (!before && fits) sensors.push(mine);
    if (!fits && !isSame(mine, before)) again.add(`sensor ${mine.name}`);
  }
  const more = draft.more.filter((change) => {
    const there = about(change, now.began);
    if (change.do.startsWith("remove ") && there === null) return false; // it is gone already
    const fits = isSame(about(change, was.began), there);
    if (!fits) again.add(lostOf(change));
    return fits;
  });
  return { ...merged(BOX, draft, was, now), sensors, more, typed: draft.typed, lost: draft.lost, again: [...again] };
}

/** @param {unknown} one  @param {unknown} other */
function isSame(one, other) {
  return JSON.stringify(one) === JSON.stringify(other);
}

/** @param {DraftSensor} one  @param {DraftSensor} other */
function isSameChip(one, other) {
  return one.address !== null && one.address === other.address && (one.device ?? null) === (other.device ?? null);
}

/** What a file says so far of that which a change is about. @param {Change} change  @param {Settings | null} settings  @returns {unknown} */
function about(change, settings) {
  const [table] = keyOf(change).replace("remove ", "").split(" ");
  const name = change.of ?? change.name;
  if (table === "contact") return settings?.contacts.find((each) => each.name === name || (change.pin != null && each.pin === change.pin)) ?? null;
  if (table === "particles") return settings?.particles.find((each) => each.name === name || (change.port && each.port === change.port)) ?? null;
  if (table === "person") return settings?.people.find((each) => each.name === name) ?? null;
  return settings?.[/** @type {"camera" | "sounder" | "mqtt" | "mail"} */ (table)] ?? null;
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
    again: draft.again.filter((key) => !found.has(key)),
  };
}

/** @param {Draft} draft @param {string} key */
export function leaving(draft, key) {
  return { more: draft.more.filter((change) => keyOf(change) !== key), lost: draft.lost.filter((each) => each !== key) };
}

/** What stands in a form that isn't taken yet. @param {Draft} draft @param {string} form @param {any} value */
export function typing(draft, form, value) {
  return { typed: { ...draft.typed, [form]: value } };
}

const BOX = /** @type {const} */ (["name", "enclosure", "target_c", "limit_c", "width_mm", "height_mm"]);
const SENSOR = /** @type {const} */ (["name", "place", "topic", "pointer", "correction_k", "drawn_at"]);
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
    if (!isSame(value, before[key])) box[key] = value;
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
  for (const key of SENSOR) {
    const value = key === "name" ? sensor.name.trim() : (sensor[key] ?? null);
    if (!isSame(value, old[key] ?? null)) change[key] = value;
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
    if (typed.mail) return { field: "take-mail", say: T.mail };
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
