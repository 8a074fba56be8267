/** Toolpaths: sent and listed, and the choice of the one that a job followed. */

import { useEffect, useRef, useState } from "../vendor/preact-hooks.js";
import { Refused, useWork } from "./act.js";
import { AskError, get, post, remove } from "./ask.js";
import { LookBefore } from "./before.js";
import { Chapter } from "./chapters.js";
import { html } from "./html.js";
import { Layers } from "./layers.js";
import { NewJob } from "./new_job.js";
import { jobAddress } from "./route.js";
import { S } from "./strings.js";
import { G } from "./strings_toolpaths.js";
import { Twice } from "./twice.js";
import { duration, height, temperature, whole } from "./units.js";

/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").Toolpath} Toolpath */
/** @typedef {import("./types.js").Unit} Unit */

const AGAIN_MS = 1_500; // while one is being read
const PAGE = 1000;

/** @param {{may: boolean, unit: Unit}} props  may: an operator */
export function Toolpaths({ may, unit }) {
  const { all, failed, again } = useToolpaths();
  return html`<section class="past toolpaths" aria-labelledby="toolpaths">
    <h1 id="toolpaths" class="sentence">${G.page}</h1>
    <p class="sub">${G.how}</p>
    ${may ? html`<${Send} sent=${again} />` : html`<p>${G.viewer}</p>`}
    ${failed && html`<p class="refused" role="alert">${G.failed} ${failed}</p>`}
    ${!all && !failed && html`<p class="waiting">${G.loading}</p>`}
    ${all && all.length === 0 && html`<p>${G.none}</p>`}
    ${all &&
    html`<ul class="jobs">
      ${[...all].reverse().map((of) => html`<${One} key=${of.id} of=${of} may=${may} unit=${unit} again=${again} />`)}
    </ul>`}
  </section>`;
}

/** All toolpaths, asked for again while one is being read. */
function useToolpaths() {
  const [all, setAll] = useState(/** @type {Toolpath[] | null} */ (null));
  const [failed, setFailed] = useState("");
  const [turn, setTurn] = useState(0);
  const again = () => setTurn((/** @type {number} */ n) => n + 1);
  useEffect(() => {
    let over = false;
    /** @type {number | undefined} */
    let timer;
    get(`/api/toolpaths?limit=${PAGE}`).then(
      (answer) => {
        if (over) return;
        setAll(answer.items);
        setFailed("");
        if (answer.items.some((/** @type {Toolpath} */ of) => of.state === "waiting")) timer = setTimeout(again, AGAIN_MS);
      },
      (error) => over || setFailed(error.message),
    );
    return () => {
      over = true;
      clearTimeout(timer);
    };
  }, [turn]);
  return { all, failed, again };
}

/** @param {{sent: () => void}} props */
function Send({ sent }) {
  const { busy, error, run, refuse } = useWork();
  const [share, setShare] = useState(0);
  const place = useRef(/** @type {HTMLInputElement | null} */ (null));
  const id = "toolpath-file";
  const submit = async (/** @type {Event} */ event) => {
    event.preventDefault();
    const file = place.current?.files?.[0];
    if (!file) return refuse(G.nothing_chosen);
    setShare(0);
    if ((await run(() => sendFile(file, setShare))) && place.current) {
      place.current.value = "";
      sent();
    }
  };
  return html`<form class="send" onSubmit=${submit}>
    <label for=${id}>${G.choose}</label>
    <input id=${id} type="file" ref=${place} />
    <div class="acts">
      <button class="act" aria-disabled=${busy}>${busy ? G.sending(share) : G.send_it}</button>
    </div>
    <${Refused} error=${error} />
  </form>`;
}

/**
 * Send a file as it is. Not by `fetch`: that doesn't tell how much has gone.
 * @param {File} file  @param {(share: number) => void} told
 * @returns {Promise<void>}
 */
function sendFile(file, told) {
  return new Promise((resolve, reject) => {
    const ask = new XMLHttpRequest();
    const refused = () => {
      const problem = /** @type {{detail?: unknown} | null} */ (ask.response);
      const detail = typeof problem?.detail === "string" ? problem.detail : "";
      reject(new AskError(detail || (ask.status ? S.ask.refused(ask.status) : G.no_answer), ask.status));
    };
    ask.open("POST", `/api/toolpaths?name=${encodeURIComponent(file.name.slice(0, 120))}`);
    ask.setRequestHeader("Content-Type", "application/octet-stream");
    ask.responseType = "json";
    ask.upload.onprogress = (event) => event.lengthComputable && told(event.loaded / event.total);
    ask.onload = () => (ask.status === 201 ? resolve() : refused());
    ask.onerror = refused;
    ask.send(file);
  });
}

/** @param {{of: Toolpath, may: boolean, unit: Unit, again: () => void}} props */
function One({ of, may, unit, again }) {
  const [open, setOpen] = useState(false);
  const [looks, setLooks] = useState(false);
  const [begins, setBegins] = useState(false);
  return html`<li>
    <h2>${of.name}</h2>
    <p><${Builds} of=${of} unit=${unit} /></p>
    <p class="small">${G.came(whole(of.at))}</p>
    ${of.jobs.length > 0 &&
    html`<details>
      <summary>${G.followed(of.jobs.length)}</summary>
      <p class="small">${of.jobs.map((job, n) => html`${n > 0 && ", "}<a key=${job} href=${jobAddress(job)}>${job}</a>`)}.</p>
    </details>`}
    <div class="acts">
      ${of.whole &&
      html`<button type="button" class="act slight" aria-expanded=${open} onClick=${() => setOpen(!open)}>
        ${open ? G.hide : G.layers}
      </button>`}
      ${of.whole &&
      html`<button type="button" class="act slight" aria-expanded=${looks} onClick=${() => setLooks(!looks)}>
        ${looks ? G.put_away : G.before}
      </button>`}
      ${may &&
      of.jobs.length === 0 &&
      html`<${Twice} ask=${G.remove} question=${G.remove_really(of.name)} yes=${G.yes} no=${G.no}
        work=${() => remove(`/api/toolpaths/${of.id}`)} done=${again} />`}
    </div>
    ${looks && of.whole && html`<${LookBefore} id=${of.id} chamber=${of.chamber} unit=${unit} />`}
    ${looks &&
    of.whole &&
    may &&
    (begins
      ? html`<${NewJob} chamber=${of.chamber} of=${of} leave=${() => setBegins(false)}
          begun=${(/** @type {string} */ job) => (location.hash = jobAddress(job))} />`
      : html`<div class="acts">
          <button type="button" class="act" onClick=${() => setBegins(true)}>${G.start_with}</button>
        </div>`)}
    ${open && of.whole && html`<${Layers} id=${of.id} whole=${of.whole} />`}
  </li>`;
}

/** What a toolpath builds, or how far it is, or why it can't be read. @param {{of: Toolpath, unit: Unit}} props */
function Builds({ of, unit }) {
  const { whole: built, refused } = of;
  if (refused) return html`<span class="refused">${G.refused(refused.line, refused.reason)}</span>`;
  if (!built) return of.share === null ? G.waiting : G.reading(of.share);
  const [x0, y0, x1, y1] = built.footprint_mm;
  const [first, rest] = built.nozzle_c.map((t_c) => (t_c === null ? null : temperature(t_c, unit)));
  const told = [
    G.builds(built.layers, height(built.height_mm), duration(built.duration_s)),
    built.pieces > 1 && G.pieces(built.pieces),
    built.spiral && G.spiral,
  ].filter(Boolean);
  const more = [
    G.footprint(height(x1 - x0), height(y1 - y0)),
    G.longest(height(built.longest_run_mm)),
    first && G.nozzle(first, rest ?? first),
    built.bed_c[0] !== null && G.bed(temperature(built.bed_c[0], unit)),
  ].filter(Boolean);
  return html`${told.join(", ")}. ${more.join(", ")}. ${built.warnings.join(" ")}`;
}

/**
 * Which toolpath a job followed, to be chosen also days later.
 * @param {{job: Job, may: boolean, changed?: () => void, heights?: import("./types.js").Heights | null, pointed?: {current: import("./axis.js").Pointed}}} props
 */
export function JobToolpath({ job, may, changed, heights, pointed }) {
  const { all, failed } = useToolpaths();
  const [chosen, setChosen] = useState(/** @type {string | null} */ (job.toolpath ?? null));
  const [open, setOpen] = useState(false);
  const { error, run } = useWork();
  const id = "toolpath-of-job";
  const known = (all ?? []).filter((/** @type {Toolpath} */ of) => of.state === "ready" || of.id === chosen);
  const own = known.find((/** @type {Toolpath} */ of) => of.id === chosen);
  if (failed || !all) return null;
  const goes_on = job.state === "running" || job.state === "paused";
  if (!may) return own ? html`<p class="sub">${(goes_on ? G.job_follows : G.job_followed)(own.name)}</p>` : null;
  const choose = async (/** @type {Event} */ event) => {
    const box = /** @type {HTMLSelectElement} */ (event.target);
    const next = box.value || null;
    const path = `/api/jobs/${encodeURIComponent(job.id)}/toolpath`;
    if (await run(() => post(path, { toolpath: next }))) {
      setChosen(next);
      changed?.();
    } else box.value = chosen ?? "";
  };
  return html`<${Chapter} name="toolpath" kind="stories of-toolpath" heading=${G.of_job} gist=${own ? (goes_on ? G.job_follows : G.job_followed)(own.name) : G.none_known}>
    <label for=${id}>${goes_on ? G.follows_now : G.follows}</label>
    <select id=${id} value=${chosen ?? ""} onChange=${choose}>
      <option value="">${G.nothing}</option>
      ${[...known].reverse().map((of) => html`<option key=${of.id} value=${of.id}>${of.name}, ${whole(of.at)}</option>`)}
    </select>
    <${Refused} error=${error} />
    <p><a class="way" href="#/toolpaths">${G.way}</a></p>
    ${own?.whole &&
    html`<details onToggle=${(/** @type {any} */ event) => setOpen(event.currentTarget.open)}>
      <summary>${G.layers_of(own.name)}</summary>
      ${open && html`<${Layers} key=${own.id} id=${own.id} whole=${own.whole} heights=${heights} pointed=${pointed} />`}
    </details>`}
  <//>`;
}
