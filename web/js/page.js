/** What stands around every page: sound, ways, and whether what stands here is current. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { AlarmTests, TestedLine } from "./alarm_test.js";
import { request } from "./ask.js";
import { ChamberPart, SHAPES } from "./chamber.js";
import { FirstSteps, useFound } from "./first_steps.js";
import { html } from "./html.js";
import { AT_THE_MACHINE, forgetSetup, keep, recall } from "./kept.js";
import { useRows } from "./hall_rows.js";
import { later } from "./later.js";
import { useDark } from "./paper.js";
import { chamberAddress, useRoute } from "./route.js";
import { Shape } from "./shapes.js";
import { SideBySide } from "./side_by_side.js";
import { S } from "./strings.js";
import { H } from "./strings_hall.js";
import { J } from "./strings_telephones.js";
import { P } from "./strings_people.js";
import { U } from "./strings_setting_up.js";
import { moment, whole, words, zone } from "./units.js";
import { Updated } from "./updated.js";

/** @typedef {import("./types.js").Now} Now */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./live.js").Touch} Touch */
/** @typedef {import("./sounds.js").Sounds} Sounds */

const HallChamberPart = later(() => import("./hall_chamber.js"), "HallChamberPart");
const HallList = later(() => import("./hall.js"), "HallList");
const HowItWatches = later(() => import("./how_it_watches.js"), "HowItWatches");
const Jobs = later(() => import("./jobs.js"), "Jobs");
const LookBack = later(() => import("./look_back.js"), "LookBack");
const People = later(() => import("./people.js"), "People");
const Report = later(() => import("./report.js"), "Report");
const SettingUp = later(() => import("./setting_up.js"), "SettingUp");
const SetupSteps = later(() => import("./setup_steps.js"), "SetupSteps");
const Telephones = later(() => import("./telephones.js"), "Telephones");
const Toolpaths = later(() => import("./toolpaths.js"), "Toolpaths");
const ON_NOW = ["now", "chamber"];
const OF_HALL = [...ON_NOW, "jobs", "job", "telephones", "people", "alarm-test"];

/** @param {{touch: Touch, sounds: Sounds}} props */
export function Page({ touch, sounds }) {
  const [unit, setUnit] = useState(/** @type {Unit} */ (recall("unit") === "f" ? "f" : "c"));
  const dark = useDark();
  const { who, in_touch } = touch;
  const rows = useRows(touch.now);
  const hall = touch.now?.hall;
  const asked = useRoute();
  // A hall lacks pages that a board has, and a link to one leads to all chambers, as any unknown address does.
  /** @type {import("./route.js").Route} */
  const route = hall && !OF_HALL.includes(asked.page) ? { page: "now", unknown: true } : asked;
  // Names come with the rows: a thousand of them each second would be no small thing.
  const now = touch.now && hall ? { ...touch.now, elsewhere: rows.names } : touch.now;
  const when = `${touch.joined} ${touch.told}${hall ? ` ${hall.jobs}` : ""}`; // changes when what was fetched may have changed
  // What is kept of a job is changed at its board.
  const may = who?.role !== "viewer" && !hall;
  const owner = who?.role === "owner" && !hall;
  const { found, failed } = useFound(owner && now !== null, `${when} ${route.page} ${now?.owner}`);
  const one = now && shownAlone(now, route);
  const others = now && (one ? now.chambers.filter((each) => each !== one) : route.page === "now" ? [] : now.chambers);
  const choose = (/** @type {Unit} */ chosen) => {
    keep("unit", chosen);
    setUnit(chosen);
  };
  useEffect(() => {
    document.title = hall && in_touch ? hallTitle(hall) : title(touch, unit);
  });
  const steps = (/** @type {Now} */ of) => html`<${FirstSteps} found=${found} chambers=${of.chambers} whole=${!of.owner} unit=${unit}>
    <${TestedLine} now=${of} /> <a class="way" href="#/watch">${S.head.watch}</a>
  <//>`;
  return html`
    <a class="skip" href="#/" onClick=${toWhatStandsHere}>${S.head.skip}</a>
    ${!in_touch && html`<${Lost} touch=${touch} />`}
    <${Updated} touch=${touch} />
    <header class="head">
      <${Ways} page=${route.page} owner=${owner} hall=${hall !== undefined} />
      <${SoundLine} sounds=${sounds} />
      <div class="choices">
        <${Units} unit=${unit} choose=${choose} />
      </div>
    </header>
    <main class=${in_touch ? "" : "not-current"} tabindex="-1">
      ${!now && in_touch && html`<p class="waiting">${S.touch.asking}</p>`}
      ${now && !now.stored && html`<p class="not-stored" role="alert"><${Shape} kind="trouble" /> ${S.head.not_stored}</p>`}
      ${now && isNowhere(now, route) && html`<p class="waiting no-such-page" role="status">${S.head.no_such_page}</p>`}
      ${now && others && others.length > 0 && html`<${Meanwhile} chambers=${others} several=${now.chambers.length > 1} unit=${unit} />`}
      ${now && route.page === "jobs" && html`<${Jobs} now=${now} when=${when} unit=${unit} may=${may} owner=${owner} />`}
      ${now && route.page === "telephones" && html`<${Telephones} may=${who?.role !== "viewer"} />`}
      ${now && !hall && route.page === "toolpaths" && html`<${Toolpaths} may=${may} unit=${unit} />`}
      ${now && route.page === "people" && html`<${People} now=${now} who=${who} />`}
      ${now &&
      route.page === "job" &&
      html`<${LookBack} key=${route.job} id=${route.job} now=${now} unit=${unit} dark=${dark}
        when=${when} may=${may} owner=${owner} />`}
      ${now && route.page === "report" && html`<${Report} key=${route.job} id=${route.job} now=${now} unit=${unit} />`}
      ${now && !hall && route.page === "setting-up" && html`<${SettingUp} found=${found} failed=${failed || !owner} now=${now} unit=${unit} when=${`${touch.joined}`} />`}
      ${now && route.page === "setup" && owner && html`<${SetupSteps} step=${route.step} now=${now} when=${`${touch.joined}`} unit=${unit} found=${found} in_touch=${in_touch} />`}
      ${now && !hall && route.page === "watch" && html`<${HowItWatches} unit=${unit} when=${`${when} ${stands(now)}`} at=${now.at} owner=${owner} />`}
      ${now &&
      route.page === "alarm-test" &&
      html`<${AlarmTests} now=${now} when=${hall ? `${when} ${now.alarm_test.chambers[0].test?.phase}` : when} may=${who?.role !== "viewer"} begins=${hall ? who?.role === "owner" : may} />`}
      ${now &&
      hall &&
      (route.page === "chamber"
        ? html`<${HallChamberPart} key=${route.chamber} id=${route.chamber} row=${rows.by_key.get(route.chamber)} now=${now} unit=${unit} dark=${dark}
            may=${who?.role !== "viewer"} owner=${who?.role === "owner"} joined=${touch.joined} when=${when} />`
        : ON_NOW.includes(route.page) && html`<${HallList} now=${now} rows=${rows} unit=${unit} may=${who?.role !== "viewer"} />`)}
      ${now &&
      !hall &&
      ON_NOW.includes(route.page) &&
      !one &&
      html`<${SideBySide} chambers=${now.chambers} needy=${worst(now)} unit=${unit} dark=${dark} may=${may} owner=${owner} when=${when} />
        ${steps(now)}`}
      ${now &&
      one &&
      html`<${ChamberPart}
        key=${one.chamber}
        chamber=${one}
        unit=${unit}
        dark=${dark}
        may=${may}
        owner=${owner}
        in_touch=${in_touch}
        joined=${touch.joined}
        when=${when}
        steps=${now.chambers.length === 1 && steps(now)}
      />`}
    </main>
    <${Foot} touch=${touch} />
  `;
}

/** For the keyboard: past the ways, without turning the page. @param {Event} event */
function toWhatStandsHere(event) {
  event.preventDefault();
  document.querySelector("main")?.focus();
}

/** @param {{page: import("./route.js").Route["page"], owner: boolean, hall: boolean}} props */
function Ways({ page, owner, hall }) {
  return html`<nav class="ways" aria-label=${S.head.pages}>
    <a href="#/" aria-current=${page === "now" ? "page" : page === "chamber" ? "true" : undefined}>${hall ? H.back : S.head.now}</a>
    <a href="#/jobs" aria-current=${page === "jobs" ? "page" : page === "job" || page === "report" || page === "toolpaths" ? "true" : undefined}>${S.head.jobs}</a>
    <a href="#/telephones" aria-current=${page === "telephones" ? "page" : undefined}>${J.page}</a>
    <a href="#/people" aria-current=${page === "people" ? "page" : undefined}>${P.people}</a>
    ${owner && html`<a href="#/setting-up" aria-current=${page === "setting-up" ? "page" : page === "setup" ? "true" : undefined}>${U.way}</a>`}
  </nav>`;
}

/** Whether the address names no page, or a chamber that isn't there. @param {Now} now  @param {import("./route.js").Route} route */
function isNowhere({ chambers, hall }, route) {
  if (hall) return route.unknown;
  return route.unknown || (route.page === "chamber" && !chambers.some(({ chamber }) => chamber === route.chamber));
}

/** The chamber that has the page to itself; null where there are several to choose from, or another page is meant. @param {Now} now  @param {import("./route.js").Route} route */
function shownAlone({ chambers }, route) {
  if (!ON_NOW.includes(route.page)) return null;
  if (chambers.length === 1) return chambers[0];
  return (route.page === "chamber" && chambers.find(({ chamber }) => chamber === route.chamber)) || null;
}

/**
 * How chambers that aren't shown are now, in one line each.
 * @param {{chambers: Now["chambers"], several: boolean, unit: Unit}} props
 */
function Meanwhile({ chambers, several, unit }) {
  return html`<ul class="meanwhile" aria-label=${S.head.now}>
    ${chambers.map((chamber) => {
      const shape = SHAPES[/** @type {keyof typeof SHAPES} */ (chamber.tone)];
      return html`<li key=${chamber.chamber} class=${chamber.tone}>
        ${shape && html`<${Shape} kind=${shape} />`}
        <a href=${several ? chamberAddress(chamber.chamber) : "#/"}>
          <span class="whose">${chamber.name}. ${chamber.simulated && `${S.head.simulated} `}${chamber.recorded && `${S.head.recorded} `}</span>
          <span class="says">${words(chamber.sentence, unit)}</span>
        </a>
      </li>`;
    })}
  </ul>`;
}

/** Changes with what the lines above a page say, but not with every degree in them. @param {Now} now */
function stands({ chambers }) {
  return chambers.map(({ tone, calm, camera, alarms }) => [tone, calm, camera.condition, alarms.length].join(" ")).join("; ");
}

/** From what may wait to what may not. */
const TONES = ["calm", "good", "trouble", "caution", "danger"];

/** @param {Touch} touch  @param {Unit} unit */
function title({ now, in_touch }, unit) {
  if (!in_touch) return S.head.title_lost;
  const first = now && worst(now);
  if (!first) return S.name;
  return `${first.simulated ? S.head.title_simulated : ""}${words(first.sentence, unit)} · ${first.name}`;
}

/** @param {import("./types.js").Hall} hall */
function hallTitle({ name, heard, counts }) {
  const standing = ["danger", "alarm", "out_of_reach"].find((each) => counts[each]);
  const first = !heard ? H.title_not_known : standing ? H.title(H.state[standing], counts[standing]) : "";
  return [first, name].filter(Boolean).join(" · ");
}

/** The chamber that needs somebody most. @param {Now} now */
function worst({ chambers }) {
  const urgency = (/** @type {Now["chambers"][number]} */ c) => TONES.indexOf(c.tone) + (c.calm ? 0 : 0.5);
  return [...chambers].sort((a, b) => urgency(b) - urgency(a))[0];
}

/** @param {{touch: Touch}} props */
function Lost({ touch }) {
  const told = touch.now ? S.touch.lost(moment(touch.since_ms, Date.now())) : S.touch.none;
  return html`<div class="lost" role="alert">
    <${Shape} kind="trouble" />
    <p><strong>${told}</strong> ${touch.now && S.touch.todo}</p>
  </div>`;
}

/** @param {{unit: Unit, choose: (unit: Unit) => void}} props */
function Units({ unit, choose }) {
  const one = (/** @type {Unit} */ value, /** @type {string} */ name) =>
    html`<button type="button" aria-pressed=${unit === value} onClick=${() => choose(value)}>${name}</button>`;
  return html`<span class="units" role="group" aria-label=${S.head.unit}>
    ${one("c", S.head.celsius)}${one("f", S.head.fahrenheit)}
  </span>`;
}

function SignOut() {
  const leave = async (/** @type {Event} */ event) => {
    event.preventDefault();
    forgetSetup(); // first: what else is asked for meanwhile is refused, and leaves the page
    await request("/api/session", { method: "DELETE" }).catch(() => undefined);
    location.replace("/sign-in");
  };
  return html`<a href="/sign-in" onClick=${leave}>${S.head.sign_out}</a>`;
}

/** @param {{sounds: Sounds}} props */
function SoundLine({ sounds }) {
  const state = sounds.state();
  const sounding = sounds.pattern !== "silent" && state === "on";
  const told = sounding ? S.sound[/** @type {"fire"} */ (sounds.pattern)] : S.sound[state];
  return html`<p class=${sounding ? "sound sounding" : "sound"} data-sounding=${sounding ? sounds.pattern : "silent"}>
    <span>${told}</span>
    <button type="button" onClick=${() => sounds.want(state === "off")}>
      ${state === "off" ? S.sound.turn_on : S.sound.turn_off}
    </button>
  </p>`;
}

/** @param {{touch: Touch}} props */
function Foot({ touch }) {
  const { now, who } = touch;
  const known = who && who.name !== AT_THE_MACHINE;
  return html`<footer class="foot">
    <p class="safety">${S.foot.safety}</p>
    ${now && !now.owner && html`<p class="own">${S.foot.no_owner} <a href="#/people">${P.people}</a>.</p>`}
    ${known && html`<p class="own">${S.foot.signed_in(who.name, who.role)} ${who.role === "viewer" && S.foot.viewer} <${SignOut} /></p>`}
    ${now && html`<p class="small"><span class="printed">${S.foot.printed(location.href, whole(now.at))} </span>${S.hour.zone(zone())} ${S.foot.version(now.version)}</p>`}
  </footer>`;
}
