/**
 * What somebody has chosen so far for a chamber, and which changes of its file that means.
 * Pure. A draft is kept by the browser, so a reload loses nothing; it begins with what the
 * file says, and never holds a password or an address that is secret.
 */

/**
 * @typedef {{name: string, place: string, driver: string, address: string | null, device: string | null, topic: string | null, correction_k: number, drawn_at: [number, number] | null}} SetSensor
 * @typedef {{name: string, kind: string, driver: string, pin: number | null, closed_means: string | null}} SetContact
 * @typedef {{name: string, enclosure: string[], target_c: number | null, limit_c: number, timezone: string | null, width_mm: number | null, depth_mm: number | null, height_mm: number | null, sensors: SetSensor[], contacts: SetContact[], particles: {name: string, driver: string, port: string | null}[], sounder: {driver: string, pin: number | null} | null, stop: boolean, mqtt: {host: string, port: number} | null, camera: string | null, people: {name: string, routes: string[]}[], mail: {host: string, port: number, security: string, username: string | null, password: boolean} | null}} Settings
 * @typedef {{of: string | null, name: string, place: string, driver: string, address: string | null, device?: string | null, topic?: string | null, pointer?: string, thermocouple?: string, mains_hz?: number, correction_k: number | null, drawn_at: [number, number] | null}} DraftSensor
 * @typedef {{base: string, name: string, enclosure: string[], target_c: number | null, limit_c: number | null, width_mm: number | null, height_mm: number | null, sensors: DraftSensor[]}} Draft
 */

/** @param {string} base  what the file is known by  @param {Settings | null} settings  @returns {Draft} */
export function draftOf(base, settings) {
  return {
    base,
    name: settings?.name ?? "",
    enclosure: settings?.enclosure ?? [],
    target_c: settings?.target_c ?? null,
    limit_c: settings?.limit_c ?? null,
    width_mm: settings?.width_mm ?? null,
    height_mm: settings?.height_mm ?? null,
    sensors: (settings?.sensors ?? []).map((sensor) => ({ ...sensor, of: sensor.name })),
  };
}

/**
 * A kept draft, if it is one and of the file as it is now; else null.
 * @param {string | null} text  @param {string} base  @returns {Draft | null}
 */
export function keptDraft(text, base) {
  try {
    const draft = JSON.parse(text ?? "null");
    const whole = draft && draft.base === base && Array.isArray(draft.sensors) && Array.isArray(draft.enclosure);
    return whole ? draft : null;
  } catch {
    return null;
  }
}

const BOX = /** @type {const} */ (["name", "enclosure", "target_c", "limit_c", "width_mm", "height_mm"]);

/**
 * The changes that make the file say what the draft does.
 * @param {Draft} draft  @param {Settings | null} settings  @returns {object[]}
 */
export function changesOf(draft, settings) {
  const before = draftOf(draft.base, settings);
  /** @type {Record<string, unknown>} */
  const box = {};
  for (const key of BOX) {
    if (JSON.stringify(draft[key]) !== JSON.stringify(before[key])) box[key] = draft[key];
  }
  /** @type {object[]} */
  const changes = Object.keys(box).length ? [{ do: "chamber", ...box }] : [];
  for (const old of before.sensors) {
    if (!draft.sensors.some((sensor) => sensor.of === old.of)) changes.push({ do: "remove sensor", of: old.of });
  }
  for (const sensor of draft.sensors) {
    const change = sensor.of === null ? added(sensor) : changed(sensor, before.sensors.find((old) => old.of === sensor.of));
    if (change) changes.push(change);
  }
  return changes;
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
    do: "add sensor", name, place,
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
  for (const key of /** @type {const} */ (["name", "place", "correction_k", "drawn_at"])) {
    if (JSON.stringify(sensor[key]) !== JSON.stringify(old[key])) change[key] = sensor[key];
  }
  if (sensor.place !== "chamber" && sensor.drawn_at) change.drawn_at = null;
  return Object.keys(change).length ? { do: "sensor", of: sensor.of, ...change } : null;
}
