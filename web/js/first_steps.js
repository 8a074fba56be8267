/** What is still to be done before the service can be relied on, as it stands on the first page. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { get } from "./ask.js";
import { html } from "./html.js";
import { keep } from "./kept.js";
import { stepAddress } from "./route.js";
import { WHICH } from "./setup_which.js";
import { Shape } from "./shapes.js";
import { U } from "./strings_setting_up.js";
import { words } from "./units.js";

/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {{thing: string, state: "fit" | "unfit" | "not tried" | "none", told: string, remedy: string | null}} Found */

const EVERY_MS = 30_000;

/**
 * What was found, asked for anew while somebody looks; null so far, or for whoever may not ask.
 * @param {boolean} may  an owner
 * @param {string} when  changes when it may have changed
 * @returns {{found: Found[] | null, failed: boolean}}
 */
export function useFound(may, when) {
  const [found, setFound] = useState(/** @type {Found[] | null} */ (null));
  const [failed, setFailed] = useState(false);
  useEffect(() => {
    if (!may) return undefined;
    let over = false;
    const ask = () =>
      get("/api/setting-up").then(
        (answer) => over || (setFound(answer.items), setFailed(false)),
        () => over || setFailed(true),
      );
    ask();
    const timer = setInterval(() => document.hidden || ask(), EVERY_MS);
    return () => {
      over = true;
      clearInterval(timer);
    };
  }, [may, when]);
  return { found: may ? found : null, failed };
}

/** What asks for a hand: it is unfit, or isn't there and has a remedy. @param {Found} of */
export function isToDo(of) {
  return of.state === "unfit" || (of.state === "none" && of.remedy !== null);
}

/**
 * Short, as it stands above all else: whole while nobody owns the
 * service, later one line that leads to it.
 * @param {{found: Found[] | null, chambers: Chamber[], whole: boolean, unit: Unit, children?: unknown}} props  `children`: a way that always stands here
 */
export function FirstSteps({ found, chambers, whole, unit, children }) {
  const todo = (found ?? []).filter(isToDo);
  if (!todo.length) return html`<p class="first-steps onward-ways">${children}</p>`;
  const way = html`<a class="way" href="#/setting-up">${whole ? U.all : `${U.way}: ${U.to_do(todo.length).toLowerCase()}`}</a>`;
  if (!whole) return html`<p class="first-steps onward-ways">${way} ${children}</p>`;
  return html`<section class="first-steps" aria-labelledby="first-steps">
    <h2 id="first-steps">${U.way}: ${U.to_do(todo.length).toLowerCase()}</h2>
    <${ToDo} todo=${todo} chambers=${chambers} unit=${unit} />
    <p class="onward-ways">${way} ${children}</p>
  </section>`;
}

/** @param {{todo: Found[], chambers: Chamber[], unit: Unit}} props */
export function ToDo({ todo, chambers, unit }) {
  return html`<ol class="todo">
    ${todo.map(
      (of) => html`<li key=${of.thing}>
        <${Shape} kind=${of.state === "unfit" ? "supervisory" : "note"} />
        <p>
          <strong>${first(of.thing)}:</strong> ${words(of.told, unit)}.
          <span class="remedy"><a href=${page(of)} onClick=${() => choose(of, chambers)}>${first(of.remedy)}</a>.</span>
        </p>
      </li>`,
    )}
  </ol>`;
}

/** Where what the service found is mended, by the name of the thing; of several chambers their name stands before it. */
const MENDED = /** @type {[RegExp, string][]} */ ([
  [/^owner$/, "#/people"],
  [/^chamber file$/, stepAddress("box")],
  [/^other 1-Wire sensors$/, stepAddress("sensors")],
  [/(^|, )(particle )?sensor [^,]+$/, stepAddress("sensors")],
  [/(^|, )switch [^,]+$/, stepAddress("switches")],
  [/(^|, )camera$/, stepAddress("camera")],
  [/(^|, )telephones of [^,]+$/, "#/telephones"],
  [/(^|, )alarm test$/, "#/alarm-test"],
  [/(^|, )(messages|mail)$/, stepAddress("people")],
  [/(^|, )(stop of the machine|somebody near)$/, "#/"],
]);

/** On which page it is done; what is done at the board itself is seen where the watch tells of itself. @param {Found} of */
function page({ thing, remedy }) {
  if (thing === "chamber file" && remedy?.startsWith("read")) return "#/setting-up";
  return MENDED.find(([named]) => named.test(thing))?.[1] ?? "#/watch";
}

/** The steps of setting up are those of the chamber that it is about. @param {Found} of  @param {Chamber[]} chambers */
function choose({ thing }, chambers) {
  const found = chambers.find(({ name }) => thing.startsWith(`${name}, `));
  if (found) keep(WHICH, found.chamber);
}

/** With a large first letter. @param {string | null} text */
export function first(text) {
  return text ? `${text[0].toUpperCase()}${text.slice(1)}` : "";
}
