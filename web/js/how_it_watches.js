/** How the watch itself is: what is wrong first, then each part. For everybody who may see. */

import { useEffect, useState } from "../vendor/preact-hooks.js";
import { get } from "./ask.js";
import { first } from "./first_steps.js";
import { html } from "./html.js";
import { later } from "./later.js";
import { Shape } from "./shapes.js";
import { S } from "./strings.js";
import { W } from "./strings_watch.js";
import { moment, words } from "./units.js";

/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {{part: string, thing: string, how: "wrong" | "look" | "well", told: string, since_at: string | null, todo: string | null, sounder: string | null}} Told */

const TrySounder = later(() => import("./try_sounder.js"), "TrySounder", "");
const EVERY_MS = 30_000;

/** @param {{unit: Unit, when: string, at: string, owner: boolean}} props  `when` changes when it may have */
export function HowItWatches({ unit, when, at, owner }) {
  const [told, setTold] = useState(/** @type {Told[] | null} */ (null));
  const [failed, setFailed] = useState(false);
  useEffect(() => {
    let over = false;
    const ask = () =>
      get("/api/watch").then(
        (answer) => over || (setTold(answer.items), setFailed(false)),
        () => over || setFailed(true),
      );
    ask();
    const seen = () => document.hidden || ask(); // at once by whoever comes back to it
    const timer = setInterval(seen, EVERY_MS);
    document.addEventListener("visibilitychange", seen);
    return () => {
      over = true;
      clearInterval(timer);
      document.removeEventListener("visibilitychange", seen);
    };
  }, [when]);
  if (!told) {
    return html`<section class="past"><h1 class="sentence">${S.head.watch}</h1>
      <p class="waiting" role=${failed ? "alert" : "status"}>${failed ? `${W.failed}. ${W.again}` : W.loading}</p></section>`;
  }
  const wrong = told.filter(({ how }) => how === "wrong");
  const rest = told.filter(({ how }) => how !== "wrong");
  const look = rest.filter(({ how }) => how === "look");
  return html`<section class="past watch-lines" aria-labelledby="watch">
    <h1 id="watch" class="sentence" tabindex="-1">${failed ? W.failed : W.says(wrong.length, look.length)}.</h1>
    <p class="sub" role=${failed ? "alert" : undefined}>${failed ? `${W.again} ${W.older}` : W.how}</p>
    ${wrong.length > 0 && html`<h2>${W.wrong}</h2><${Lines} told=${wrong} unit=${unit} at=${at} owner=${owner} />`}
    ${Object.entries(W.parts).map(([part, name]) => {
      const own = rest.filter((each) => each.part === part);
      return own.length > 0 && html`<h2 key=${part}>${name}</h2><${Lines} key=${`${part} lines`} told=${own} unit=${unit} at=${at} owner=${owner} />`;
    })}
  </section>`;
}

/** @param {{told: Told[], unit: Unit, at: string, owner: boolean}} props */
function Lines({ told, unit, at, owner }) {
  return html`<ul class="todo">
    ${told.map(
      (each) => html`<li key=${`${each.thing} ${each.told}`} class=${each.how}>
        ${each.how !== "well" && html`<${Shape} kind=${each.how === "wrong" ? "trouble" : "note"} />`}
        <p>
          <strong>${first(each.thing)}:</strong> ${words(each.told, unit)}.
          ${each.since_at && ` ${(each.how === "wrong" || each.part === "camera" ? W.since : W.of)(moment(each.since_at, at))}`}
          ${each.todo && html` <span class="remedy">${first(each.todo)}.</span>`}
          ${owner && each.sounder && html` <${TrySounder} chamber=${each.sounder} />`}
        </p>
      </li>`,
    )}
  </ul>`;
}
