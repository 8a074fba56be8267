/** Alarm tests: begin one, see how far it is, say what arrived, look at earlier ones. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { Act } from "./act.js";
import { post } from "./ask.js";
import { html } from "./html.js";
import { each } from "./past.js";
import { stepAddress } from "./route.js";
import { A as T } from "./strings_alarm_test.js";
import { H } from "./strings_hall.js";
import { J } from "./strings_telephones.js";
import { Twice } from "./twice.js";
import { moment, whole } from "./units.js";

/** @typedef {import("./types.js").Now} Now */
/** @typedef {import("./types.js").Tested} Tested */
/** @typedef {import("./types.js").AlarmTest} AlarmTest */
/** @typedef {import("./types.js").RouteTried} RouteTried */

const EARLIER = 20;
const SAYINGS = /** @type {const} */ (["heard", "silent", "nothing"]);

/**
 * On the first page: how the last test went, and the way to the next. That it isn't as it
 * has to be stands below the chamber's sentence already.
 * @param {{now: Now}} props
 */
export function TestedLine({ now }) {
  const { ready, text } = now.alarm_test;
  return html`<a class="way" href="#/alarm-test">${ready ? `${text}.` : T.go}</a>`;
}

/** @param {{now: Now, when: string, may: boolean, begins: boolean}} props  `when` changes when tests may have */
export function AlarmTests({ now, when, may, begins }) {
  const tested = now.alarm_test;
  const several = tested.chambers.length > 1;
  const [head, ...amiss] = tested.text.split("; "); // what isn't well, below the sentence
  return html`<section class="past alarm-test" aria-labelledby="alarm-test">
    <h1 id="alarm-test" class="sentence" tabindex="-1">${head}.</h1>
    ${amiss.length > 0 && html`<p><strong>${first(amiss.join("; "))}.</strong></p>`}
    <p class="sub">${now.hall ? T.intro_hall : T.intro}</p>
    ${tested.chambers.map(
      (of) => html`<${One} key=${of.chamber} of=${of} now=${now} may=${may} begins=${begins} when=${when} several=${several} />`,
    )}
  </section>`;
}

/** @param {{of: Tested, now: Now, may: boolean, begins: boolean, when: string, several: boolean}} props */
function One({ of, now, may, begins, when, several }) {
  const name = now.chambers.find((c) => c.chamber === of.chamber)?.name ?? of.chamber;
  const ways = of.people.reduce((sum, person) => sum + person.routes.length, 0);
  return html`<section aria-label=${now.hall ? now.hall.name : T.chamber(name)}>
    ${several && html`<h2>${T.chamber(name)}</h2><p>${of.text}.</p>`}
    ${begins &&
    !of.running &&
    html`<div class="acts">
      <${Twice} ask=${T.begin} question=${T.what(now.hall ? null : of.sounder, of.people.length, ways, of.people.filter(({ quiet }) => quiet).map(({ person }) => person))} yes=${T.yes} no=${T.no} kind=""
        work=${() => post("/api/alarm-tests", { chamber: of.chamber })} done=${() => undefined} />
    </div>`}
    ${of.people.length === 0 && html`<p>${now.hall ? H.nobody : html`<a class="way" href=${stepAddress("people")}>${J.name_one}</a>`}</p>`}
    ${of.people.length > 0 &&
    html`<h3>${T.told}</h3>
      <ul class="found">
        ${of.people.map(({ person, routes }) => html`<li key=${person}>${T.person(person, routes.join("; "))}</li>`)}
      </ul>`}
    ${of.test && html`<${Newest} test=${of.test} now=${now} may=${may} />`}
    <${Earlier} chamber=${of.chamber} newest=${of.test?.id ?? ""} when=${when} />
  </section>`;
}

/** @param {{test: AlarmTest, now: Now, may: boolean}} props */
function Newest({ test, now, may }) {
  const people = [...new Set(test.routes.map(({ person }) => person))];
  const open = test.phase === "running" || test.phase === "done";
  // One after the other: theirs stands out.
  const next = test.routes.find((route) => hasCome(route) && route.heard === null)?.person;
  const steps = test.steps.length === 4 ? T.passed : T.stopped(test.steps);
  return html`<h3>${T.newest(moment(test.at, now.at), test.by)}</h3>
    ${!open && html`<p><strong>${first(test.text)}.</strong></p>`}
    <table class="way-of-it" aria-live="polite">
      <thead><tr><th scope="col">${T.part}</th><th scope="col">${T.became}</th></tr></thead>
      <tbody>
        <${Row} part=${T.signs} text=${steps} />
        ${!now.hall && html`<${Row} part=${T.sounder} text=${test.sounder} /><${Row} part=${T.stop} text=${test.stop} />`}
        ${test.routes.map(
          (route) => html`<${Row} key=${`${route.person} ${route.route}`} part=${T.route(route.person, route.spoken)} text=${route.text} />`,
        )}
      </tbody>
    </table>
    ${open && people.length > 0 && html`<h3>${T.confirm}</h3>${test.routes.some(hasCome) && html`<p>${T.confirm_how}</p>`}`}
    ${open &&
    people.map(
      (person) => html`<${Person} key=${person} test=${test} person=${person} may=${may} next=${person === next} of_hall=${now.hall !== undefined}
        routes=${test.routes.filter((route) => route.person === person)} />`,
    )}`;
}

/** @param {{part: string, text: string}} props */
function Row({ part, text }) {
  return html`<tr><th scope="row">${part}</th><td>${first(text)}.</td></tr>`;
}

/**
 * Of what no server took nothing can have arrived; what somebody has said of it already stays.
 * @param {RouteTried} route
 */
function hasCome({ arrived, heard }) {
  return arrived || heard !== null;
}

/** @param {{test: AlarmTest, person: string, routes: RouteTried[], may: boolean, next: boolean, of_hall: boolean}} props */
function Person({ test, person, routes, may, next, of_hall }) {
  const said = new Set(routes.map(({ heard }) => heard));
  const came = routes.filter(hasCome);
  return html`<div class="confirm" role="group" aria-label=${person}>
    <p><strong>${T.to(person)}</strong>${" "}
      ${said.has("silent") && T.silent_todo} ${said.has("nothing") && (of_hall ? T.nothing_todo_hall : T.nothing_todo)}</p>
    ${!came.length && html`<p>${test.phase === "running" ? T.on_its_way : T.nobody_took}</p>
      ${test.phase !== "running" && html`<p class="acts"><a class="act" href="#/telephones">${T.join}</a> ${!of_hall && html`<a class="act slight" href=${stepAddress("people")}>${T.name_route}</a>`}</p>`}`}
    ${may && came.length > 0 && html`<${Sayings} test=${test} person=${person} said=${said.size === 1 ? [...said][0] : null} next=${next} />`}
    ${may &&
    came.length > 0 &&
    routes.length > 1 &&
    html`<details><summary>${T.one_by_one}</summary>
      ${came.map(
        (route) => html`<p key=${route.route}>${route.spoken}</p>
          <${Sayings} test=${test} person=${person} route=${route.route} said=${route.heard} />`,
      )}
    </details>`}
  </div>`;
}

/** @param {{test: AlarmTest, person: string, route?: string, said: RouteTried["heard"], next?: boolean}} props */
function Sayings({ test, person, route, said, next = false }) {
  const say = (/** @type {string} */ heard) => () =>
    post(`/api/alarm-tests/${encodeURIComponent(test.id)}/confirm`, { person, heard, ...(route ? { route } : {}) });
  return html`<div class="acts">
    ${SAYINGS.map(
      (heard) => html`<${Act} key=${heard} work=${say(heard)} kind=${next && said === null && heard === "heard" ? "must" : said === heard ? "said" : "slight"}>
        ${said === heard ? `✓ ${T[heard]}` : T[heard]}
      <//>`,
    )}
  </div>`;
}

/** @param {{chamber: string, newest: string, when: string}} props */
function Earlier({ chamber, newest, when }) {
  const [tests, setTests] = useState(/** @type {AlarmTest[]} */ ([]));
  const [failed, setFailed] = useState(false);
  useEffect(() => {
    let over = false;
    /** @type {AlarmTest[]} */
    const found = [];
    each(`/api/alarm-tests?chamber=${encodeURIComponent(chamber)}`, (test) => found.push(test)).then(
      () => over || (setTests(found.reverse()), setFailed(false)),
      () => over || setFailed(true),
    );
    return () => {
      over = true;
    };
  }, [chamber, when]);
  const earlier = tests.filter((/** @type {AlarmTest} */ { id }) => id !== newest).slice(0, EARLIER);
  if (failed) return html`<p class="refused" role="alert">${T.failed}</p>`;
  if (!earlier.length) return null;
  return html`<h3>${T.earlier}</h3>
    <ul class="noted">
      ${earlier.map((/** @type {AlarmTest} */ test) => html`<li key=${test.id}>${T.line(whole(test.at), test.by, test.text)}</li>`)}
    </ul>`;
}

/** With a large first letter. @param {string} text */
function first(text) {
  return `${text.slice(0, 1).toUpperCase()}${text.slice(1)}`;
}
