/** One chamber of a hall: how it is, its alarms and what became of an answer, its last hours, its jobs. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { Act } from "./act.js";
import { state } from "./alarms.js";
import { get, post, remove } from "./ask.js";
import { SHAPES } from "./chamber.js";
import { isUnseen, together } from "./foremost.js";
import { nameOf } from "./guessed.js";
import { isGone, pastOf, unknownOf, whereOf } from "./hall.js";
import { Seen, SeenMany } from "./hall_seen.js";
import { html } from "./html.js";
import { later } from "./later.js";
import { jobAddress } from "./route.js";
import { Shape } from "./shapes.js";
import { S } from "./strings.js";
import { H } from "./strings_hall.js";
import { duration, height, moment, temperature, whole, words } from "./units.js";

/** @typedef {import("./types.js").Alarm} Alarm */
/** @typedef {import("./types.js").HallChamber} HallChamber */
/** @typedef {import("./types.js").HallRow} HallRow */
/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").Now} Now */
/** @typedef {import("./types.js").Unit} Unit */

const AGAIN_MS = 1_000; // while a board's answer is waited for
const JOBS = 6;
const LONG = 30; // characters of a sentence that isn't read twice
const T = H;

const LastHour = later(() => import("./last_hour.js"), "LastHour", "hour");

/** @param {{id: string, row: HallRow | undefined, now: Now, unit: Unit, dark: boolean, may: boolean, owner: boolean, joined: number, when: string}} props */
export function HallChamberPart({ id, row, now, unit, dark, may, owner, joined, when }) {
  const { chamber, failed, again } = useChamber(id, row);
  if (!chamber) {
    return html`<section class="hall-chamber">
      <p class="waiting" role=${failed ? "alert" : "status"}>${failed || T.asking}</p></section>`;
  }
  const told = chamber.now;
  const heard = now.hall?.heard ?? false;
  const gone = isGone(chamber, heard);
  const tone = gone && chamber.standing !== "danger" ? "trouble" : told?.tone ?? "trouble";
  const shape = SHAPES[/** @type {keyof typeof SHAPES} */ (tone)];
  const items = onlyOnce(chamber.alarm_items);
  const sub = unsaid(told?.sub ?? "", new Set(items.flatMap((alarm) => sentences(alarm.text))));
  // A simulated board's time may run fast: how long something lasts goes by the board's own.
  const at = chamber.simulated && told ? told.at : now.at;
  const own = told ? words(told.sentence, unit) : T.nothing_said;
  return html`<article class="chamber hall-chamber" aria-labelledby=${`says-${id}`}>
    <p class="place">${chamber.name}, ${whereOf(chamber, chamber.board)} ${chamber.simulated && html`<strong class="unreal">${S.head.simulated}</strong>`}</p>
    <h1 class=${`sentence ${tone}`} id=${`says-${id}`} tabindex="-1">
      ${shape && html`<${Shape} kind=${shape} />`}<span>${gone ? unknownOf(chamber, heard, now.at) : own}</span>
    </h1>
    ${gone && html`<p class="sub">${chamber.last_at && T.last(moment(chamber.last_at, now.at))} ${told && `${T.before} ${own}`}</p><${Seen} of=${chamber.reach_alarm} may=${may} done=${again} />`}
    ${!gone && sub && html`<p class="sub">${words(sub, unit)}</p>`}
    ${chamber.misread > 0 && html`<p class="sub"><${Shape} kind="trouble" /> ${T.misread(chamber.misread)} ${chamber.misread_why}.</p><${Seen} of=${chamber.misread_alarm} may=${may} done=${again} />`}
    ${chamber.lacking > 0 && html`<p class="sub"><${Shape} kind="trouble" /> ${T.lacking(chamber.lacking)}</p>`}
    <${HallAlarms} chamber=${chamber} gone=${gone} alarms=${items} at=${at} unit=${unit} may=${may} able=${now.hall?.answers ?? false} again=${again} />
    ${told?.job &&
    html`<p>${T.running} <a class="way" href=${jobAddress(`${chamber.board}.${told.job.id}`)}>${told.job.name}</a>${told.job.material && `, ${told.job.material}`}${told.job.height_mm === null ? "" : `, ${height(told.job.height_mm)}`}, ${T.since(moment(told.job.started_at, now.at))}.</p>`}
    ${told && html`<${Sensors} sensors=${told.sensors} gone=${gone} unit=${unit} />`}
    ${told && html`<${LastHour} chamber=${drawnAs(chamber, now)} unit=${unit} dark=${dark} joined=${joined} ails=${now.hall?.past?.reason} />`}
    ${told && told.not_watched.length > 0 && html`<p class="small unwatched"><b>${T.not_watched}</b> ${told.not_watched.join(" ")}</p>`}
    ${now.hall?.past && html`<p class="sub" role="status"><${Shape} kind="trouble" /> ${pastOf(now.hall)}</p>`}
    <${NewestJobs} id=${id} when=${when} />
    <p class="small">${T.at_board}</p>
    ${owner && gone && html`<${TakeOff} id=${id} />`}
  </article>`;
}

/** As the chart of the last hour takes it. @param {HallChamber} chamber  @param {Now} now */
function drawnAs(chamber, now) {
  const told = chamber.now;
  return {
    chamber: chamber.chamber,
    at: now.at,
    speed: 1,
    recorded: false,
    simulated: chamber.simulated,
    target_c: told?.target_c ?? null,
    sensors: !isGone(chamber, true) ? (told?.sensors ?? []) : (told?.sensors ?? []).map((each) => ({ ...each, temperature_c: null })),
    stories: [],
    last_sound: null,
  };
}

/** @param {{sensors: import("./types.js").Sensor[], gone: boolean, unit: Unit}} props */
function Sensors({ sensors, gone, unit }) {
  return html`<ul class="hall-sensors" aria-label=${T.sensors}>
    ${sensors.map(
      ({ name, place, temperature_c, fault }) =>
        html`<li key=${name}><span>${name}</span> <span class="soft">${name.toLowerCase() === (T.places[place] ?? place) ? "" : (T.places[place] ?? place)}</span>${" "}
          <b>${temperature_c === null || gone ? fault || S.section.no_reading : temperature(temperature_c, unit)}</b></li>`,
    )}
  </ul>`;
}

/** @param {string} text @returns {string[]} */
const sentences = (text) => text.split(/(?<=\.) +/);

/** What of a text wasn't said yet; a short sentence may come twice. @param {string} text  @param {Set<string>} said */
const unsaid = (text, said) => sentences(text).filter((each) => each.length < LONG || !said.has(each)).join(" ");

/** What to do stands once, though several alarms ask for it; danger says all of it. @param {Alarm[]} alarms */
function onlyOnce(alarms) {
  const said = new Set();
  return alarms.map((alarm) => {
    const text = alarm.class === "alarm" ? alarm.text : unsaid(alarm.text, said);
    for (const each of sentences(alarm.text)) said.add(each);
    return { ...alarm, text };
  });
}

/** Nobody can ask the board while it is `gone`. @param {{chamber: HallChamber, gone: boolean, alarms: Alarm[], at: string, unit: Unit, may: boolean, able: boolean, again: () => void}} props */
function HallAlarms({ chamber, gone, alarms, at, unit, may, able, again }) {
  const first = alarms.find(isUnseen); // the most urgent: one button stands out
  return html`<section class="alarms" aria-label=${S.alarms.heading} hidden=${alarms.length === 0}>
    <ul>
      ${alarms.map((alarm) => {
        const order = [...chamber.orders].reverse().find((each) => `${chamber.board}.${each.alarm}` === alarm.id);
        const lasting = duration((Date.parse(at) - Date.parse(alarm.began_at)) / 1000);
        const asks = may && isUnseen(alarm) && order?.state !== "done";
        return html`<li key=${alarm.id} class=${`stands ${alarm.class} ${alarm.suppression === "none" ? "" : "quiet"}`} data-alarm=${alarm.id}>
          <${Shape} kind=${alarm.class} />
          <div class="words" tabindex="-1">
            <p>${alarm.class === "alarm" && html`<strong>${S.alarms.class.alarm}: </strong>`}${words(alarm.text, unit)}</p>
            <p class="when">${alarm.class !== "alarm" && html`<strong>${S.alarms.class[alarm.class]}.</strong> `}
              ${alarm.condition ? S.alarms.since(moment(alarm.began_at, at), lasting) : S.alarms.began(moment(alarm.began_at, at))},${" "}
              <span class="state">${state(alarm, at)}</span></p>
            ${order && html`<p class="order" role="status">${T.order[order.state](order.reason)}</p>`}
          </div>
          ${asks &&
          able &&
          !gone &&
          order?.state !== "sent" &&
          html`<div class="acts"><${Act} kind=${alarm === first ? "must" : ""} work=${() => post(`/api/alarms/${encodeURIComponent(alarm.id)}/acknowledge`)} done=${again}>${T.see}<//></div>`}
          ${asks && !able && html`<p class="small">${T.cannot}</p>`}
        </li>`;
      })}
    </ul>
    ${may && able && !gone && html`<${SeenMany} chamber=${chamber.chamber} wanted=${together(alarms).length > 0} unit=${unit} done=${again} />`}
    ${may && able && alarms.some(isUnseen) && html`<p class="small">${gone ? T.unasked : T.seen_means}</p>`}
  </section>`;
}

/** @param {{id: string, when: string}} props */
function NewestJobs({ id, when }) {
  const [jobs, setJobs] = useState(/** @type {Job[] | null} */ (null));
  const [failed, setFailed] = useState(false);
  useEffect(() => {
    let over = false;
    get(`/api/jobs?chamber=${encodeURIComponent(id)}&newest=true&limit=${JOBS}`).then(
      ({ items }) => over || (setJobs(items.reverse()), setFailed(false)),
      () => over || setFailed(true),
    );
    return () => {
      over = true;
    };
  }, [id, when]);
  return html`<section class="hall-jobs"><h2>${T.jobs}</h2>
    ${failed && html`<p role="status">${T.jobs_failed}</p>`}
    ${jobs?.length === 0 && html`<p>${T.no_jobs}</p>`}
    <ul>${(jobs ?? []).map((job) => html`<li key=${job.id}><a class="way" href=${jobAddress(job.id)}>${nameOf(job)}</a>, ${whole(job.started_at)}</li>`)}</ul>
  </section>`;
}

/** @param {{id: string}} props */
function TakeOff({ id }) {
  const [open, setOpen] = useState(false);
  if (!open) return html`<p><button type="button" class="act slight" onClick=${() => setOpen(true)}>${T.off}</button></p>`;
  return html`<div class="aside" role="group" aria-label=${T.off}>
    <p>${T.off_means}</p>
    <div class="acts">
      <${Act} work=${() => remove(`/api/hall/${encodeURIComponent(id)}`)} done=${() => (location.hash = "#/")}>${T.off_yes}<//>
      <button type="button" class="act slight" onClick=${() => setOpen(false)}>${T.off_no}</button>
    </div>
  </div>`;
}

/** All of a chamber, asked for anew when its line has changed, and while a board's answer is waited for. @param {string} id  @param {HallRow | undefined} row */
function useChamber(id, row) {
  const [known, setKnown] = useState({ id, chamber: /** @type {HallChamber | null} */ (null), failed: "" });
  const [asked, setAsked] = useState(0);
  const chamber = known.id === id ? known.chamber : null;
  const waits = chamber?.orders.some((order) => order.state === "sent") ?? false;
  useEffect(() => {
    let over = false;
    get(`/api/hall/${encodeURIComponent(id)}`).then(
      (found) => over || setKnown({ id, chamber: found, failed: "" }),
      (error) => over || setKnown({ id, chamber: null, failed: error.message }),
    );
    return () => {
      over = true;
    };
  }, [id, row, asked]);
  useEffect(() => {
    if (!waits) return;
    const timer = setInterval(() => setAsked((/** @type {number} */ n) => n + 1), AGAIN_MS);
    return () => clearInterval(timer);
  }, [waits]);
  return { chamber, failed: known.id === id ? known.failed : "", again: () => setAsked(asked + 1) };
}
