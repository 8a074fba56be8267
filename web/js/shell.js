/** Commands as they work when pasted into a shell on the board. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { get } from "./ask.js";
import { html } from "./html.js";

/** @typedef {{program: string, option: string}} Shell */

/** @type {Promise<Shell> | undefined} */
let asked;

/** A command of this service's own program, with its folder. @param {{words: string}} props */
export function Command({ words }) {
  const [shell, setShell] = useState(/** @type {Shell} */ ({ program: "stillair", option: "" }));
  useEffect(() => {
    asked ??= get("/api/session/shell");
    asked.then(setShell).catch(() => {
      asked = undefined; // the short form stays, and the next one asks again
    });
  }, []);
  return html`<code class="command">${[shell.program, words, shell.option].filter(Boolean).join(" ")}</code>`;
}
