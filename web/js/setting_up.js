/** What was found on this board, and what to do next: the first thing that who sets it up looks for. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { Archive } from "./archive.js";
import { get } from "./ask.js";
import { html } from "./html.js";
import { STEPS, stepAddress } from "./route.js";
import { Returned, Undo, useFiles } from "./setup_file.js";
import { Shape } from "./shapes.js";
import { Command } from "./shell.js";
import { G } from "./strings_setup.js";
import { U } from "./strings_setting_up.js";
import { words } from "./units.js";

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

/** @param {{found: Found[] | null, failed: boolean, unit: Unit, when: string}} props */
export function SettingUp({ found, failed, unit, when }) {
  if (!found) {
    return html`<section class="past"><h1 class="sentence">${U.way}</h1>
      <p class="waiting">${failed ? U.failed : U.loading}</p></section>`;
  }
  const todo = found.filter(isToDo);
  const fit = found.filter((of) => of.state === "fit");
  const others = found.filter((of) => of.state !== "fit" && !isToDo(of));
  return html`<section class="past setting-up" aria-labelledby="setting-up">
    <h1 id="setting-up" class="sentence" tabindex="-1">${U.to_do(todo.length)}</h1>
    <p class="sub">${failed ? U.failed : U.how}</p>
    <${TheFiles} when=${when} unit=${unit} />
    ${todo.length > 0 && html`<h2>${U.todo}</h2><${ToDo} todo=${todo} unit=${unit} />`}
    ${fit.length > 0 && html`<h2>${U.fit}</h2><${Lines} found=${fit} unit=${unit} />`}
    ${others.length > 0 && html`<h2>${U.others}</h2><${Lines} found=${others} unit=${unit} />`}
    <p class="small">${U.all_told} <${Command} words="inspect --chamber FILE" /></p>
    <${Archive} />
  </section>`;
}

/** The way into the steps, what they write, and taking it back. @param {{when: string, unit: Unit}} props */
function TheFiles({ when, unit }) {
  const { files, again } = useFiles(when);
  if (!files) return null;
  return html`<${Returned} files=${files} unit=${unit} done=${again} />
    ${files.items.map((file) => {
      if (file.simulated) {
        return html`<p>${G.begin_how}</p>
          <p><a class="act must" href=${stepAddress(STEPS[0])}>${G.begin}</a></p>`;
      }
      return html`<h2>${G.file.head}${files.items.length > 1 ? `: ${file.settings?.name ?? file.chamber}` : ""}</h2>
        <p>${G.file.where(file.file)}</p>
        ${file.fixed && html`<p>${file.fixed}</p>`}
        ${file.faults.length > 0 && html`<p class="refused">${G.faults(file.file)}</p><ul class="found">${file.faults.map((fault) => html`<li key=${fault}>${fault}</li>`)}</ul>`}
        <p>${G.file.change} ${STEPS.slice(0, -1).map((step) => html`<a class="way" key=${step} href=${stepAddress(step)}>${G.names[step]}</a> `)}</p>
        <${Undo} file=${file} files=${files} unit=${unit} done=${again} />`;
    })}`;
}

/**
 * The same on the first page, where it is short: whole while nobody owns the
 * service, later one line that leads to it.
 * @param {{found: Found[] | null, whole: boolean, unit: Unit}} props
 */
export function FirstSteps({ found, whole, unit }) {
  const todo = (found ?? []).filter(isToDo);
  if (!todo.length) return null;
  const way = html`<a class="way" href="#/setting-up">${whole ? U.all : `${U.way}: ${U.to_do(todo.length).toLowerCase()}`}</a>`;
  if (!whole) return html`<p class="first-steps">${way}</p>`;
  return html`<section class="first-steps" aria-labelledby="first-steps">
    <h2 id="first-steps">${U.way}: ${U.to_do(todo.length).toLowerCase()}</h2>
    <${ToDo} todo=${todo} unit=${unit} />
    ${way}
  </section>`;
}

/** @param {{todo: Found[], unit: Unit}} props */
export function ToDo({ todo, unit }) {
  return html`<ol class="todo">
    ${todo.map(
      (of) => html`<li key=${of.thing}>
        <${Shape} kind=${of.state === "unfit" ? "supervisory" : "note"} />
        <p>
          <strong>${first(of.thing)}:</strong> ${words(of.told, unit)}.
          <span class="remedy">${page(of) ? html`<a href=${page(of)}>${first(of.remedy)}</a>` : first(of.remedy)}.</span>
        </p>
      </li>`,
    )}
  </ol>`;
}

/** @param {{found: Found[], unit: Unit}} props */
function Lines({ found, unit }) {
  return html`<ul class="found">
    ${found.map((of) => html`<li key=${of.thing}><strong>${first(of.thing)}:</strong> ${words(of.told, unit)}.</li>`)}
  </ul>`;
}

/** On which page it is done, if on one. @param {Found} of */
function page({ thing, remedy }) {
  if (thing === "owner") return "#/people";
  if (thing === "chamber file") return remedy?.startsWith("read") ? "#/setting-up" : stepAddress("box");
  if (thing === "other 1-Wire sensors") return stepAddress("sensors");
  if (/(^|: )telephones of /.test(thing)) return "#/telephones";
  return thing.endsWith("alarm test") ? "#/alarm-test" : "";
}

/** With a large first letter. @param {string | null} text */
export function first(text) {
  return text ? `${text[0].toUpperCase()}${text.slice(1)}` : "";
}
