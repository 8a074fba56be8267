/** The first page of a hall: how all chambers are in one sentence, then each in one line. */

import { useEffect, useRef, useState } from "../vendor/preact-hooks.js";
import { SHAPES } from "./chamber.js";
import { STANDINGS } from "./hall_rows.js";
import { Seen, SeenMany } from "./hall_seen.js";
import { html } from "./html.js";
import { chamberAddress } from "./route.js";
import { Shape } from "./shapes.js";
import { S } from "./strings.js";
import { A } from "./strings_alarm_test.js";
import { H } from "./strings_hall.js";
import { count, duration, height, moment, temperature, words } from "./units.js";

/** @typedef {import("./types.js").Hall} Hall */
/** @typedef {import("./types.js").HallRow} HallRow */
/** @typedef {import("./types.js").Now} Now */
/** @typedef {import("./types.js").Unit} Unit */

const FILTER_FROM = 13; // fewer are seen at once
const AT_ONCE = 60;
const NEAR = "600px"; // lines are drawn before they come into sight
const TONES = { danger: "danger", alarm: "caution", out_of_reach: "trouble", heed: "", building: "", calm: "", ended: "" };
const T = H;

/** How all of it is: sentence, what comes below it, and its tone. @param {Hall} hall  @param {HallRow[]} all  @param {string} at */
export function sentenceOf(hall, all, at) {
  const of = STANDINGS.reduce((sum, name) => sum + hall.counts[name], 0);
  const { danger, alarm, out_of_reach, ended } = hall.counts;
  const { settling, awaited } = hall;
  const heed = hall.counts.heed - settling - awaited;
  const also = [
    danger && alarm && T.also.alarm(alarm),
    (danger || alarm) && out_of_reach && T.also.out_of_reach(out_of_reach),
    (danger || alarm || out_of_reach) && awaited && T.also.awaited(awaited),
    (danger || alarm || out_of_reach || awaited) && heed && T.also.heed(heed),
    (danger || alarm || out_of_reach || awaited || heed) && settling && T.also.settling(settling),
    ended && ended < of && T.also.ended(ended),
  ].filter(Boolean);
  const below = also.length ? `${also.join(". ")}.` : "";
  if (!hall.heard) return { says: T.not_known(moment(hall.lost_at ?? at, at)), below: T.not_known_how, tone: "trouble" };
  if (danger === 1) return { says: T.danger_one(all.find((row) => row.standing === "danger")?.name ?? ""), below, tone: "danger" };
  if (danger) return { says: T.danger(danger, of), below, tone: "danger" };
  if (alarm) return { says: T.alarm(alarm, of), below, tone: "caution" };
  if (out_of_reach) return { says: T.out_of_reach(out_of_reach, of), below, tone: "trouble" };
  if (of === 0) return { says: T.none, below: T.none_how, tone: "trouble" };
  if (ended === of) return { says: T.only_ended, below, tone: "trouble" };
  if (awaited) return { says: T.awaited(awaited, of), below, tone: "trouble" };
  if (heed) return { says: T.heed(heed, of), below, tone: "" };
  if (settling) return { says: T.settling(settling, of), below, tone: "" };
  return { says: T.calm(of - ended, of), below, tone: "" };
}

/** @param {{now: Now, rows: any, unit: Unit, may: boolean}} props */
export function HallList({ now, rows, unit, may }) {
  const hall = /** @type {Hall} */ (now.hall);
  const all = /** @type {HallRow[]} */ (rows.all());
  const [sought, setSought] = useState("");
  const [state, setState] = useState("");
  const { says, below, tone } = sentenceOf(hall, all, now.at);
  const shape = SHAPES[/** @type {keyof typeof SHAPES} */ (tone)];
  const wanted = hall.counts.alarm + hall.counts.out_of_reach + hall.troubles.length > 1;
  const plain = sought.trim().toLowerCase();
  const found = all.filter(
    (row) => (!state || row.standing === state) && (!plain || row.name.toLowerCase().includes(plain) || row.place.toLowerCase().includes(plain) || row.board.startsWith(plain)),
  );
  return html`<section class="hall" aria-labelledby="hall-says">
    <p class="place">${hall.name}</p>
    <h1 class=${`sentence ${tone}`} id="hall-says" tabindex="-1">
      ${shape && html`<${Shape} kind=${shape} />`}<span>${says}</span>
    </h1>
    ${below && html`<p class="sub">${below}</p>`}
    <div class="unseen" aria-live=${hall.counts.danger ? "assertive" : "polite"} aria-atomic="true">${says}</div>
    <${Troubles} hall=${hall} at=${now.at} may=${may} />
    ${may && hall.heard && html`<${SeenMany} wanted=${wanted} unit=${unit} />`}
    ${may && !hall.heard && wanted && html`<p class="small">${T.many_away}</p>`}
    ${rows.failed && html`<p class="refused" role="alert">${T.failed} ${rows.failed}</p>`}
    ${!rows.come && !rows.failed && html`<p class="waiting">${T.asking}</p>`}
    ${all.length >= FILTER_FROM &&
    html`<${Filter} hall=${hall} sought=${sought} seek=${setSought} state=${state} choose=${setState} />`}
    ${all.length > 0 && found.length === 0 && html`<p role="status">${T.nothing(all.length)}</p>`}
    <${Lines} found=${found} key=${`${plain} ${state}`} now=${now} unit=${unit} />
    <p class="small">${now.alarm_test.text}. <a class="way" href="#/alarm-test">${A.go}</a></p>
    <p class="small">${T.kept(hall.keep_days)}</p>
  </section>`;
}

/** What ails the past that is shown, "" for nothing. @param {Hall | undefined} hall */
export function pastOf(hall) {
  if (!hall?.past) return "";
  const { reason, behind_s } = hall.past;
  return reason ? T.past_away(reason) : T.past_behind(behind_s === null ? "" : duration(behind_s));
}

/** What of the hall itself isn't well. @param {{hall: Hall, at: string, may: boolean}} props */
export function Troubles({ hall, at, may }) {
  const told = hall.troubles.map(
    (of) => html`${T.trouble(T.subjects.includes(of.subject) ? of.text : T.of_subject(of.subject, of.text), moment(of.since_at, at))}<${Seen} of=${of} may=${may} />`,
  );
  if (hall.past) told.push(pastOf(hall));
  if (hall.strangers) told.push(T.strangers(hall.strangers));
  if (hall.refused) told.push(T.refused(hall.refused));
  if (!hall.people) told.push(T.nobody);
  if (told.length === 0) return null;
  return html`<div class="hall-ails">
    <p><${Shape} kind="trouble" /> <strong>${T.ails}</strong></p>
    <ul>${told.map((line) => html`<li>${line}</li>`)}</ul>
  </div>`;
}

/** @param {{hall: Hall, sought: string, seek: (text: string) => void, state: string, choose: (state: string) => void}} props */
function Filter({ hall, sought, seek, state, choose }) {
  const there = STANDINGS.filter((name) => hall.counts[name] > 0 || name === state);
  return html`<div class="hall-filter" role="search">
    <label>${T.find} <input type="search" value=${sought} onInput=${(/** @type {InputEvent} */ e) => seek(/** @type {HTMLInputElement} */ (e.target).value)} /></label>
    <span class="units" role="group" aria-label=${T.filter}>
      <button type="button" aria-pressed=${state === ""} onClick=${() => choose("")}>${T.all}</button>
      ${there.map(
        (name) =>
          html`<button type="button" key=${name} aria-pressed=${state === name} onClick=${() => choose(state === name ? "" : name)}>${T.state[name]} ${count(hall.counts[name])}</button>`,
      )}
    </span>
  </div>`;
}

/**
 * Of many only those that have come near to being seen; a line is drawn anew when it has changed.
 * @param {{found: HallRow[], now: Now, unit: Unit}} props
 */
function Lines({ found, now, unit }) {
  const [shown, setShown] = useState(AT_ONCE);
  const end = useRef(/** @type {HTMLElement | null} */ (null));
  const drawn = useRef(/** @type {Map<string, {row: HallRow, heard: boolean, unit: Unit, day: string, line: any}>} */ (new Map()));
  useEffect(() => {
    if (!end.current || typeof IntersectionObserver === "undefined") return;
    const watcher = new IntersectionObserver(
      (seen) => seen.some((each) => each.isIntersecting) && setShown((/** @type {number} */ n) => n + AT_ONCE),
      { rootMargin: NEAR },
    );
    watcher.observe(end.current);
    return () => watcher.disconnect();
  }, [shown, found.length]);
  const heard = now.hall?.heard ?? false;
  const day = now.at.slice(0, 13); // times of another day say so
  const lines = found.slice(0, shown).map((row) => {
    const before = drawn.current.get(row.chamber);
    if (before && before.row === row && before.heard === heard && before.unit === unit && before.day === day) return before.line;
    const line = html`<${Line} key=${row.chamber} row=${row} heard=${heard} at=${now.at} unit=${unit} />`;
    drawn.current.set(row.chamber, { row, heard, unit, day, line });
    return line;
  });
  return html`<ul class="hall-lines" aria-label=${T.list}>${lines}</ul>
    ${found.length > shown &&
    html`<div class="acts" ref=${end}>
      <button type="button" class="act" onClick=${() => setShown(shown + AT_ONCE)}>${T.more(Math.min(AT_ONCE, found.length - shown))}</button>
    </div>`}`;
}

/** Where a chamber's board is, in words, and its mark. @param {HallRow} row  @param {string} mark  all of it, or what tells it apart */
export const whereOf = (row, mark) => [row.place, T.board(mark)].filter(Boolean).join(", ");

/** Whether it isn't known how a chamber is just now. @param {HallRow} row  @param {boolean} heard  whether the broker is */
export const isGone = (row, heard) => !heard || row.awaited || row.reach !== "heard";

/**
 * Why it isn't known how a chamber is, in a sentence: without the broker of none, whatever was before.
 * @param {HallRow} row  @param {boolean} heard  whether the broker is  @param {string} at
 */
export function unknownOf(row, heard, at) {
  if (!heard) return T.no_broker;
  if (row.awaited) return T.not_heard_since;
  if (row.reach !== "ended") return T.reach[row.reach];
  return T.stopped(row.stopped_at && moment(row.stopped_at, at), row.stopped_while);
}

/**
 * What is said of a row: why it needs somebody, and then what its board says or said.
 * @param {HallRow} row  @param {boolean} heard  @param {string} at  @param {Unit} unit @returns {[string, string]}
 */
function said(row, heard, at, unit) {
  const own = row.sentence ? words(row.sentence, unit) : T.nothing_said;
  if (isGone(row, heard)) return [unknownOf(row, heard, at), row.sentence ? `${T.before} ${own}` : ""];
  return row.needs ? [`${words(row.needs, unit)}.`, own] : [own, ""];
}

/** @param {{row: HallRow, heard: boolean, at: string, unit: Unit}} props */
function Line({ row, heard, at, unit }) {
  const tone = TONES[/** @type {keyof typeof TONES} */ (row.standing)] || (row.awaited ? "trouble" : "");
  const shape = SHAPES[/** @type {keyof typeof SHAPES} */ (tone)];
  const { job } = row;
  const gone = isGone(row, heard);
  const [says, beside] = said(row, heard, at, unit);
  const since = gone ? row.last_at : row.since_at;
  return html`<li class=${`${row.standing} ${tone}`}>
    <a href=${chamberAddress(row.chamber)}>
      <span class="whose">${shape && html`<${Shape} kind=${shape} />`}<b>${row.name}</b>${" "}<span class="soft">${whereOf(row, row.board.slice(-4))}</span>${" "}
        ${row.simulated && html`<strong class="unreal">${S.head.simulated}</strong>`}</span>
      <span class="says">${says}${beside && html` <span class="beside">${beside}</span>`}${row.misread > 0 && html` <span class="soft">(${T.misread_short})</span>`}</span>
      <span class="figures">
        <span class="air">${row.air_c === null || gone ? "" : temperature(row.air_c, unit)}</span>
        <span class="builds">${job ? [job.name, job.height_mm === null ? "" : height(job.height_mm)].filter(Boolean).join(", ") : ""}</span>
        <span class="soft when">${since ? (gone ? T.last_short : T.since)(moment(since, at)) : ""}</span>
      </span>
    </a>
  </li>`;
}
