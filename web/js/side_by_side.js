/** Several chambers: each on a card with its sentence, what needs somebody, and the cut in small. */

import { Alarms } from "./alarms.js";
import { Nearby } from "./attendance.js";
import { Said, SHAPES, Unreal } from "./chamber.js";
import { foremost } from "./foremost.js";
import { nameOf } from "./guessed.js";
import { html } from "./html.js";
import { SwitchedOff } from "./quiet.js";
import { chamberAddress } from "./route.js";
import { Cut } from "./section.js";
import { Shape } from "./shapes.js";
import { StopNow } from "./stop.js";
import { S } from "./strings.js";
import { figure, height, symbol, words } from "./units.js";

/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Unit} Unit */

/**
 * Danger stands where it is seen without a thumb; the others keep their places, so that none jumps for less.
 * @template {Pick<Chamber, "tone">} T  @param {T[]} chambers @returns {T[]}
 */
export function dangerFirst(chambers) {
  return [...chambers.filter(({ tone }) => tone === "danger"), ...chambers.filter(({ tone }) => tone !== "danger")];
}

/**
 * `needy`: the chamber that needs somebody most; its foremost button is that of the page.
 * @param {{chambers: Chamber[], needy: Chamber, unit: Unit, dark: boolean, may: boolean, owner: boolean, when: string}} props
 */
export function SideBySide({ chambers, needy, unit, dark, may, owner, when }) {
  // What is true of all is said once.
  const [first] = chambers;
  const alike = chambers.every((of) => of.simulated === first.simulated && of.recorded === first.recorded && of.speed === first.speed);
  return html`<section class="side-by-side" aria-label=${S.head.jump}>
    ${alike && html`<p><${Unreal} chamber=${first} /></p>`}
    <ul>
      ${dangerFirst(chambers).map(
        (chamber, i) => html`<li key=${chamber.chamber} class=${chamber.tone}>
          <${Card} chamber=${chamber} alike=${alike} first=${i === 0} must=${chamber === needy ? foremost(chamber) : ""}
            unit=${unit} dark=${dark} may=${may} owner=${owner} when=${when} />
        </li>`,
      )}
    </ul>
  </section>`;
}

/**
 * @param {{chamber: Chamber, alike: boolean, first: boolean, must: string, unit: Unit, dark: boolean, may: boolean, owner: boolean, when: string}} props
 */
function Card({ chamber, alike, first, must, unit, dark, may, owner, when }) {
  const shape = SHAPES[/** @type {keyof typeof SHAPES} */ (chamber.tone)];
  const { job } = chamber;
  const says = `says-${chamber.chamber}`;
  const high = job?.height_mm ? `, ${height(job.height_mm)}` : "";
  return html`<article aria-labelledby=${says}>
    <p class="place">${chamber.name} ${!alike && html`<${Unreal} chamber=${chamber} />`}</p>
    <${first ? "h1" : "h2"} class=${`sentence ${chamber.tone}`} id=${says} tabindex="-1">
      ${shape && html`<${Shape} kind=${shape} />`}<span>${words(chamber.sentence, unit)}</span>
    <//>
    ${!chamber.calm && chamber.sub && html`<p class="sub">${words(chamber.sub, unit)}</p>`}
    <${Said} chamber=${chamber} unit=${unit} />
    <${StopNow} chamber=${chamber} may=${may} owner=${owner} must=${must} />
    <div class="needs">
      ${chamber.attendance?.asks && html`<${Nearby} chamber=${chamber} may=${may} must=${must} />`}
      <${Alarms} chamber=${chamber} unit=${unit} may=${may} when=${when} must=${must} />
    </div>
    <${SwitchedOff} chamber=${chamber} may=${may} />
    <p class="figures">${chamber.sensors.map(({ name, temperature_c }) => `${name} ${temperature_c === null ? "–" : `${figure(temperature_c, unit)} ${symbol(unit)}`}`).join(", ")}</p>
    <div class="section" aria-hidden="true">
      <${Cut} chamber=${chamber} unit=${unit} dark=${dark} marks=${[]} id=${`small-${chamber.chamber}`} />
    </div>
    ${job && html`<p class="small">${nameOf(job)}, ${S.job[job.state].toLowerCase()}${high}</p>`}
    <p><a class="way" href=${chamberAddress(chamber.chamber)}>${S.head.open(chamber.name)}</a></p>
  </article>`;
}
