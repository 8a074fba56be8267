/** What was found on this board, and what to do next: the first thing that who sets it up looks for. */

import { Archive } from "./archive.js";
import { ToDo, first, isToDo } from "./first_steps.js";
import { html } from "./html.js";
import { keep } from "./kept.js";
import { STEPS, stepAddress } from "./route.js";
import { Gone, Returned, Undo, Writing, useFiles } from "./setup_file.js";
import { ANOTHER, WHICH } from "./setup_which.js";
import { Command } from "./shell.js";
import { G } from "./strings_setup.js";
import { U } from "./strings_setting_up.js";
import { words } from "./units.js";

/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./first_steps.js").Found} Found */

/** @param {{found: Found[] | null, failed: boolean, now: import("./types.js").Now, unit: Unit, when: string}} props */
export function SettingUp({ found, failed, now, unit, when }) {
  const { files, failed: unread, again } = useFiles(when);
  // Both at once: or what comes later would push down what somebody reads by then.
  if (!found || (!files && !unread)) {
    return html`<section class="past"><h1 class="sentence">${U.way}</h1>
      <p class="waiting">${failed ? U.failed : U.loading}</p></section>`;
  }
  const todo = found.filter(isToDo);
  const fit = found.filter((of) => of.state === "fit");
  const others = found.filter((of) => of.state !== "fit" && !isToDo(of));
  return html`<section class="past setting-up" aria-labelledby="setting-up">
    <h1 id="setting-up" class="sentence" tabindex="-1">${U.to_do(todo.length)}</h1>
    <p class="sub">${failed ? U.failed : U.how}</p>
    ${files && html`<${TheFiles} files=${files} again=${again} unit=${unit} />`}
    ${todo.length > 0 && html`<h2>${U.todo}</h2><${ToDo} todo=${todo} chambers=${now.chambers} unit=${unit} />`}
    ${fit.length > 0 && html`<h2>${U.fit}</h2><${Lines} found=${fit} unit=${unit} />`}
    ${others.length > 0 && html`<h2>${U.others}</h2><${Lines} found=${others} unit=${unit} />`}
    <details><summary>${U.all_head}</summary><p class="small">${U.all_told} <${Command} words=${`inspect${(files?.items ?? []).some((each) => each.simulated) ? "" : (files?.items ?? []).map((each) => ` --chamber ${each.file}`).join("")}`} /></p></details>
    <${Archive} />
  </section>`;
}

/**
 * The way into the steps, what they write, and taking it back.
 * @param {{files: import("./setup_file.js").Files, again: () => Promise<unknown>, unit: Unit}} props
 */
function TheFiles({ files, again, unit }) {
  return html`<${Returned} files=${files} unit=${unit} done=${again} />
    ${files.items.map((file) => {
      if (file.simulated) {
        return html`<p>${G.begin_how}</p>
          <p class="acts"><a class="act must" href=${stepAddress(STEPS[0])}>${G.begin}</a></p>`;
      }
      return html`<h2>${G.file.head}${files.items.length > 1 ? `: ${file.settings?.name ?? file.chamber}` : ""}</h2>
        <details><summary>${G.file.where_head}</summary><p>${G.file.where(file.file)}</p></details>
        ${file.fixed && html`<p>${file.fixed}</p>`}
        ${file.faults.length > 0 && html`<p class="refused">${G.faults(file.file)}</p><ul class="found">${file.faults.map((fault) => html`<li key=${fault}>${fault}</li>`)}</ul>`}
        <nav class="parts" aria-label=${G.file.change}>${STEPS.slice(0, -1).map((step) => html`<a class="act" key=${step} href=${stepAddress(step)} onClick=${() => keep(WHICH, file.chamber)}>${G.names[step]}</a>`)}</nav>
        <${Undo} file=${file} files=${files} unit=${unit} done=${again} />
        ${files.items.length > 1 && html`<${Writing} file=${file} files=${files} changes=${[{ do: "remove chamber" }]} unit=${unit} done=${again}
          say=${G.another.remove(file.settings?.name ?? file.chamber)} kind="slight" yes=${G.another.remove_yes} />`}`;
    })}
    <${Gone} files=${files} unit=${unit} done=${again} />
    ${files.another && html`<p>${G.another.how}</p>
      <p><a class="act" href=${stepAddress(STEPS[0])} onClick=${() => keep(WHICH, ANOTHER)}>${G.another.add}</a></p>`}
    ${files.another_why && html`<p class="small">${G.another.none} ${files.another_why}</p>`}`;
}

/** @param {{found: Found[], unit: Unit}} props */
function Lines({ found, unit }) {
  return html`<ul class="found">
    ${found.map((of) => html`<li key=${of.thing}><strong>${first(of.thing)}:</strong> ${words(of.told, unit)}.</li>`)}
  </ul>`;
}
