/** Find out at which pin a switch hangs: open the door, and see which one changes. The sounder's pin, too. */

import { useEffect, useId, useRef, useState } from "../vendor/preact-hooks.js";
import { Act } from "./act.js";
import { get, post } from "./ask.js";
import { html } from "./html.js";
import { later } from "./later.js";
import { Broker, brokerOf } from "./setup_broker.js";
import { alike, keyOf, leaving, taking, typing } from "./setup_draft.js";
import { Choice, Figure, Typed, Wrong, fieldId } from "./setup_fields.js";
import { G } from "./strings_setup.js";

/** @typedef {import("./setup_draft.js").Draft} Draft */
/** @typedef {import("./setup_file.js").ChamberFile} ChamberFile */
/** @typedef {import("./setup_file.js").Files} Files */
/** @typedef {{pin: number, is_closed: boolean, changes: number}} Pin */
/** @typedef {{is_looking: boolean, free: Pin[], used: {pin: number, by: string}[], unused: number[], why: string}} Pins */

const TrySounder = later(() => import("./try_sounder.js"), "TrySounder", "");
const EVERY_MS = 500;
const MOST_WORDS = 4; // of those that came, each offered
const T = G.switches;
const NEW = { way: "gpio", pin: /** @type {number | null} */ (null), name: "", kind: "door", means: "safe", topic: "", pointer: "", active: "", normal: "", came: /** @type {string[]} */ ([]) };

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

/** @param {{draft: Draft, change: import("./setup_steps.js").Change, file: ChamberFile, files: Files, stop: import("./setup_draft.js").Stop | null, halt: () => void}} props */
export function Switches({ draft, change, file, files, stop, halt }) {
  const { pins, again } = usePins();
  const fresh = { ...NEW, ...draft.typed.switch };
  const set = (/** @type {Partial<typeof NEW>} */ part) => change(typing(draft, "switch", { ...fresh, ...part }));
  const contacts = file.settings?.contacts ?? [];
  const news = draft.more.filter((each) => each.do === "contact" || each.do === "add topic contact");
  const gone = new Set(draft.more.filter((each) => each.do === "remove contact").map((each) => each.of));
  const used = new Set([...contacts, ...news].map((each) => each.name));
  const suggested = T.suggested.find((each) => !used.has(each)) ?? "";
  const choose = (/** @type {any} */ pin) => set({ pin: typeof pin === "number" ? pin : null, name: fresh.name || suggested });
  const name = fresh.name.trim();
  const by_topic = fresh.way === "mqtt";
  const adds = name && !(by_topic && (!brokerOf(draft, file) || draft.typed.broker)) ? (by_topic ? topicChanges(fresh, name) : pinChanges(fresh, name)) : [];
  const take = () => !adds.length ? halt() : change({ ...taking(draft, ...adds), ...typing(draft, "switch", undefined) });
  const hears = (/** @type {string} */ topic, /** @type {string} */ word) =>
    change((/** @type {Draft} */ last) => {
      const now = { ...NEW, ...last.typed.switch };
      if (now.topic.trim() !== topic) return {};
      return typing(last, "switch", { ...now, came: [...now.came.filter((/** @type {string} */ each) => !alike(each, word)), word].slice(-MOST_WORDS) });
    });
  const kinds = new Map(T.kinds);
  const one = (/** @type {any} */ each) => T.one(each.name, kinds.get(each.kind) ?? each.kind, each.topic ?? (each.pin == null ? (T.elsewhere[each.driver] ?? each.driver) : T.pin(each.pin)));
  return html`<p class="sub">${T.how}</p>
    ${(contacts.length > 0 || !news.length) && html`<h2>${T.now}</h2>`}
    ${!contacts.length && !news.length && html`<p>${T.none}</p>`}
    <ul class="noted">${contacts.map(
      (each) => html`<li key=${each.name}>${one(each)}${" "}
        <button type="button" class="act slight" aria-pressed=${gone.has(each.name)}
          onClick=${() => change(gone.has(each.name) ? leaving(draft, `remove contact ${each.name}`) : taking(draft, { do: "remove contact", of: each.name }))}>${T.remove(each.name)}</button></li>`,
    )}</ul>
    ${news.length > 0 && html`<h2>${G.chosen}</h2>`}
    <ul class="noted">${news.map(
      (each) => html`<li key=${each.name}>${one(each)}${" "}
        <button type="button" class="act slight" onClick=${() => change(leaving(draft, keyOf(each)))}>${G.leave_out(each.name)}</button></li>`,
    )}</ul>
    <h2>${T.find}</h2>
    <div class="fields"><${Choice} label=${T.way} value=${fresh.way} among=${T.ways} set=${(/** @type {string} */ way) => set({ ...NEW, way, name: way === "mqtt" ? suggested : "" })} /></div>
    ${!by_topic && html`<${Finding} pins=${pins} again=${again} pin=${fresh.pin} choose=${choose} />`}
    <div class="fields">
      ${!by_topic && html`<${PinField} label=${T.which} pins=${pins} value=${fresh.pin} set=${choose} />`}
      ${(by_topic || fresh.pin !== null) && html`<${Named} fresh=${fresh} set=${set} stop=${stop} seen=${by_topic ? undefined : pins?.free.find(({ pin }) => pin === fresh.pin)} />`}
      ${by_topic && html`<${Broker} draft=${draft} change=${change} file=${file} files=${files} stop=${stop} at="switches" topic=${fresh.topic} pointer=${fresh.pointer} expects="word" hears=${hears} />`}
    </div>
    ${(by_topic || fresh.pin !== null) && html`<div class="acts"><button type="button" class="act" id=${fieldId("take-switch")} aria-disabled=${!adds.length} onClick=${take}>${T.take}</button></div>`}
    <${Wrong} stop=${stop} field="take-switch" />
    <${Sounder} draft=${draft} change=${change} chamber=${file.chamber} now=${file.settings?.sounder ?? null} pins=${pins} />
    <h2>${G.stop.head}</h2>
    <p>${file.settings?.stop ? G.stop.has : G.stop.none}</p>
    <details><summary>${G.stop.why_head}</summary><p>${G.stop.why}</p></details>`;
}

/** @param {typeof NEW} fresh  @param {string} name */
function pinChanges({ kind, pin, means }, name) {
  return pin === null ? [] : [{ do: "contact", name, kind, pin, closed_means: means }];
}

/** @param {typeof NEW} fresh  @param {string} name */
function topicChanges({ kind, topic, pointer, active, normal }, name) {
  const more = pointer.trim() ? { pointer: pointer.trim() } : {};
  return topic.trim() && active.trim() && normal.trim() && !alike(active, normal) ? [{ do: "add topic contact", name, kind, topic: topic.trim(), active: active.trim(), normal: normal.trim(), ...more }] : [];
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
    <div class="acts"><${Act} kind=${looking ? "slight" : ""} work=${begin}>${looking ? T.again : T.look}<//></div>
    <div ref=${place} tabindex="-1" class="pins" role="group" aria-label=${T.find}>
      <p role="status">${looking && !changed.length && pins?.free.length ? T.still(pins.free.length) : ""}</p>
      ${changed.length > 0 && html`<div class="among">${changed.map(
        (each) => html`<label key=${each.pin}><input type="radio" name=${id} checked=${pin === each.pin} onChange=${() => choose(each.pin)} />
          <span aria-live="polite">${T.changed(each.pin, each.is_closed, each.changes)}</span></label>`,
      )}</div>`}
      ${looking && pins && pins.used.length > 0 && html`<p class="small">${T.used(pins.used.map((each) => `GPIO ${each.pin} (${each.by})`).join(", "))}</p>`}
    </div>`;
}

/** @param {{fresh: typeof NEW, set: (part: Partial<typeof NEW>) => void, stop: import("./setup_draft.js").Stop | null, seen: Pin | undefined}} props */
function Named({ fresh, set, stop, seen }) {
  const [safe, alarm] = T.meanings[fresh.kind];
  const state = seen && (seen.is_closed === (fresh.means === "safe") ? safe : alarm);
  const pressed = fresh.kind === "presence" || fresh.kind === "reset" || fresh.kind === "heater";
  return html`<${Typed} label=${T.name} field="switch-name" stop=${stop} value=${fresh.name} most=${40} set=${(/** @type {string} */ name) => set({ name })} />
    <${Choice} label=${T.kind} value=${fresh.kind} among=${T.kinds}
      set=${(/** @type {string} */ kind) => set({ kind, means: ["presence", "reset", "heater"].includes(kind) ? "alarm" : "safe" })} />
    ${fresh.way === "mqtt" ? html`<${Topic} fresh=${fresh} set=${set} stop=${stop} off_normal=${alarm} safe=${safe} />` : html`<${Choice} label=${T.means} value=${fresh.means} among=${[["safe", safe], ["alarm", alarm]]} set=${(/** @type {string} */ means) => set({ means })} />`}
    <p role="status">${state && html`<strong>${T.so(fresh.name, state)}</strong>`}</p>
    ${!pressed && fresh.means === "alarm" && html`<p class="small">${T.cut}</p>`}`;
}

/** @param {{fresh: typeof NEW, set: (part: Partial<typeof NEW>) => void, stop: import("./setup_draft.js").Stop | null, off_normal: string, safe: string}} props */
function Topic({ fresh, set, stop, off_normal, safe }) {
  const M = G.more;
  const other = (/** @type {string} */ of, /** @type {string} */ word) => (alike(of, word) ? "" : of); // one word means one thing
  const open = fresh.came.filter((word) => !alike(word, fresh.active) && !alike(word, fresh.normal));
  return html`<${Typed} label=${M.topic} hint=${M.topic_how} field="switch-topic" stop=${stop} value=${fresh.topic} set=${(/** @type {string} */ topic) => set({ topic, came: [] })} />
    <details open=${fresh.pointer !== "" || undefined}><summary>${M.pointer_head}</summary>
      <${Typed} label=${M.pointer} hint=${M.pointer_how} value=${fresh.pointer} set=${(/** @type {string} */ pointer) => set({ pointer, came: [] })} /></details>
    <${Typed} label=${T.active_of(off_normal)} field="switch-active" stop=${stop} value=${fresh.active} most=${200} set=${(/** @type {string} */ active) => set({ active })} />
    <${Typed} label=${T.active_of(safe)} field="switch-normal" stop=${stop} value=${fresh.normal} most=${200} hint=${`${T.third} ${T.retained}`} set=${(/** @type {string} */ normal) => set({ normal })} />
    ${open.map((word) => html`<div class="suggested" role="group" aria-label=${T.came(word)} key=${word}><p>${T.came(word)}</p>
      <button type="button" class="act" onClick=${() => set({ normal: word, active: other(fresh.active, word) })}>${T.word_means(safe)}</button>
      <button type="button" class="act" onClick=${() => set({ active: word, normal: other(fresh.normal, word) })}>${T.word_means(off_normal)}</button>
    </div>`)}`;
}

/** A pin among those that nothing uses, or where they aren't known any number. @param {{label: string, pins: Pins | null, value: number | null, set: (pin: number | null) => void}} props */
function PinField({ label, pins, value, set }) {
  const number = html`<${Figure} label=${`${label}: ${T.number}`} hint=${T.number_how} whole=${true} value=${value} set=${set} />`;
  if (pins?.why) return html`<details><summary>${T.none_here}</summary>${number}</details>`;
  if (!pins?.unused.length) return number;
  const among = [["", T.choose], ...pins.unused.map((pin) => [String(pin), `GPIO ${pin}`])];
  return html`<${Choice} label=${label} value=${value === null ? "" : String(value)} among=${among} set=${(/** @type {string} */ pin) => set(pin ? Number(pin) : null)} />`;
}

/** @param {{draft: Draft, change: import("./setup_steps.js").Change, chamber: string, now: import("./setup_draft.js").Settings["sounder"], pins: Pins | null}} props */
function Sounder({ draft, change, chamber, now, pins }) {
  const S = G.sounder;
  const chosen = draft.more.find((each) => each.do === "sounder");
  const gone = chosen?.pin === null;
  const choose = (/** @type {any} */ pin) => change(typeof pin === "number" ? taking(draft, { do: "sounder", pin }) : leaving(draft, "sounder"));
  return html`<h2>${S.head}</h2>
    <p>${now === null ? S.none : now.pin === null ? S.program : S.on(now.pin)}</p>
    ${now !== null && html`<p><a class="way" href="#/alarm-test">${S.test}</a></p>
      <p><${TrySounder} chamber=${chamber} /></p>
      <div class="acts"><button type="button" class="act slight" aria-pressed=${gone} onClick=${() => change(gone ? leaving(draft, "sounder") : taking(draft, { do: "sounder", pin: null }))}>${S.remove}</button></div>`}
    <p>${S.how}</p>
    <div class="fields"><${PinField} label=${S.pin} pins=${pins} value=${chosen?.pin ?? null} set=${choose} /></div>`;
}
