/** The telephones of people: join this one, list, try and remove them. */

import { useEffect, useId, useState } from "../vendor/preact-hooks.js";
import { Act, Refused, useWork } from "./act.js";
import { get, post } from "./ask.js";
import { html } from "./html.js";
import { join, leave, ownId, way } from "./joining.js";
import { keep, recall } from "./kept.js";
import { stepAddress } from "./route.js";
import { Command } from "./shell.js";
import { J } from "./strings_telephones.js";
import { Twice } from "./twice.js";
import { whole } from "./units.js";

/** @typedef {{id: string, person: string, label: string, added_at: string, last_ok_at: string | null, failing: string}} Telephone */
/** @typedef {{items: Telephone[], people: string[]}} All */

const TRIAL_MS = 15_000; // the service gives up after some ten seconds

/** @param {{may: boolean}} props  may: an operator */
export function Telephones({ may }) {
  const [all, setAll] = useState(/** @type {All | null} */ (null));
  const [failed, setFailed] = useState("");
  const [own, setOwn] = useState(/** @type {string | null} */ (null));
  const [turn, setTurn] = useState(0);
  useEffect(() => {
    let over = false;
    ownId().then(
      (id) => over || setOwn(id),
      () => over || setOwn(null),
    );
    get("/api/telephones").then(
      (answer) => over || (setAll(answer), setFailed("")),
      (error) => over || setFailed(error.message),
    );
    return () => {
      over = true;
    };
  }, [turn]);
  const again = () => setTurn((/** @type {number} */ n) => n + 1);
  const here = all?.items.find((/** @type {Telephone} */ each) => each.id === own);
  return html`<section class="past people telephones" aria-labelledby="telephones">
    <h1 id="telephones" class="sentence">${here ? J.joined(here.person) : J.not_joined}</h1>
    <p class="sub">${J.how}</p>
    ${failed && html`<p class="refused" role="alert">${J.failed} ${failed}</p>`}
    ${!all && !failed && html`<p class="waiting">${J.loading}</p>`}
    ${all && html`<${Here} all=${all} here=${here} may=${may} again=${again} />`}
    ${all && html`<h2>${J.list}</h2>
      ${all.items.length === 0 && html`<p>${J.none}</p>`}
      <ul class="noted">
        ${all.items.map(
          (/** @type {Telephone} */ each) => html`<${One} key=${each.id} of=${each} here=${each === here} may=${may} again=${again} />`,
        )}
      </ul>`}
    <h2>${J.heard}</h2>
    <p>${J.heard_try}</p>
    <ul class="noted"><li>${J.android}</li><li>${J.apple}</li></ul>
    <p>${J.aid}</p>
  </section>`;
}

/** @param {{all: All, here: Telephone | undefined, may: boolean, again: () => void}} props */
function Here({ all, here, may, again }) {
  const [stands, setStands] = useState(/** @type {import("./joining.js").Way | null} */ (null));
  const look = () => way().then(setStands);
  useEffect(() => {
    look();
  }, []);
  return html`<h2>${J.here}</h2>
    ${all.people.length === 0
      ? html`<p>${J.nobody}</p>
          <p><a class="way" href=${stepAddress("people")}>${J.name_one}</a></p>`
      : !may
        ? html`<p>${J.viewer}</p>`
        : stands === "ready"
          ? html`<${Join} people=${all.people} here=${here} done=${again} failed=${look} />`
          : stands && html`<${InTheWay} of=${stands} />`}`;
}

/** What has to be done on this telephone first. @param {{of: import("./joining.js").Way}} props */
function InTheWay({ of }) {
  return html`<p class="refused">${J.ways[of]}</p>
    ${of === "insecure" && html`<p><${Command} words="certificate make" /></p>`}
    ${(of === "untrusted" || of === "insecure") && html`<p><a href="/trust">${J.trust}</a></p>`}`;
}

/** @param {{people: string[], here: Telephone | undefined, done: () => void, failed: () => void}} props */
function Join({ people, here, done, failed }) {
  const { busy, error, run } = useWork();
  const id = useId();
  const known = here?.person ?? recall("person");
  const first = known !== null && people.includes(known) ? known : people[0];
  const [person, setPerson] = useState(first);
  const submit = async (/** @type {SubmitEvent} */ event) => {
    event.preventDefault();
    const form = /** @type {HTMLFormElement} */ (event.currentTarget);
    const label = String(new FormData(form).get("label")).trim() || J.usual(person);
    const went = await run(() => join(person, label));
    if (went) keep("person", person);
    (went ? done : failed)();
  };
  return html`<form class="aside" onSubmit=${submit}>
    <label for=${`${id}-who`}>${J.who}</label>
    <select id=${`${id}-who`} onChange=${(/** @type {Event} */ event) =>
      setPerson(/** @type {HTMLSelectElement} */ (event.currentTarget).value)}>
      ${people.map((each) => html`<option value=${each} selected=${each === person}>${each}</option>`)}
    </select>
    <label for=${`${id}-name`}>${J.name}</label>
    <input id=${`${id}-name`} name="label" maxlength="60" autocomplete="off" placeholder=${J.usual(person)}
      defaultValue=${here?.label ?? ""} />
    <div class="acts"><button class="act must" type="submit" aria-disabled=${busy}>${here ? J.again : J.join}</button></div>
    <${Refused} error=${error} />
  </form>`;
}

/** @param {{of: Telephone, here: boolean, may: boolean, again: () => void}} props */
function One({ of, here, may, again }) {
  const [told, setTold] = useState("");
  const trial = async () => {
    setTold("");
    const answer = await post(`/api/telephones/${of.id}/trial`, undefined, { wait_ms: TRIAL_MS });
    setTold(answer.taken ? J.sent(answer.told) : J.not_sent(answer.told));
  };
  return html`<li>
    <b>${of.label}</b> ${J.of(of.person)}. ${here && `${J.this_one} `}${J.since(whole(of.added_at))}${" "}
    ${of.last_ok_at ? J.last(whole(of.last_ok_at)) : J.never}
    ${of.failing && html` <span class="refused">${J.failing(of.failing)}</span>`}
    <p role="status">${told}</p>
    ${may &&
    html`<div class="acts">
      <${Act} kind="slight" work=${trial} done=${again}>${J.trial}<//>
      <${Twice} ask=${J.remove} question=${J.remove_really(of.label)} yes=${J.yes} no=${J.no}
        work=${() => leave(of.id)} done=${again} />
    </div>`}
  </li>`;
}
