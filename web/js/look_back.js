/** One job looked back on: all of it along its time, and what happened at which height of the part. */

import { useCallback, useEffect, useRef, useState } from "../vendor/preact-hooks.js";
import { readingsOf } from "./ahead.js";
import { get } from "./ask.js";
import { CameOut } from "./came_out.js";
import { GoodJobs } from "./good_jobs.js";
import { Guessed, nameOf } from "./guessed.js";
import { sought, useHeights } from "./heights.js";
import { html } from "./html.js";
import { JobLogPart } from "./job_log.js";
import { inShort, span, unreal } from "./jobs.js";
import { later } from "./later.js";
import { fetchNotes } from "./notes.js";
import { tellShown } from "./one_height.js";
import { fetchEvents, pauseStories, upToNow } from "./past.js";
import { Ruled } from "./rule.js";
import { useSettled } from "./settled.js";
import { lines } from "./stories.js";
import { S } from "./strings.js";
import { M } from "./strings_archive.js";
import { duration, height } from "./units.js";
import { Wrong } from "./wrong.js";

/** @typedef {import("./types.js").Columns} Columns */
/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").Note} Note */
/** @typedef {import("./types.js").Now} Now */
/** @typedef {import("./types.js").Story} Story */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./heights.js").Found} Found */
/** Readings take longest: all else stands there before them. @typedef {{job: Job, columns: Columns | null, events: Story[], notes: Note[]}} Kept */

const AlongTime = later(() => import("./axis.js"), "AlongTime", "hour along coming");
const Closer = later(() => import("./look_closer.js"), "Closer", "stories");
const AGAIN_MS = 20_000; // while the job goes on
const LEAST_SPAN_S = 120;
const T = S.look_back;

/** @param {{id: string, now: Now, unit: Unit, dark: boolean, when: string, may: boolean, owner: boolean}} props */
export function LookBack({ id, now, unit, dark, when: news, may, owner }) {
  // While the job is being erased nothing is asked for again that may be gone already.
  const [leaving, setLeaving] = useState(false);
  const held = useRef(news);
  if (!leaving) held.current = news;
  const when = held.current;
  const [mended, setMended] = useState(0);
  const { kept, failed } = useKept(id, `${when} ${mended}`);
  const [erased, setErased] = useState(0);
  const [known, setKnown] = useState(0);
  const heights = useHeights(id, `${id} ${when} ${known} ${kept?.job.height_mm}`);
  const [asked, setAsked] = useState(/** @type {{id: string, found: Found | null}} */ ({ id, found: null }));
  const found = asked.id === id ? asked.found : null;
  const setFound = (/** @type {Found | null} */ next) => setAsked({ id, found: next });
  const again = () => setKnown((/** @type {number} */ n) => n + 1);
  const mend = () => setMended((/** @type {number} */ n) => n + 1);
  // The view is the line of time's own, so that a step of its zoom draws nothing else anew.
  const pointed = useRef(/** @type {import("./axis.js").Pointed} */ ({ at_s: null }));
  const look = useCallback((/** @type {number} */ at_s) => pointed.current.look?.(at_s), []);
  useEffect(() => {
    const then = found?.items[0];
    if (then) tellShown(pointed.current, (Date.parse(then.start_at) + Date.parse(then.end_at)) / 2000);
  }, [asked]);
  const pictured = `${when} ${erased}`; // on change the pictures are asked for again
  // In words first, then what happened, the line of time, and all below it, each in a turn of its
  // own once the one before is painted: so a key or a finger waits for one of them at most.
  const told_first = useSettled(Boolean(kept), 0);
  const listed = useSettled(told_first && Boolean(kept?.columns), 0);
  const drawn = useSettled(listed, 0);
  useEffect(() => {
    if (told_first) AlongTime.fetch().then(Closer.fetch);
  }, [told_first]);
  if (!kept) {
    return html`<section class="past">
      <h1 class="sentence">${failed ? T.failed : T.loading}</h1>
      ${failed && html`<p role="alert">${failed}</p>`}
    </section>`;
  }
  const { job, notes, columns } = kept;
  const chamber = now.chambers.find((c) => c.chamber === job.chamber);
  const events = upToNow(kept.events, job, chamber);
  const at = job.finished_at ?? chamber?.at ?? now.at;
  const pauses = pauseStories(job.pauses ?? [], at);
  const marks = [...pauses, ...sought(found)];
  // What is wrong and why is what somebody came for; of a sound job it can wait.
  const flawed = job.outcome === "flawed" || job.outcome === "failed";
  const good = html`<${GoodJobs} key=${`good ${id}`} job=${job} when=${pictured} unit=${unit} />`;
  const told = lines([...events, ...marks], notes, unit, { ruled: true });
  return html`<article class="past" aria-labelledby="job">
    <p class="place">${chamber?.name ?? `${now.elsewhere[job.chamber] ?? job.chamber}${now.hall ? "" : `: ${job.brought ? M.not_watched : M.left}`}`}</p>
    <h1 id="job" class="sentence">${nameOf(job)}</h1>
    <${Guessed} key=${`guessed ${id}`} job=${job} may=${may} kept=${mend} />
    <${About} job=${job} events=${events} now=${now.at} />
    <${CameOut} job=${job} may=${may} />
    <div class="abreast">
      <${Wrong} key=${`wrong ${id}`} job=${job} known=${`${when} ${known}`} may=${may} unit=${unit} look=${look} />
      ${flawed && good}
    </div>
    <${JobLogPart} key=${id} job=${job} when=${pictured} may=${may} />
    ${!columns || !listed
      ? html`<section class="hour along coming">${failed ? html`<p role="alert">${failed}</p>` : html`<p role="status">${T.readings}</p>`}</section>`
      : columns.time_s.length === 0
      ? html`<p class="taking">${T.no_readings}</p>`
      : html`<${AlongTime} job=${job} columns=${columns} events=${events} marks=${marks} heights=${heights} chamber=${chamber} hall=${now.hall !== undefined}
          whole=${wholeOf(job, columns)} pointed=${pointed} unit=${unit} dark=${dark} when=${pictured} />`}
    ${told_first &&
    html`<section class="stories">
      <h2>${T.happened}</h2>
      ${told.length === 0
        ? html`<p>${job.state === "finished" ? S.jobs.nothing : S.jobs.nothing_yet}</p>`
        : html`<${Ruled} told=${told} job=${job} heights=${heights} chamber=${chamber} now=${now.at} may=${may} when=${pictured} look=${look} />`}
    </section>`}
    ${columns &&
    drawn &&
    !now.hall &&
    html`<${Closer} job=${job} columns=${columns} heights=${heights} chamber=${chamber} now=${chamber?.at ?? now.at} stories=${[...events, ...pauses]}
      told=${told} unit=${unit} may=${may} owner=${owner} pictured=${pictured} found=${found} setFound=${setFound} again=${again}
      mended=${mend} look=${look} pointed=${pointed} good=${!flawed && good} leaving=${setLeaving}
      erased=${() => setErased((/** @type {number} */ n) => n + 1)} />`}
  </article>`;
}

/** From the job's start to its last reading. @param {Job} job  @param {Columns} columns */
function wholeOf(job, columns) {
  const from_s = Date.parse(job.started_at) / 1000;
  const last_s = columns.time_s[columns.time_s.length - 1] ?? from_s;
  return { from_s, to_s: Math.max(last_s, from_s + LEAST_SPAN_S) };
}

/** @param {{job: Job, events: Story[], now: string}} props */
function About({ job, events, now }) {
  const { began, lasting } = span(job, now);
  const what = [job.material, job.machine && S.job.on(job.machine)].filter(Boolean).join(" ");
  const paused = job.paused_s > 0 ? T.paused(duration(job.paused_s)) : "";
  const high = job.height_mm === null ? S.job.height_unknown : S.job.at(height(job.height_mm));
  return html`<p class="sub">
      ${unreal(job)}${what && `${what}. `}${began}, ${job.finished_at ? T.without_cooling(lasting) : lasting}${paused}. ${S.job[job.state]}. ${high}
    </p>
    <p class="sub">${inShort(events, job)}</p>
    ${job.notes && html`<p class="notes">${job.notes}</p>`}`;
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
        const readings = get(readingsOf(path));
        readings.catch(() => undefined); // told below, once the rest is there
        const [job, events, notes] = await Promise.all([get(path), fetchEvents(id), fetchNotes(id)]);
        if (over) return;
        setState((/** @type {{id: string, kept: Kept | null, failed: string}} */ before) =>
          before.id === id && before.kept ? before : { id, kept: { job, columns: null, events, notes }, failed: "" },
        );
        const columns = await readings;
        if (over) return;
        setState({ id, kept: { job, columns, events, notes }, failed: "" });
        if (job.state !== "finished") timer = setTimeout(ask, AGAIN_MS);
      } catch (error) {
        if (over) return;
        const failed = error instanceof Error ? error.message : String(error);
        setState((/** @type {{id: string, kept: Kept | null, failed: string}} */ before) =>
          before.id === id && before.kept ? { ...before, failed } : { id, kept: null, failed },
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
