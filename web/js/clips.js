/** A job's films: of what happened from 30 s before to 60 s after, and its time-lapse. */

import { useEffect, useRef, useState } from "../vendor/preact-hooks.js";
import { get, remove } from "./ask.js";
import { Chapter } from "./chapters.js";
import { html } from "./html.js";
import { S } from "./strings.js";
import { C } from "./strings_clips.js";
import { Twice } from "./twice.js";
import { clock, duration, moment, second } from "./units.js";

/** @typedef {import("./types.js").Film} Film */
/** @typedef {import("./types.js").Job} Job */

const AGAIN_MS = 5_000; // while one is being made
const DANGERS = ["fire", "flame", "smoke", "detector_contact", "rapid_rise", "over_temperature"];

/**
 * `look` brings a time, in seconds since the epoch, into view elsewhere on the page.
 * @param {{job: Job, when?: string, look?: (at_s: number) => void, owner?: boolean}} props
 */
export function Clips({ job, when = "", look, owner = false }) {
  const { films, again } = useFilms(job, when);
  const [chosen, setChosen] = useState("");
  if (films.length === 0) return null;
  const film = films.find((/** @type {Film} */ f) => f.id === chosen) ?? first(films);
  return html`<${Chapter} name="films" kind="films" heading=${C.heading} gist=${C.many(films.length)}>
    ${films.length > 1 &&
    html`<div class="moments" role="group" aria-label=${C.choose}>
      ${films.map(
        (/** @type {Film} */ f) => html`<button key=${f.id} type="button" aria-pressed=${f.id === film.id} onClick=${() => setChosen(f.id)}>
          ${f.part === "time_lapse" ? C.lapse : C.entry(what(f), moment(shownAt(f), job.started_at))}
        </button>`,
      )}
    </div>`}
    <${One} key=${film.id} film=${film} job=${job} look=${look} />
    ${owner &&
    film.state === "kept" &&
    html`<div class="acts">
      <${Twice} key=${film.id} ask=${C.erase} question=${C.erase_really} yes=${C.yes} no=${C.no}
        work=${() => remove(`/api/clips/${film.id}`)} done=${again} />
    </div>`}
  <//>`;
}

/** @param {{film: Film, job: Job, look?: (at_s: number) => void}} props */
function One({ film, job, look }) {
  const video = useRef(/** @type {HTMLVideoElement | null} */ (null));
  const [failed, setFailed] = useState(false);
  const poster = usePoster(film);
  const lapse = film.part === "time_lapse";
  const from = moment(film.start_at, job.started_at);
  const to = lapse ? moment(film.end_at, job.started_at) : second(film.end_at);
  const address = `/api/clips/${film.id}`;
  const go = (/** @type {number} */ at_s) => () => {
    if (!video.current) return;
    // What leads to it is shown, too; and nothing can be sought before it is known how long it is.
    const to_s = Math.max(0, at_s - 2);
    const player = video.current;
    if (player.readyState > 0) player.currentTime = to_s;
    else player.addEventListener("loadedmetadata", () => (player.currentTime = to_s), { once: true });
    player.play().catch(() => undefined);
  };
  return html`<figure class="film">
    ${film.state === "kept" &&
    html`<video ref=${video} controls playsinline muted preload="none" src=${address} poster=${poster || undefined}
      aria-label=${C.alt(what(film), from)} onError=${() => setFailed(true)}></video>`}
    <figcaption>
      ${failed && html`<p role="alert">${C.failed}</p>`}
      <p>${said(film, from, to)}</p>
      ${film.paused.map((p) => html`<p key=${p.start_at}>${p.end_at ? C.paused(clock(p.start_at), clock(p.end_at)) : C.paused_since(clock(p.start_at))}</p>`)}
      ${film.state === "kept" && film.why && html`<p>${film.why}</p>`}
      ${film.origin === "simulated" && html`<p>${C.simulated}</p>`}
      ${film.origin === "recorded" && html`<p>${C.recorded}</p>`}
    </figcaption>
    ${film.state === "kept" &&
    html`<div class="moments" role="group" aria-label=${C.jump}>
      ${film.moments.map(
        (m) => html`<button key=${m.event} type="button" onClick=${go(m.film_s)}>${C.moment(kind(m.kind), second(m.at))}</button>`,
      )}
      ${look && html`<button type="button" onClick=${() => look(Date.parse(shownAt(film)) / 1000)}>${C.in_view}</button>`}
    </div>
    <p class="small"><a href=${address} download=${`${film.id}.webm`}>${C.save}</a></p>`}
  </figure>`;
}

/** @param {Film} film  @param {string} from  @param {string} to */
function said(film, from, to) {
  if (film.state === "making") return film.part === "time_lapse" ? C.lapse_coming : C.making;
  if (film.state === "paused") return C.no_film_paused;
  if (film.state === "lost") return C.lost(film.why);
  return C.told(what(film), from, to, duration(film.length_s));
}

/** @param {Film} film */
function what(film) {
  if (film.part === "time_lapse") return C.lapse;
  return C.shows([...new Set(film.moments.map((m) => kind(m.kind)))]);
}

/** @param {string} name */
function kind(name) {
  return S.jobs.kinds[name] ?? S.hour.kinds[name] ?? name;
}

/** When what a film is called by was known. @param {Film} film */
function shownAt(film) {
  return film.moments.find((m) => m.event === film.event)?.at ?? film.start_at;
}

/** What is shown unasked: danger, or the whole job in short. @param {Film[]} films */
function first(films) {
  return (
    films.find((f) => f.state === "kept" && DANGERS.includes(f.kind ?? "")) ??
    films.find((f) => f.state === "kept" && f.part === "time_lapse") ??
    films.find((f) => f.state === "kept") ??
    films[0]
  );
}

/** The picture that stands until it is played: the event's own, with the place marked. @param {Film} film */
function usePoster(film) {
  const [poster, setPoster] = useState("");
  useEffect(() => {
    if (film.event === null || film.state !== "kept") return;
    let over = false;
    get(`/api/events/${film.event}/pictures?chamber=${encodeURIComponent(film.chamber)}`).then(
      ({ items }) => {
        const parts = ["marked", "moment", "after", "before"].map((part) => items.find((/** @type {{part: string}} */ p) => p.part === part));
        const found = parts.find(Boolean);
        if (found && !over) setPoster(`/api/pictures/${found.id}`);
      },
      () => undefined, // without it the player is dark until it plays
    );
    return () => {
      over = true;
    };
  }, [film.id, film.state]);
  return poster;
}

/** @param {Job} job  @param {string} when */
function useFilms(job, when) {
  const [known, setKnown] = useState(/** @type {{job: string, items: Film[]}} */ ({ job: "", items: [] }));
  const [asked, setAsked] = useState(0);
  useEffect(() => {
    let over = false;
    /** @type {number | undefined} */
    let timer;
    const soon = () => {
      timer = setTimeout(() => setAsked((/** @type {number} */ n) => n + 1), AGAIN_MS);
    };
    get(`/api/jobs/${encodeURIComponent(job.id)}/clips`).then(
      ({ items }) => {
        if (over) return;
        setKnown({ job: job.id, items });
        const waits = (/** @type {Film} */ f) => f.state === "making" && (f.part === "clip" || job.finished_at !== null);
        if (items.some(waits)) soon();
      },
      () => over || undefined, // the page of the job says itself when it can't be fetched
    );
    return () => {
      over = true;
      clearTimeout(timer);
    };
  }, [job.id, job.finished_at, when, asked]);
  return { films: known.job === job.id ? known.items : [], again: () => setAsked((/** @type {number} */ n) => n + 1) };
}
