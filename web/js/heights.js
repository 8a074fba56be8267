/** From a height of the part to its minute, and from a moment to the height; pins set by hand. */

import { useEffect, useId, useState } from "../vendor/preact-hooks.js";
import { Act, Refused, useWork } from "./act.js";
import { get, post, remove } from "./ask.js";
import { Chapter } from "./chapters.js";
import { Kept } from "./evidence.js";
import { Flaws } from "./flaws.js";
import { html } from "./html.js";
import { FromAbove } from "./layers.js";
import { useOfJob } from "./past.js";
import { A } from "./strings_axis.js";
import { H } from "./strings_heights.js";
import { duration, figure, moment, symbol, typed, words } from "./units.js";

/** @typedef {import("./types.js").Heights} Heights */
/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").KeptPicture} KeptPicture */
/** @typedef {import("./types.js").Story} Story */
/** @typedef {import("./types.js").Then} Then */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {{height_mm: number, by: Heights["by"], toolpath: string | null, items: Then[]}} Found */

const MOST_PIECES = 12;
const MOST_ODD = 6; // heights that were left out
const POINTS = 500;
/** @type {Heights | null} */
const NONE = null;

/** "12.4 mm", "0.25 mm". @param {number} height_mm */
export function mm(height_mm) {
  return `${Number(height_mm.toFixed(2))}\u00a0mm`;
}

/**
 * When which height of a job was laid; asked for anew whenever `when` changes.
 * @param {string} job  @param {string} when  @returns {Heights | null}
 */
export const useHeights = (job, when) => useOfJob(job, when, fetchHeights, NONE);

/** @param {string} job  @returns {Promise<Heights | null>} */
function fetchHeights(job) {
  return get(`${address(job)}/heights`);
}

/** @param {string} job */
function address(job) {
  return `/api/jobs/${encodeURIComponent(job)}`;
}

/**
 * How high the part was at a moment, as far as the columns say; null where they don't.
 * @param {Heights | null} heights  @param {string} at
 */
export function heightAt(heights, at) {
  if (!heights) return null;
  const at_s = Date.parse(at) / 1000;
  const { start_at, end_at, height_mm } = heights;
  if (start_at.length === 0 || at_s < start_at[0] || at_s > end_at[end_at.length - 1]) return null;
  let low = 0;
  let high = start_at.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (start_at[middle] <= at_s) low = middle;
    else high = middle - 1;
  }
  return height_mm[low];
}

/** What was asked for, as events of the chart. @param {Found | null} found  @returns {Story[]} */
export function sought(found) {
  return (found?.items ?? []).map((then, i) => ({
    event: -1000 - i,
    kind: mm(found?.height_mm ?? then.height_mm),
    class: "notice",
    change: "cleared",
    onset_at: then.start_at,
    end_at: then.end_at,
    height_mm: found?.height_mm ?? then.height_mm,
    text: H.mark(mm(found?.height_mm ?? then.height_mm)),
  }));
}

/**
 * Ask for a height, see its minute.
 * @param {{job: Job, heights: Heights | null, found: Found | null, setFound: (found: Found | null) => void,
 *   again: () => void, may: boolean, unit: Unit, now: string, when: string, look: (at_s: number) => void}} props
 */
export function AtHeight({ job, heights, found, setFound, again, may, unit, now, when, look: show }) {
  const [wanted, setWanted] = useState("");
  const { busy, error, run, refuse } = useWork();
  const id = useId();
  const look = (/** @type {number} */ height_mm) =>
    run(async () => {
      const { by, toolpath, items } = await get(`${address(job.id)}/heights/when?height_mm=${height_mm}`);
      setFound({ height_mm, by, toolpath, items: items.slice(0, MOST_PIECES) });
    });
  const asked = found?.height_mm;
  // What becomes known moves what was found: a pin, a toolpath, a height that is told.
  useEffect(() => {
    if (asked !== undefined && heights) look(asked);
  }, [heights]);
  const submit = (/** @type {Event} */ event) => {
    event.preventDefault();
    const height_mm = typed(wanted);
    if (height_mm >= 0 && height_mm <= 2000) look(height_mm);
    else refuse(H.wrong);
  };
  if (!heights) return null;
  return html`<${Chapter} name="height" kind="stories at-height" heading=${H.heading} gist=${H.gist}>
    <p class="small">${heights.by === "nothing" ? H.by_nothing : H.how}</p>
    ${heights.unlaid > 0 && html`<p><b>${H.unlaid(heights.unlaid)}</b></p>`}
    ${heights.doubt && html`<p><b>${H.doubt[heights.doubt]}</b></p>`}
    ${heights.by !== "nothing" &&
    html`<${Flaws} job=${job.id} when=${when} look=${look} mm=${mm} />
    <form class="asked" novalidate onSubmit=${submit}>
      <label for=${`${id}-mm`}>${H.height}</label>
      <input id=${`${id}-mm`} inputmode="decimal" autocomplete="off" value=${wanted}
        onInput=${(/** @type {any} */ event) => setWanted(event.target.value)} />
      <button type="submit" class="act" aria-disabled=${busy}>${busy ? H.looking : H.find}</button>
    </form>`}
    <${Refused} error=${error} />
    <div aria-live="polite">
      ${found && found.items.length === 0 && html`<p>${H.unknown}</p>`}
      ${found?.items.map(
        (then) => html`<${Laid} key=${`${found.height_mm} ${then.piece}`} job=${job} then=${then} found=${found} unit=${unit} now=${now} when=${when} show=${show} />`,
      )}
    </div>
    <${Pins} job=${job} heights=${heights} may=${may} again=${again} now=${now} />
  <//>`;
}

/**
 * One time at which the height was laid, and what the chamber did.
 * @param {{job: Job, then: Then, found: Found, unit: Unit, now: string, when: string, show: (at_s: number) => void}} props
 */
function Laid({ job, then, found, unit, now, when, show }) {
  const { air, picture } = useAround(job.id, then, when);
  const lasting = duration((Date.parse(then.end_at) - Date.parse(then.start_at)) / 1000);
  const say = Date.parse(then.start_at) > Date.parse(now) ? H.will : H.laid;
  const said = say(mm(found.height_mm), moment(then.start_at, job.started_at), lasting);
  const told = [
    then.layer === null ? "" : H.layer(then.layer + 1),
    H.give(duration(then.uncertainty_s)),
    found.by === "toolpath" ? H.by_toolpath : H.by_told,
  ].filter(Boolean);
  return html`<div class="laid">
    <p><b>${found.items.length > 1 && H.piece(then.piece + 1)}${said}</b> ${told.join(" ")}
      <button type="button" class="act slight" onClick=${() => show(Date.parse(then.start_at) / 1000)}>${A.go(moment(then.start_at, job.started_at))}</button></p>
    ${air && html`<p>${air.length ? `${H.read} ${ranges(air, unit)}.` : H.no_readings}</p>`}
    ${then.events.length === 0
      ? html`<p>${H.quiet}</p>`
      : html`<p>${H.told}</p>
          <ul>
            ${then.events.map((event) => html`<li key=${event.event}>${moment(event.onset_at, job.started_at)}: ${words(event.text, unit)}</li>`)}
          </ul>`}
    ${found.by === "toolpath" && html`<${Outlined} toolpath=${found.toolpath} layer=${then.layer} />`}
    ${picture &&
    html`<${Kept} key=${picture.id} picture=${picture} alt=${H.alt}
      words=${H.picture(moment(picture.at, job.started_at), picture.height_mm === null ? "" : mm(picture.height_mm))} />`}
  </div>`;
}

/** @param {{name: string, low: number, high: number}[]} air  @param {Unit} unit */
function ranges(air, unit) {
  const told = air.map(({ name, low, high }) => H.range(name, figure(low, unit), figure(high, unit)));
  return `${told.join(", ")} ${symbol(unit)}`;
}

/**
 * The air of that time, and the picture nearest to it.
 * @param {string} job  @param {Then} then  @param {string} when
 */
function useAround(job, then, when) {
  const [air, setAir] = useState(/** @type {{name: string, low: number, high: number}[] | null} */ (null));
  const [picture, setPicture] = useState(/** @type {KeptPicture | null} */ (null));
  useEffect(() => {
    let over = false;
    const stretch = `from=${encodeURIComponent(then.from_at)}&to=${encodeURIComponent(then.to_at)}`;
    get(`${address(job)}/readings?${stretch}&points=${POINTS}`).then(
      ({ sensors }) => {
        if (over) return;
        const known = Object.entries(/** @type {Record<string, (number | null)[]>} */ (sensors)).map(([name, column]) => ({
          name,
          values: /** @type {number[]} */ (column.filter((t_c) => t_c !== null)),
        }));
        const told = known.filter(({ values }) => values.length > 0);
        setAir(told.map(({ name, values }) => ({ name, low: Math.min(...values), high: Math.max(...values) })));
      },
      () => over || setAir(null),
    );
    nearest(job, then).then(
      (found) => over || setPicture(found),
      () => over || setPicture(null),
    );
    return () => {
      over = true;
    };
  }, [job, then.from_at, then.to_at, when]);
  return { air, picture };
}

/** The kept picture nearest to when the height was laid. @param {string} job  @param {Then} then */
async function nearest(job, then) {
  const middle = (Date.parse(then.start_at) + Date.parse(then.end_at)) / 2;
  const off = (/** @type {KeptPicture} */ picture) => Math.abs(Date.parse(picture.at) - middle);
  /** @type {{items: KeptPicture[]}} */
  const { items } = await get(`${address(job)}/pictures`);
  return items.reduce(
    (/** @type {KeptPicture | null} */ best, picture) => (best && off(best) <= off(picture) ? best : picture),
    null,
  );
}

// --- a moment's height -----------------------------------------------------------------

/**
 * The height beside a line; a tap says how sure it is.
 * @param {{at: string, told_mm: number | null, heights: Heights | null, open: boolean, tap: () => void}} props
 */
export function HeightOf({ at, told_mm, heights, open, tap }) {
  const height_mm = told_mm ?? heightAt(heights, at);
  if (height_mm === null) return html`<b class="mm"></b>`;
  if (!heights || heights.by === "nothing") return html`<b class="mm">${briefly(height_mm)}</b>`;
  return html`<button type="button" class="mm" aria-expanded=${open} aria-label=${H.tap(mm(height_mm))} onClick=${tap}>
    ${briefly(height_mm)}
  </button>`;
}

/** @param {number} height_mm */
function briefly(height_mm) {
  return `${height_mm < 9.95 ? height_mm.toFixed(1) : height_mm.toFixed(0)}\u00a0mm`;
}

/** How high the part was at a moment, with its uncertainty and outline. @param {{job: string, at: string}} props */
export function HeightThen({ job, at }) {
  const [known, setKnown] = useState(/** @type {{toolpath: string | null, items: Then[]} | null} */ (null));
  const [failed, setFailed] = useState("");
  useEffect(() => {
    let over = false;
    get(`${address(job)}/heights/when?at=${encodeURIComponent(at)}`).then(
      (answer) => over || setKnown(answer),
      (error) => over || setFailed(error.message),
    );
    return () => {
      over = true;
    };
  }, [job, at]);
  if (failed) return html`<em class="refused" role="alert">${failed}</em>`;
  if (!known) return html`<em class="small">${H.looking}</em>`;
  const [then] = known.items;
  if (!then) return html`<em class="small" role="status">${H.not_then}</em>`;
  const sure = then.low_mm === then.high_mm;
  const said = sure ? H.just(mm(then.height_mm)) : H.between(mm(then.height_mm), mm(then.low_mm), mm(then.high_mm));
  return html`<em class="small" role="status">${said} ${then.layer !== null && H.layer(then.layer + 1)}</em>
    <${Outlined} toolpath=${known.toolpath} layer=${then.layer} />`;
}

/** Where road lies in a layer. @param {{toolpath: string | null, layer: number | null}} props */
export function Outlined({ toolpath, layer }) {
  const [outline, setOutline] = useState(/** @type {import("./types.js").Outline | null} */ (null));
  useEffect(() => {
    if (toolpath === null || layer === null) return;
    let over = false;
    get(`/api/toolpaths/${encodeURIComponent(toolpath)}/outline?layer=${layer}`).then(
      (answer) => over || setOutline(answer),
      () => over || setOutline(null), // what is said beside it needs no drawing
    );
    return () => {
      over = true;
    };
  }, [toolpath, layer]);
  return outline && html`<${FromAbove} of=${outline} />`;
}

// --- pins --------------------------------------------------------------------------------

/** @param {{job: Job, heights: Heights, may: boolean, again: () => void, now: string}} props */
function Pins({ job, heights, may, again, now }) {
  const odd = heights.odd.slice(0, MOST_ODD).map(({ at, height_mm }) => H.odd(mm(height_mm), moment(at, job.started_at)));
  const left = heights.left_out > 0 && html`<p class="small">${H.left_out(heights.left_out, odd)}</p>`;
  if (!may && heights.pins.length === 0) return left || null;
  return html`${left}
    ${heights.pins.length > 0 &&
    html`<h3>${H.pins}</h3>
      <ul class="pins">
        ${heights.pins.map(
          (pin) => html`<li key=${pin.pin}>
            ${H.was(mm(pin.height_mm), moment(pin.seen_at, job.started_at), pin.by)} ${pin.doubtful && html`<b>${H.doubtful}</b>`}
            ${may && html`<${Act} kind="slight" work=${() => remove(`${address(job.id)}/pins/${pin.pin}`)} done=${again}>${H.take_back}<//>`}
          </li>`,
        )}
      </ul>`}
    ${may && html`<${NewPin} job=${job} again=${again} now=${now} />`}`;
}

/** @param {{job: Job, again: () => void, now: string}} props */
function NewPin({ job, again, now }) {
  const [high, setHigh] = useState("");
  const [at, setAt] = useState(() => local(job.finished_at ? job.started_at : now));
  const { busy, error, run, refuse } = useWork();
  const id = useId();
  const submit = async (/** @type {Event} */ event) => {
    event.preventDefault();
    const height_mm = typed(high);
    const seen = new Date(at);
    if (!(height_mm >= 0 && height_mm <= 2000)) return refuse(H.wrong);
    if (Number.isNaN(seen.getTime())) return refuse(H.when_wrong);
    if (await run(() => post(`${address(job.id)}/pins`, { height_mm, at: seen.toISOString() }))) {
      setHigh("");
      again();
    }
  };
  return html`<details class="new-pin">
    <summary>${H.pin}</summary>
    <form class="asked" novalidate onSubmit=${submit}>
      <label for=${`${id}-mm`}>${H.pinned_height}</label>
      <input id=${`${id}-mm`} inputmode="decimal" autocomplete="off" value=${high}
        onInput=${(/** @type {any} */ event) => setHigh(event.target.value)} />
      <label for=${`${id}-at`}>${H.pinned_at}</label>
      <input id=${`${id}-at`} type="datetime-local" value=${at}
        onInput=${(/** @type {any} */ event) => setAt(event.target.value)} />
      <button type="submit" class="act" aria-disabled=${busy}>${H.pin_it}</button>
    </form>
    <${Refused} error=${error} />
  </details>`;
}

/** A moment as the field for one takes it, in the reader's zone. @param {string} at */
function local(at) {
  const then = new Date(at);
  return new Date(then.getTime() - then.getTimezoneOffset() * 60_000).toISOString().slice(0, 16);
}
