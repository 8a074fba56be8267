/** What is said beside the ruler: of the layer that was chosen, and of stretches that differ. */

import { useId, useState } from "../vendor/preact-hooks.js";
import { Refused, useWork } from "./act.js";
import { request } from "./ask.js";
import { mm, Outlined } from "./heights.js";
import { html } from "./html.js";
import { Offered } from "./materials.js";
import { useSettled } from "./settled.js";
import { R } from "./strings_ruler.js";
import { duration, inUnit, moment, symbol, words } from "./units.js";
import { doubtOf, isBanded, toldThen } from "./weather.js";

/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").Story} Story */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./types.js").Weathered} Weathered */
/** @typedef {import("./types.js").WeatherStretch} WeatherStretch */

const LISTED = 3;
const MOST_STORIES = 4;
const HARDLY_S = 0.5;
const SETTLED_MS = 200; // who walks along the ruler asks for no outline on the way

/** "57 °C": of what is reckoned no tenth is known. @param {number | null} t_c  @param {Unit} unit */
const about = (t_c, unit) => `${Math.round(inUnit(t_c ?? NaN, unit)).toString().replace("-", "−")}\u00a0${symbol(unit)}`;

/** @param {number} k  @param {Unit} unit */
const degrees = (k, unit) => String(Math.round(Math.max(0, k) * (unit === "f" ? 1.8 : 1)));

/**
 * @param {{found: Weathered, layer: number, piece: import("./weather.js").Piece, job: Job, unit: Unit, toolpath: string | null, look?: () => void}} props
 */
export function LayerSaid({ found, layer, piece, job, unit, toolpath, look }) {
  const settled = useSettled(layer, SETTLED_MS);
  const at = piece.layers.indexOf(layer);
  const laid = R.laid(
    moment(found.start_s[layer] * 1000, job.started_at),
    duration(found.end_s[layer] - found.start_s[layer]),
    duration(found.uncertainty_s[layer]),
  );
  return html`<div class="layer-said" aria-live="polite" aria-atomic="true">
      <p><b>${R.layer(at + 1, piece.layers.length, mm(found.height_mm[layer]))}</b>, ${laid}</p>
      <p>${met(found, layer, at, unit).join(" ")}</p>
    </div>
    ${look && html`<button type="button" class="act slight" onClick=${look}>${R.look}</button>`}
    <${Outlined} toolpath=${toolpath} layer=${settled} />`;
}

/** What a layer met. @param {Weathered} found  @param {number} n  @param {number} at  @param {Unit} unit */
function met(found, n, at, unit) {
  if (found.air_c[n] === null) return [R.no_air];
  const firm = about(found.firm_c, unit);
  const said = [R.air(about(found.air_c[n], unit), about(found.lowest_c[n], unit), about(found.usual_air_c, unit))];
  if (at === 0 || found.below_c[n] === null) return [...said, R.on_bed];
  said.push(R.came(about(found.below_c[n], unit), about(found.below_low_c[n], unit), about(found.below_high_c[n], unit)));
  said.push(against(found, n, unit).trim());
  const joint_s = found.joint_s[n];
  if (joint_s !== null && joint_s < HARDLY_S && (found.joint_high_s[n] ?? 0) < HARDLY_S) said.push(R.never(firm));
  else if (joint_s !== null)
    said.push(R.stayed(duration(joint_s), duration(found.joint_low_s[n] ?? 0), duration(found.joint_high_s[n] ?? 0), firm));
  if (!found.is_undisturbed[n] && found.off_k[n] !== null) said.push(R.disturbed);
  return said;
}

/** A layer against the job's own. @param {Weathered} found  @param {number} n  @param {Unit} unit */
function against(found, n, unit) {
  const off_k = found.off_k[n];
  const [low_c, high_c] = [found.limit_low_c[n], found.limit_high_c[n]];
  const soft = found.mark[n] === "not_firm" ? `${R.not_firm_yet} ` : "";
  if (!isBanded(found)) return soft;
  if (off_k === null || low_c === null || high_c === null) return `${soft}${R.not_compared}`;
  const own = R.own(about(low_c, unit), about(high_c, unit));
  const below_c = Number(found.below_c[n]);
  if (below_c >= low_c && below_c <= high_c) return `${soft}${own}: ${R.within}`;
  const ends = [found.off_low_k[n] ?? off_k, found.off_high_k[n] ?? off_k].map((k) => (off_k < 0 ? -k : k)).sort((x, y) => x - y);
  const side = off_k < 0 ? R.colder : R.warmer;
  return `${soft}${own}: ${R.off(degrees(Math.abs(off_k), unit), side, degrees(ends[0], unit), degrees(ends[1], unit))}`;
}

/** The service's words in the reader's unit, as whole degrees. @param {string} text  @param {Unit} unit */
function wholly(text, unit) {
  return text
    .replace(/([-−]?\d+) °C/g, (_, value) => about(Number(value.replace("−", "-")), unit))
    .replace(/((?:\d+ to )?\d+) degrees/g, (_, range) => `${range.replace(/\d+/g, (/** @type {string} */ k) => degrees(Number(k), unit))}\u00a0degrees`);
}

/**
 * The stretches that differ, the furthest off first; a tap goes to the layer that differs most.
 * @param {{found: Weathered, stretches: WeatherStretch[], job: Job, unit: Unit, stories: Story[], choose: (n: number) => void, many: boolean}} props
 */
export function Stretches({ found, stretches, job, unit, stories, choose, many }) {
  if (stretches.length === 0) return null;
  const order = [...stretches].sort((a, b) => b.by_k - a.by_k);
  const one = (/** @type {WeatherStretch} */ each) =>
    html`<${Stretch} key=${`${each.side} ${each.first}`} found=${found} stretch=${each} job=${job} unit=${unit} stories=${stories} choose=${choose} many=${many} />`;
  return html`<h3>${R.differs}</h3>
    <ul class="stretches">${order.slice(0, LISTED).map(one)}</ul>
    ${order.length > LISTED &&
    html`<details><summary>${R.more} (${order.length - LISTED})</summary><ul class="stretches">${order.slice(LISTED).map(one)}</ul></details>`}`;
}

/**
 * @param {{found: Weathered, stretch: WeatherStretch, job: Job, unit: Unit, stories: Story[], choose: (n: number) => void, many: boolean}} props
 */
function Stretch({ found, stretch, job, unit, stories, choose, many }) {
  const { first, last, side } = stretch;
  const when = (/** @type {number} */ at_s) => moment(at_s * 1000, job.started_at);
  const doubt = doubtOf(found, stretch);
  const then = toldThen(found, stretch, stories);
  const because = stretch.because.map((reason) => wholly(`${reason[0].toUpperCase()}${reason.slice(1)}.`, unit)).join(" ");
  return html`<li class=${side}>
    <button type="button" onClick=${() => choose(stretch.at)}>${many && R.of_piece(stretch.piece + 1)}${R.heights(mm(stretch.from_mm), mm(stretch.to_mm))}</button>
    ${R.laid_between(when(found.start_s[first]), when(found.end_s[last]), duration(found.uncertainty_s[stretch.at]))}${" "}
    <b>${wholly(stretch.text, unit)}</b> ${because}${" "}
    ${doubt && R.or_from(mm(doubt.low_mm), mm(doubt.high_mm))}
    ${then.length === 0
      ? html` ${R.nothing_then}`
      : html` ${R.then}
          <ul>
            ${then.slice(0, MOST_STORIES).map((story) => html`<li key=${story.event}>${when(Date.parse(story.onset_at) / 1000)}: ${words(story.text, unit)}</li>`)}
          </ul>`}
  </li>`;
}

/** Say what a job was made of, also afterwards. @param {{job: Job, changed?: () => void}} props */
export function Material({ job, changed }) {
  const [told, setTold] = useState(job.material);
  const { busy, error, run, refuse } = useWork();
  const id = useId();
  const submit = async (/** @type {Event} */ event) => {
    event.preventDefault();
    const material = told.trim();
    if (!material) return refuse(R.nothing_said);
    if (await run(() => request(`/api/jobs/${encodeURIComponent(job.id)}`, { method: "PATCH", body: { material } }))) changed?.();
  };
  return html`<form class="asked" novalidate onSubmit=${submit}>
      <label for=${id}>${R.material}</label>
      <input id=${id} value=${told} maxlength="120" list=${`${id}-known`} autocomplete="off" onInput=${(/** @type {any} */ event) => setTold(event.target.value)} />
      <${Offered} id=${`${id}-known`} />
      <button type="submit" class="act" aria-disabled=${busy}>${R.keep}</button>
    </form>
    <${Refused} error=${error} />`;
}
