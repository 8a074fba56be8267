/** One job looked back on: its temperatures, and what happened at which height of the part. */

import { useEffect, useRef, useState } from "../vendor/preact-hooks.js";
import { get } from "./ask.js";
import { BoxSaid, CameOut } from "./came_out.js";
import { Chart, said, saidBeyond } from "./chart.js";
import { Hour } from "./hour.js";
import { Erase } from "./erase.js";
import { GoodJobs } from "./good_jobs.js";
import { Guessed, nameOf } from "./guessed.js";
import { AtHeight, sought, useHeights } from "./heights.js";
import { html } from "./html.js";
import { JobLogPart } from "./job_log.js";
import { inShort, span, unreal } from "./jobs.js";
import { fetchNotes } from "./notes.js";
import { fetchEvents, pauseStories, upToNow } from "./past.js";
import { Ruled } from "./rule.js";
import { scaled } from "./scale.js";
import { Command } from "./shell.js";
import { Stills } from "./stills.js";
import { lines } from "./stories.js";
import { S } from "./strings.js";
import { M } from "./strings_archive.js";
import { JobToolpath } from "./toolpaths.js";
import { duration, height, moment, symbol, zone } from "./units.js";
import { WhatIf } from "./what_if.js";

/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Columns} Columns */
/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").Note} Note */
/** @typedef {import("./types.js").Now} Now */
/** @typedef {import("./types.js").Story} Story */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./heights.js").Found} Found */
/** @typedef {{job: Job, columns: Columns, events: Story[], notes: Note[]}} Kept */

const POINTS = 1500;
const AGAIN_MS = 20_000; // while the job goes on
const LEAST_SPAN_S = 120;
const T = S.look_back;

/** @param {{id: string, now: Now, unit: Unit, dark: boolean, when: string, may: boolean, owner: boolean}} props */
export function LookBack({ id, now, unit, dark, when, may, owner }) {
  const [mended, setMended] = useState(0);
  const { kept, failed } = useKept(id, `${when} ${mended}`);
  const [erased, setErased] = useState(0);
  const [known, setKnown] = useState(0);
  const heights = useHeights(id, `${id} ${when} ${known} ${kept?.job.height_mm}`);
  const [asked, setAsked] = useState(/** @type {{id: string, found: Found | null}} */ ({ id, found: null }));
  const found = asked.id === id ? asked.found : null;
  const setFound = (/** @type {Found | null} */ next) => setAsked({ id, found: next });
  const again = () => setKnown((/** @type {number} */ n) => n + 1);
  const pictured = `${when} ${erased}`; // on change the pictures are asked for again
  if (!kept) {
    return html`<section class="past">
      <h1 class="sentence">${failed ? T.failed : T.loading}</h1>
      ${failed && html`<p role="alert">${failed}</p>`}
    </section>`;
  }
  const { job, notes } = kept;
  const chamber = now.chambers.find((c) => c.chamber === job.chamber);
  const events = upToNow(kept.events, job, chamber);
  const at = job.finished_at ?? chamber?.at ?? now.at;
  const pauses = pauseStories(job.pauses ?? [], at);
  const marks = [...pauses, ...sought(found)];
  const told = lines([...events, ...marks], notes, unit, { ruled: true });
  return html`<article class="past" aria-labelledby="job">
    <p class="place">${chamber?.name ?? `${now.elsewhere[job.chamber] ?? job.chamber}: ${M.not_watched}`}</p>
    <h1 id="job" class="sentence">${nameOf(job)}</h1>
    <${Guessed} key=${`guessed ${id}`} job=${job} may=${may} kept=${() => setMended((n) => n + 1)} />
    <${About} job=${job} events=${events} now=${now.at} />
    <${CameOut} job=${job} may=${may} />
    <${JobLogPart} key=${id} job=${job} when=${pictured} may=${may} />
    <${Temperatures} kept=${kept} pauses=${marks} chamber=${chamber} unit=${unit} dark=${dark} />
    <section class="stories">
      <h2>${T.happened}</h2>
      ${told.length === 0
        ? html`<p>${job.state === "finished" ? S.jobs.nothing : S.jobs.nothing_yet}</p>`
        : html`<${Ruled} told=${told} job=${job} heights=${heights} chamber=${chamber} now=${now.at} may=${may} when=${pictured} />`}
    </section>
    <${AtHeight} key=${`height ${id}`} job=${job} heights=${heights} found=${found} setFound=${setFound} again=${again} may=${may} unit=${unit} now=${chamber?.at ?? now.at} when=${pictured} />
    <${JobToolpath} key=${`toolpath ${id}`} job=${job} may=${may} changed=${again} />
    <${Stills} job=${job.id} began=${job.started_at} when=${pictured} />
    <${GoodJobs} key=${`good ${id}`} job=${job} when=${pictured} />
    ${job.diagnosis && html`<section class="stories"><h2>${T.box}</h2><${BoxSaid} job=${job} unit=${unit} whole /></section>`}
    ${may && chamber && kept.columns.time_s.length > 0 && html`<${WhatIf} key=${id} job=${job} chamber=${chamber} />`}
    <p class="taking">${T.take} <${Command} words=${`export ${job.id} --to ${job.id}.csv`} /></p>
    ${owner && html`<${Erase} job=${job} erased=${() => setErased((n) => n + 1)} />`}
  </article>`;
}

/** @param {{job: Job, events: Story[], now: string}} props */
function About({ job, events, now }) {
  const { began, lasting } = span(job, now);
  const what = [job.material, job.machine && S.job.on(job.machine)].filter(Boolean).join(" ");
  const paused = job.paused_s > 0 ? T.paused(duration(job.paused_s)) : "";
  const high = job.height_mm === null ? S.job.height_unknown : S.job.at(height(job.height_mm));
  return html`<p class="sub">
      ${unreal(job)}${what && `${what}. `}${began}, ${lasting}${paused}. ${S.job[job.state]}. ${high}
    </p>
    <p class="sub">${inShort(events, job)}</p>
    ${job.notes && html`<p class="notes">${job.notes}</p>`}`;
}

/** @param {{kept: Kept, pauses: Story[], chamber: Chamber | undefined, unit: Unit, dark: boolean}} props */
function Temperatures({ kept, pauses, chamber, unit, dark }) {
  const place = useRef(/** @type {HTMLElement | null} */ (null));
  const { columns, events, job } = kept;
  // In the order, and so the colours, of the first page; of a sensor that isn't
  // there any more nobody knows the place: it is drawn with the air's.
  const present = chamber?.sensors ?? [];
  const known = [...new Set([...present.map((s) => s.name), ...Object.keys(columns.sensors)])].filter(
    (name) => name in columns.sensors,
  );
  const air = known.filter((n) => (present.find((s) => s.name === n)?.place ?? "chamber") === "chamber");
  const names = air.length ? air : known;
  const hour = new Hour();
  hour.fill(columns);
  const from_s = Date.parse(job.started_at) / 1000;
  const last_s = columns.time_s[columns.time_s.length - 1] ?? from_s;
  // No target: as it is set now, it may not be what this job had.
  const lines = { hour, names, unit, target_c: null, stories: [...events, ...pauses] };
  const drawn = {
    ...lines,
    scaled: scaled(lines),
    from_s,
    to_s: Math.max(last_s, from_s + LEAST_SPAN_S),
    live: false,
  };
  useEffect(() => {
    if (!place.current || columns.time_s.length === 0) return;
    const chart = new Chart(place.current, drawn);
    return () => chart.close();
  }, [kept, pauses.length, pauses[pauses.length - 1]?.onset_at, unit, dark]);
  if (columns.time_s.length === 0) return html`<p class="taking">${T.no_readings}</p>`;
  return html`<section class="hour">
    <h2>${T.temperatures}, ${symbol(unit)}</h2>
    <div class="plot" ref=${place} role="img" aria-label=${said(drawn.scaled, names, unit, T.alt)}></div>
    <p class="small">${saidBeyond(drawn.scaled.beyond, unit)} ${S.hour.zone(zone())}</p>
  </section>`;
}

/**
 * All that is kept of a job; asked for again while it goes on.
 * @param {string} id  @param {string} when  changes when it has to be asked for anew
 */
function useKept(id, when) {
  const [state, setState] = useState(/** @type {{id: string, kept: Kept | null, failed: string}} */ ({ id, kept: null, failed: "" }));
  useEffect(() => {
    let over = false;
    /** @type {number | undefined} */
    let timer;
    async function ask() {
      timer = undefined;
      if (document.hidden) return;
      const path = `/api/jobs/${encodeURIComponent(id)}`;
      try {
        const [job, columns, events, notes] = await Promise.all([
          get(path),
          get(`${path}/readings?points=${POINTS}`),
          fetchEvents(id),
          fetchNotes(id),
        ]);
        if (over) return;
        setState({ id, kept: { job, columns, events, notes }, failed: "" });
        if (job.state !== "finished") timer = setTimeout(ask, AGAIN_MS);
      } catch (error) {
        if (over) return;
        const failed = error instanceof Error ? error.message : String(error);
        setState((/** @type {{id: string, kept: Kept | null, failed: string}} */ before) =>
          before.id === id && before.kept ? before : { id, kept: null, failed },
        );
        timer = setTimeout(ask, AGAIN_MS);
      }
    }
    const seen = () => {
      if (!document.hidden && timer === undefined) ask();
    };
    document.addEventListener("visibilitychange", seen);
    ask();
    return () => {
      over = true;
      clearTimeout(timer);
      document.removeEventListener("visibilitychange", seen);
    };
  }, [id, when]);
  return state.id === id ? state : { id, kept: null, failed: "" };
}
