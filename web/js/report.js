/** A job on paper: one page for A4 or Letter that says all of it, without anything to press. */

import { useEffect, useRef, useState } from "../vendor/preact-hooks.js";
import { get } from "./ask.js";
import { BoxSaid } from "./came_out.js";
import { Chart, said, saidBeyond } from "./chart.js";
import { isPictured } from "./evidence.js";
import { GoodJobs } from "./good_jobs.js";
import { nameOf } from "./guessed.js";
import { heightAt, mm } from "./heights.js";
import { Hour } from "./hour.js";
import { html } from "./html.js";
import { unreal } from "./jobs.js";
import { fetchNotes } from "./notes.js";
import { fetchEvents, pauseStories } from "./past.js";
import { jobAddress } from "./route.js";
import { scaled } from "./scale.js";
import { lines } from "./stories.js";
import { S } from "./strings.js";
import { L } from "./strings_job_log.js";
import { R } from "./strings_report.js";
import { duration, height, moment, symbol, temperature, whole, words, zone } from "./units.js";
import { fetchLog, Flawed } from "./wrong.js";

/** @typedef {import("./types.js").Columns} Columns */
/** @typedef {import("./types.js").Heights} Heights */
/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").KeptPicture} KeptPicture */
/** @typedef {import("./types.js").Now} Now */
/** @typedef {import("./types.js").Story} Story */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./wrong.js").Log} Log */
/** @typedef {{name: string, place: string, correction_k: number}} SensorThen */
/** @typedef {{target_c: number | null, limit_c: number, enclosure: string[], sensors: SensorThen[], contacts: {name: string}[]}} SettingsThen */
/** @typedef {{fingerprint: string, kept: boolean, settings: SettingsThen | null}} Under */
/** @typedef {{from_mm: number, to_mm: number, side: string, is_sure: boolean, text: string}} Stretch */
/**
 * @typedef {{job: Job, columns: Columns, events: Story[], notes: import("./types.js").Note[],
 *   heights: Heights | null, log: Log | null, weather: {stretches: Stretch[]} | null,
 *   under: Under[], pictures: KeptPicture[], missing: string[]}} Kept
 */

const POINTS = 1500;
const LEAST_SPAN_S = 120;
const MOST_LINES = 60;
const MOST_PICTURES = 6;
const MOST_EVENTS = 3; // of which a picture is shown
const WEATHER_MS = 60_000;

/** @param {{id: string, now: Now, unit: Unit}} props */
export function Report({ id, now, unit }) {
  const [kept, setKept] = useState(/** @type {Kept | null} */ (null));
  const [failed, setFailed] = useState("");
  useEffect(() => {
    let over = false;
    fetchAll(id).then(
      (all) => over || setKept(all),
      (error) => over || setFailed(error.message),
    );
    return () => {
      over = true;
    };
  }, [id]);
  if (!kept) return html`<section class="past"><h1 class="sentence">${failed ? R.failed : R.loading}</h1>${failed && html`<p role="alert">${failed}</p>`}</section>`;
  const { job, events, log } = kept;
  const chamber = now.chambers.find((c) => c.chamber === job.chamber);
  const prepared = Object.entries(log?.log ?? {}).filter(([, value]) => value !== null && value !== "");
  return html`<article class="report" aria-labelledby="job">
    <p class="acts">
      <button type="button" class="act" onClick=${() => print()}>${R.print}</button>
      <a class="way" href=${jobAddress(id)}>${R.back}</a>
    </p>
    <h1 id="job">${nameOf(job)}</h1>
    <${About} job=${job} batch=${log?.log.batch ?? ""} box=${chamber?.name ?? job.chamber} now=${chamber?.at ?? now.at} />
    ${kept.missing.map((/** @type {string} */ what) => html`<p role="alert">${R.missing(what)}</p>`)}
    <${CameOut} kept=${kept} unit=${unit} />
    <${Temperatures} kept=${kept} unit=${unit} />
    <${Phases} job=${job} events=${events} heights=${kept.heights} />
    <${Happened} kept=${kept} unit=${unit} now=${chamber?.at ?? now.at} />
    <${Layers} weather=${kept.weather} unit=${unit} />
    <${GoodJobs} job=${job} when="" unit=${unit} whole />
    ${job.diagnosis && html`<section><h2>${R.box}</h2><${BoxSaid} job=${job} unit=${unit} whole /></section>`}
    ${prepared.length > 0 &&
    html`<section><h2>${R.log}</h2><dl>
      ${prepared.map(([key, value]) => html`<div><dt>${L.fields[/** @type {"batch"} */ (key)] ?? key}</dt><dd>${value}</dd></div>`)}
    </dl></section>`}
    <${Settings} under=${kept.under} unit=${unit} />
    <${Pictures} kept=${kept} />
    <footer>
      <p><strong>${S.foot.safety}</strong></p>
      <p>${unreal(job)}${R.foot(now.version, job.id, zone(), whole(now.at), location.href)}</p>
    </footer>
  </article>`;
}

/** The job in one paragraph. @param {{job: Job, batch: string, box: string, now: string}} props */
function About({ job, batch, box, now }) {
  const lasting = duration((Date.parse(job.finished_at ?? now) - Date.parse(job.started_at)) / 1000);
  const paused = job.paused_s > 0 ? R.paused(job.pauses?.length ?? 1, duration(job.paused_s)) : "";
  return html`<p class="about">
      ${unreal(job) && html`<strong>${unreal(job)}</strong>`}
      ${R.of(job.material, batch)}${R.where(job.machine, box)}${R.when(whole(job.started_at), job.finished_at ? whole(job.finished_at) : "", lasting)}${paused}.${" "}
      ${job.height_mm !== null && R.reached(job.height_mm)}${job.state !== "finished" && R.runs}
    </p>
    ${job.notes && html`<p class="notes">${job.notes}</p>`}`;
}

/** @param {{kept: Kept, unit: Unit}} props */
function CameOut({ kept, unit }) {
  const { job, log } = kept;
  const pieces = log?.pieces ?? [];
  return html`<section>
    <h2>${R.came_out}</h2>
    <p>${job.outcome ? R.outcome[job.outcome] : R.unsaid}</p>
    ${pieces.length > 0 &&
    html`<table>
      <thead><tr>${R.pieces.map((name) => html`<th scope="col">${name}</th>`)}</tr></thead>
      <tbody>
        ${pieces.map(
          (piece) => html`<tr>
            <td>${piece.number}</td><td>${piece.place ?? ""}</td><td>${piece.outcome && L.words[piece.outcome]}</td>
            <td>${piece.flaws.map((flaw) => html`<div>${L.flawed(flaw)}</div>`)}</td>
          </tr>`,
        )}
      </tbody>
    </table>`}
    ${log?.flaws.map((flaw) => flaw.height_mm !== null && html`<${Flawed} flaw=${flaw} job=${job} unit=${unit} />`)}
  </section>`;
}

/** @param {{kept: Kept, unit: Unit}} props */
function Temperatures({ kept, unit }) {
  const place = useRef(/** @type {HTMLElement | null} */ (null));
  const { columns, events, job, under } = kept;
  const then = under.find((each) => each.settings)?.settings ?? null;
  const known = Object.keys(columns.sensors);
  const air = known.filter((name) => (then?.sensors.find((s) => s.name === name)?.place ?? "chamber") === "chamber");
  const names = air.length ? air : known;
  const hour = new Hour();
  hour.fill(columns);
  const from_s = Date.parse(job.started_at) / 1000;
  const last_s = columns.time_s[columns.time_s.length - 1] ?? from_s;
  const stories = [...events, ...pauseStories(job.pauses ?? [], job.finished_at ?? new Date(last_s * 1000).toJSON())];
  const what = { hour, names, unit, target_c: then?.target_c ?? null, stories };
  const drawn = { ...what, scaled: scaled(what), from_s, to_s: Math.max(last_s, from_s + LEAST_SPAN_S), live: false };
  useEffect(() => {
    if (!place.current || columns.time_s.length === 0) return;
    const chart = new Chart(place.current, drawn);
    return () => chart.close();
  }, [kept, unit]);
  if (columns.time_s.length === 0) return html`<section><h2>${R.temperatures}</h2><p>${S.look_back.no_readings}</p></section>`;
  return html`<section class="whole">
    <h2>${R.temperatures}, ${symbol(unit)}</h2>
    <div class="plot" ref=${place} role="img" aria-label=${said(drawn.scaled, names, unit, S.look_back.alt)}></div>
    <p>${said(drawn.scaled, names, unit, S.look_back.alt)} ${saidBeyond(drawn.scaled.beyond, unit)}</p>
  </section>`;
}

/** From cold to cold, as far as it was told. @param {{job: Job, events: Story[], heights: import("./types.js").Heights | null}} props */
function Phases({ job, events, heights }) {
  const begun = Date.parse(job.started_at);
  const laid_s = heights?.by === "toolpath" ? heights.start_at[0] : undefined;
  const after_s = (/** @type {string} */ at, /** @type {number} */ from) => (Date.parse(at) - from) / 1000;
  const soaked = events.find((event) => event.kind === "soak_ready");
  const cooled = events.find((event) => event.kind === "cool_enough");
  const done = job.finished_at;
  const told = [
    soaked && R.soaked(after_s(soaked.onset_at, begun)),
    done && R.done(after_s(done, begun), laid_s === undefined ? null : laid_s - begun / 1000),
    done && cooled && cooled.onset_at >= done && R.cooled(after_s(cooled.onset_at, Date.parse(done))),
  ].filter(Boolean);
  if (told.length === 0) return null;
  return html`<section class="whole"><h2>${R.phases}</h2><p>${told.join(" ")}</p></section>`;
}

/** @param {{kept: Kept, unit: Unit, now: string}} props */
function Happened({ kept, unit, now }) {
  const { job, events, notes, heights } = kept;
  const stories = [...events, ...pauseStories(job.pauses ?? [], job.finished_at ?? now)];
  const told = lines(stories, notes, unit, { ruled: true }).reverse();
  const high = (/** @type {import("./stories.js").Line} */ line) => line.height_mm ?? heightAt(heights, line.at);
  return html`<section>
    <h2>${R.happened}</h2>
    ${told.length === 0
      ? html`<p>${R.nothing}</p>`
      : html`<table class="ruled">
          <thead><tr>${R.columns.map((name) => html`<th scope="col">${name}</th>`)}</tr></thead>
          <tbody>
            ${told.slice(0, MOST_LINES).map((line) => {
              const at_mm = high(line);
              return html`<tr key=${line.key}><td>${at_mm === null ? R.unknown : height(at_mm)}</td><td>${moment(line.at, job.started_at)}</td><td>${line.text}</td></tr>`;
            })}
          </tbody>
        </table>`}
    ${told.length > MOST_LINES && html`<p>${R.more(told.length - MOST_LINES)}</p>`}
  </section>`;
}

/** @param {{weather: {stretches: Stretch[]} | null, unit: Unit}} props */
function Layers({ weather, unit }) {
  if (!weather || weather.stretches.length === 0) return null;
  return html`<section>
    <h2>${R.layers}</h2>
    <p>${R.layers_how}</p>
    <ul>${weather.stretches.map((each) => html`<li>${R.stretch(mm(each.from_mm), mm(each.to_mm), words(each.text, unit))} ${!each.is_sure && R.unsure}</li>`)}</ul>
  </section>`;
}

/** @param {{under: Under[], unit: Unit}} props */
function Settings({ under, unit }) {
  const then = under.find((each) => each.settings)?.settings ?? null;
  if (!then) return html`<section class="whole"><h2>${R.settings}</h2><p>${R.not_kept}</p></section>`;
  const sets = setsOf(under);
  const shown = (/** @type {number | null} */ c) => (c === null ? "" : temperature(c, unit));
  return html`<section class="whole">
    <h2>${R.settings}</h2>
    <p>${R.chamber(shown(then.target_c), shown(then.limit_c), then.enclosure.join(", "))}${" "}
      ${then.contacts.length > 0 && R.contacts(then.contacts.map((c) => c.name).join(", "))}${" "}
      ${sets > 1 && R.changed(sets)}</p>
    ${then.sensors.length > 0 &&
    html`<table>
      <thead><tr>${R.sensors.map((name) => html`<th scope="col">${name}</th>`)}</tr></thead>
      <tbody>${then.sensors.map((each) => html`<tr><td>${each.name}</td><td>${R.place[each.place] ?? each.place}</td><td>${each.correction_k ? `${each.correction_k > 0 ? "+" : "−"}${Math.abs(each.correction_k)} K` : R.none}</td></tr>`)}</tbody>
    </table>`}
    <p class="small">${R.settings_short}</p>
  </section>`;
}

/** How many sets of settings: a new version of the program changes none. @param {{fingerprint: string}[]} under */
export const setsOf = (under) => new Set(under.map(({ fingerprint }) => fingerprint)).size;

/** @param {{kept: Kept}} props */
function Pictures({ kept }) {
  const { pictures, job } = kept;
  const shown = pictures.slice(0, MOST_PICTURES);
  return html`<section>
    <h2>${R.pictures}</h2>
    ${shown.length === 0
      ? html`<p>${R.no_pictures}</p>`
      : html`<div class="kept-pictures">
          ${shown.map((each) => {
            const name = [each.kind ? (S.hour.kinds[each.kind] ?? each.kind) : R.photograph, each.height_mm && mm(each.height_mm), moment(each.at, job.started_at)];
            const text = `${name.filter(Boolean).join(", ")}. ${each.origin === "simulated" ? S.head.simulated : ""}`;
            return html`<figure><img src=${`/api/pictures/${each.id}`} alt=${text} /><figcaption>${text}</figcaption></figure>`;
          })}
        </div>`}
    ${pictures.length > shown.length && html`<p>${R.few(pictures.length - shown.length)}</p>`}
  </section>`;
}

/** All that stands on it; what can't be fetched is said to be missing. @param {string} id @returns {Promise<Kept>} */
async function fetchAll(id) {
  const path = `/api/jobs/${encodeURIComponent(id)}`;
  /** @type {string[]} */
  const missing = [];
  const [job, columns, events, notes] = await Promise.all([get(path), get(`${path}/readings?points=${POINTS}`), fetchEvents(id), fetchNotes(id)]);
  /** @param {Promise<any>} asked  @param {string} what  "" where it may be that there is none */
  const may = (asked, what, none = null) =>
    asked.catch(() => {
      if (what) missing.push(what);
      return none;
    });
  const [heights, log, weather, under, photographs, marked] = await Promise.all([
    may(get(`${path}/heights`), R.columns[0]),
    may(fetchLog(id), R.log),
    job.toolpath ? may(get(`${path}/weather`, { wait_ms: WEATHER_MS }), "") : null, // of some materials there is none
    may(get(`${path}/settings`), R.settings),
    may(get(`${path}/photographs`), R.pictures),
    may(fetchMarked(job, events), R.pictures),
  ]);
  return {
    ...{ job, columns, events, notes, heights, log, weather, missing: [...new Set(missing)] },
    under: under?.items ?? [],
    pictures: [...(photographs?.items ?? []), ...(marked ?? [])],
  };
}

/** The marked picture of each of the first events that have some. @param {Job} job  @param {Story[]} events */
async function fetchMarked(job, events) {
  const pictured = events.filter((event) => isPictured(event.kind)).slice(0, MOST_EVENTS);
  const found = await Promise.all(pictured.map((event) => get(`/api/events/${event.event}/pictures?chamber=${encodeURIComponent(job.chamber)}`)));
  return found.flatMap(({ items }) => {
    const best = items.find((/** @type {KeptPicture} */ each) => each.part === "marked") ?? items.find((/** @type {KeptPicture} */ each) => each.part === "moment");
    return best ? [best] : [];
  });
}
