/** Other settings tried on a job before they are written into the chamber file. */

import { useEffect, useId, useLayoutEffect, useRef, useState } from "../vendor/preact-hooks.js";
import { Refused, useWork } from "./act.js";
import { get, post } from "./ask.js";
import { Chapter } from "./chapters.js";
import { html } from "./html.js";
import { Offered } from "./materials.js";
import { S } from "./strings.js";
import { W as T } from "./strings_what_if.js";
import { duration, moment, typed } from "./units.js";

/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Difference} Difference */
/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").Told} Told */
/** @typedef {{target: string, limit: string, material: string, places: Record<string, string>}} Wanted */

const WAIT_MS = 150_000; // the service gives up after two minutes
const ASK_MS = 700;
const PLACES = /** @type {const} */ (["chamber", "room", "bed", "electronics"]);

/** @param {{job: Job, chamber: Chamber}} props */
export function WhatIf({ job, chamber }) {
  const [open, setOpen] = useState(false);
  const button = useRef(/** @type {HTMLElement | null} */ (null));
  const close = () => {
    setOpen(false);
    button.current?.focus();
  };
  return html`<${Chapter} name="what-if" kind="what-if" heading=${T.heading}>
    <div class="acts">
      <button type="button" class="act" ref=${button} aria-expanded=${open} onClick=${() => setOpen(!open)}>
        ${T.open}
      </button>
    </div>
    ${open && html`<${Form} job=${job} chamber=${chamber} close=${close} />`}
  <//>`;
}

/** @param {{job: Job, chamber: Chamber, close: () => void}} props */
function Form({ job, chamber, close }) {
  const [wanted, setWanted] = useState(asSet(job, chamber));
  const [found, setFound] = useState(/** @type {{items: Difference[], lines: string[]} | null} */ (null));
  const { busy, error, run, refuse } = useWork();
  const first = useRef(/** @type {HTMLElement | null} */ (null));
  const answer = useRef(/** @type {HTMLElement | null} */ (null));
  const id = useId();
  useLayoutEffect(() => first.current?.focus(), []);
  useLayoutEffect(() => {
    if (found) answer.current?.focus();
  }, [found]);
  const path = `/api/jobs/${encodeURIComponent(job.id)}/what-if`;
  const { body, lines } = asked(wanted, job, chamber);
  const field = (/** @type {"target" | "limit" | "material"} */ key) => ({
    id: `${id}-${key}`,
    value: wanted[key],
    autocomplete: "off",
    onInput: (/** @type {any} */ event) => setWanted({ ...wanted, [key]: event.target.value }),
  });
  /** @param {"target" | "limit"} key */
  const degrees = (key) => ({ inputmode: "decimal", "aria-invalid": error && wrong(wanted) === T[`${key}_wrong`] ? "true" : undefined });
  async function ask() {
    setFound(null);
    /** @type {{items: Difference[]} | undefined} */
    let told;
    const work = async () => {
      told = await post(path, body, { wait_ms: WAIT_MS });
    };
    if ((await run(work)) && told) setFound({ items: told.items, lines });
  }
  return html`<form
      class="aside"
      novalidate
      onKeyDown=${(/** @type {KeyboardEvent} */ event) => event.key === "Escape" && close()}
      onSubmit=${(/** @type {Event} */ event) => {
        event.preventDefault();
        const why = wrong(wanted);
        if (why) refuse(why);
        else if (lines.length || body.material !== undefined) ask();
      }}
    >
      <p class="small">${T.how}</p>
      <div class="fields">
        <p><label for=${`${id}-target`}>${T.target}</label>
          <input ...${field("target")} ...${degrees("target")} ref=${first} /></p>
        <p><label for=${`${id}-limit`}>${T.limit}</label>
          <input ...${field("limit")} ...${degrees("limit")} /></p>
        <p><label for=${`${id}-material`}>${T.material}</label>
          <input ...${field("material")} maxlength="200" list=${`${id}-materials`} /></p>
      </div>
      <${Offered} id=${`${id}-materials`} />
      <details>
        <summary>${T.places}</summary>
        <div class="fields">
          ${chamber.sensors.map(
            ({ name }, i) => html`<p key=${name}><label for=${`${id}-sensor-${i}`}>${name}</label>
              <select id=${`${id}-sensor-${i}`} value=${wanted.places[name]}
                onChange=${(/** @type {any} */ event) =>
                  setWanted({ ...wanted, places: { ...wanted.places, [name]: event.target.value } })}>
                ${PLACES.map((place) => html`<option value=${place} selected=${place === wanted.places[name]}>${T.place[place]}</option>`)}
              </select></p>`,
          )}
        </div>
      </details>
      <div class="acts">
        <button type="submit" class="act" aria-disabled=${busy || (!lines.length && body.material === undefined)}>${T.ask}</button>
        <button type="button" class="act slight" onClick=${close}>${S.job.cancel}</button>
      </div>
      ${!busy && !lines.length && body.material === undefined && html`<p class="small">${T.change_one}</p>`}
      ${busy && html`<${Underway} path=${path} />`}
      <${Refused} error=${error} />
    </form>
    ${found && html`<div class="retold" ref=${answer} tabindex="-1"><${Answer} job=${job} ...${found} /></div>`}`;
}

/** How far it is; asked for beside the question itself. @param {{path: string}} props */
function Underway({ path }) {
  const [share, setShare] = useState(/** @type {number | null} */ (null));
  useEffect(() => {
    const timer = setInterval(() => {
      get(path).then(
        (told) => setShare(told.share || null),
        () => undefined, // the question itself tells what is wrong
      );
    }, ASK_MS);
    return () => clearInterval(timer);
  }, []);
  const text = share === null ? T.underway : T.so_far(Math.round(share * 100));
  return html`<p class="underway" role="status">
    ${share !== null && html`<progress value=${share} max="1" aria-label=${T.underway}></progress>`}
    <span>${text}</span>
  </p>`;
}

/** @param {{job: Job, items: Difference[], lines: string[]}} props */
function Answer({ job, items, lines }) {
  const other = items.filter((item) => item.what !== "same");
  const same = items.filter((item) => item.what === "same");
  return html`<p><strong>${T.differ(other.length, items.length)}</strong> ${T.by_temperature}</p>
    ${other.length > 0 && html`<${Both} job=${job} items=${other} />`}
    ${same.length > 0 &&
    html`<details><summary>${T.same(same.length)}</summary><${Both} job=${job} items=${same} /></details>`}
    ${lines.length > 0 &&
    html`<p>${T.keep}</p>
      <pre>${lines.join("\n")}</pre>`}`;
}

/** Both stories side by side. @param {{job: Job, items: Difference[]}} props */
function Both({ job, items }) {
  return html`<table>
    <thead><tr><th scope="col">${T.what}</th><th scope="col">${T.before}</th><th scope="col">${T.after}</th></tr></thead>
    <tbody>
      ${items.map(({ before, after }, i) => {
        const told = /** @type {Told} */ (after ?? before);
        return html`<tr key=${i}>
          <th scope="row">${word(told)}</th>
          <td>${spoken(before, told, job)}</td>
          <td>${spoken(after, told, job)}</td>
        </tr>`;
      })}
    </tbody>
  </table>`;
}

/** @param {Told} told */
function word(told) {
  const name = S.jobs.kinds[told.kind] ?? S.hour.kinds[told.kind] ?? told.kind;
  return told.subject ? `${name}: ${told.subject}` : name;
}

/** When and how long, and as what if not as in the other column. @param {Told | null} told @param {Told} other @param {Job} job */
function spoken(told, other, job) {
  if (!told) return T.not_told;
  const at_ms = Date.parse(job.started_at) + told.onset_s * 1000;
  const lasting = told.end_s === null ? T.to_the_end : T.for(duration(told.end_s - told.onset_s));
  const as = told.kind === other.kind ? "" : `${word(told)}, `;
  return `${as}${moment(at_ms, job.started_at)}, ${lasting}`;
}

/** What the form begins with: how it is set now. @param {Job} job @param {Chamber} chamber @returns {Wanted} */
function asSet(job, chamber) {
  return {
    target: chamber.target_c === null ? "" : String(chamber.target_c),
    limit: String(chamber.limit_c),
    material: job.material,
    places: Object.fromEntries(chamber.sensors.map(({ name, place }) => [name, place])),
  };
}

/**
 * What differs from how it is set now, as the service is asked and as it would stand in the file.
 * @param {Wanted} wanted @param {Job} job @param {Chamber} chamber
 */
export function asked(wanted, job, chamber) {
  const now = asSet(job, chamber);
  /** @type {Record<string, any>} */
  const body = {};
  /** @type {string[]} */
  const top = [];
  /** @type {string[]} */
  const below = [];
  if (wanted.target.trim() !== now.target) {
    body.target_c = wanted.target.trim() ? typed(wanted.target) : null;
    top.push(body.target_c === null ? T.no_target : `target_c = ${body.target_c}`);
  }
  if (wanted.limit.trim() !== now.limit) {
    body.limit_c = typed(wanted.limit);
    top.push(`limit_c = ${body.limit_c}`);
  }
  if (wanted.material.trim() !== now.material) body.material = wanted.material.trim();
  for (const [name, place] of Object.entries(wanted.places)) {
    if (place === now.places[name]) continue;
    body.sensors = { ...body.sensors, [name]: { place } };
    below.push("[[sensor]]", `name = "${name}"`, `place = "${place}"`);
  }
  return { body, lines: [...(top.length ? ["[chamber]", ...top] : []), ...below] };
}

/** What can't be set so, in words; or nothing. @param {Wanted} wanted */
export function wrong({ target, limit }) {
  const possible = (/** @type {string} */ text) => Math.abs(typed(text) - 140) <= 160; // -20 to 300
  if (target.trim() && !possible(target)) return T.target_wrong;
  return possible(limit) ? "" : T.limit_wrong;
}
