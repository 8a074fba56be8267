/** All jobs, the newest first, each with what happened during it in a few words. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { BoxSaid, CameOut } from "./came_out.js";
import { nameOf } from "./guessed.js";
import { html } from "./html.js";
import { fetchEvents, fetchJobs, fetchNewestJobs, upToNow } from "./past.js";
import { jobAddress } from "./route.js";
import { Season } from "./season.js";
import { S } from "./strings.js";
import { M } from "./strings_archive.js";
import { H } from "./strings_hall.js";
import { G } from "./strings_toolpaths.js";
import { duration, height, whole } from "./units.js";

/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").Now} Now */
/** @typedef {import("./types.js").Story} Story */
/** @typedef {import("./types.js").Unit} Unit */

const AT_ONCE = 12;
const T = S.jobs;
/** What happened during jobs that are over: it stays as it is. @type {Map<string, Story[]>} */
const told = new Map();

/** "door twice, draft", or that nothing happened. @param {Story[]} events  @param {Job} job */
export function inShort(events, job) {
  /** @type {Map<string, number>} */
  const counts = new Map();
  for (const { kind, class: signal } of events) {
    if (signal !== "notice") counts.set(kind, (counts.get(kind) ?? 0) + 1);
  }
  const words = [...counts].map(([kind, n]) => T.often(T.kinds[kind] ?? S.hour.kinds[kind] ?? kind, n));
  return words.length ? `${T.happened} ${words.join(", ")}.` : job.state === "finished" ? T.nothing : T.nothing_yet;
}

/** Said of a job that was none. @param {Job} job  @param {string} [simulated] */
export function unreal({ origin }, simulated = T.simulated) {
  return origin === "simulated" ? simulated : origin === "recorded" ? T.recorded : "";
}

/** From when to when, and how long. @param {Job} job @param {string} now */
export function span(job, now) {
  const lasting = duration((Date.parse(job.finished_at ?? now) - Date.parse(job.started_at)) / 1000);
  return { began: whole(job.started_at), lasting };
}

/** @param {{now: Now, when: string, may: boolean, owner: boolean, unit: Unit}} props  `when` changes when they may have changed */
export function Jobs({ now, when, may, owner, unit }) {
  const [jobs, setJobs] = useState(/** @type {Job[] | null} */ (null));
  const [failed, setFailed] = useState("");
  const [shown, setShown] = useState(AT_ONCE);
  const [changed, setChanged] = useState(0);
  useEffect(() => {
    let over = false;
    (now.hall ? fetchNewestJobs() : fetchJobs()).then(
      (all) => over || (setJobs(all), setFailed("")),
      (error) => over || setFailed(error.message),
    );
    return () => {
      over = true;
    };
  }, [when, changed]);
  return html`<section class="past" aria-labelledby="jobs">
    <h1 id="jobs" class="sentence">${T.heading}</h1>
    ${now.hall ? html`<p>${H.jobs_of_all}</p>` : html`<p><a class="way" href="#/toolpaths">${G.page}</a></p>`}
    ${failed && html`<p class="refused" role="alert">${failed}</p>`}
    ${!jobs && !failed && html`<p>${T.loading}</p>`}
    ${!now.hall && html`<${Season} when=${when} owner=${owner} changed=${() => setChanged(changed + 1)} />`}
    ${jobs && jobs.length === 0 && html`<p>${T.none}</p>`}
    ${jobs &&
    html`<ol class="jobs">
      ${jobs.slice(0, shown).map((/** @type {Job} */ job) => html`<${One} key=${job.id} job=${job} now=${now} may=${may} unit=${unit} />`)}
    </ol>`}
    ${jobs &&
    jobs.length > shown &&
    html`<div class="acts">
      <button type="button" class="act" onClick=${() => setShown(shown + AT_ONCE)}>
        ${T.more(Math.min(AT_ONCE, jobs.length - shown))}
      </button>
    </div>`}
  </section>`;
}

/** @param {{job: Job, now: Now, may: boolean, unit: Unit}} props */
function One({ job, now, may, unit }) {
  const over = job.state === "finished";
  const chamber = now.chambers.find((c) => c.chamber === job.chamber);
  const [events, setEvents] = useState(/** @type {Story[] | undefined} */ (told.get(job.id)));
  const [failed, setFailed] = useState(false);
  // What was said before this page was opened is told in a word; what is said now can be taken back here.
  const [settled] = useState(Boolean(job.outcome));
  useEffect(() => {
    if (told.has(job.id)) return;
    let gone = false;
    fetchEvents(job.id).then(
      (all) => {
        if (over) told.set(job.id, all);
        if (!gone) setEvents(all);
      },
      () => gone || setFailed(true),
    );
    return () => {
      gone = true;
    };
  }, [job.id, job.state]);
  const { began, lasting } = span(job, now.at);
  const what = [
    job.material,
    job.machine && S.job.on(job.machine),
    (now.chambers.length > 1 || !chamber) && T.in(chamber?.name ?? now.elsewhere[job.chamber] ?? job.chamber),
  ].filter(Boolean);
  return html`<li>
    <h2>
      <a class="way" href=${jobAddress(job.id)}>${nameOf(job)}</a>${settled && job.outcome && html`<span class=${`came-${job.outcome}`}>, ${S.came_out.words[job.outcome]}</span>`}
    </h2>
    <p>
      ${unreal(job, T.simulated_short)}${what.length > 0 && `${what.join(" ")}. `}${began}, ${lasting}.${" "}
      ${!chamber && !now.hall && `${M.brought} `}${S.job[job.state]}${job.height_mm === null ? "" : ` ${S.job.note_at(height(job.height_mm))}`}.
    </p>
    <p>${events ? inShort(upToNow(events, job, chamber), job) : failed ? T.not_known : T.asking}</p>
    <${BoxSaid} job=${job} unit=${unit} />
    ${!settled && html`<${CameOut} job=${job} may=${may} />`}
  </li>`;
}
