/** The lower half of a job's page, which comes after its line of time: its layers, heights, pictures, films, and what can be done with it. */

import { BoxSaid } from "./came_out.js";
import { Chapter } from "./chapters.js";
import { Clips } from "./clips.js";
import { Erase } from "./erase.js";
import { AtHeight } from "./heights.js";
import { html } from "./html.js";
import { paperAddress } from "./route.js";
import { RulerWeather } from "./ruler.js";
import { Command } from "./shell.js";
import { useTurns } from "./settled.js";
import { Stills } from "./stills.js";
import { S } from "./strings.js";
import { R } from "./strings_report.js";
import { JobToolpath } from "./toolpaths.js";
import { words } from "./units.js";
import { WhatIf } from "./what_if.js";

/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Columns} Columns */
/** @typedef {import("./types.js").Heights} Heights */
/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").Story} Story */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./heights.js").Found} Found */

const PARTS = 4;
const T = S.look_back;

/**
 * One part a turn, from the top. `mended` and `again` are told what was put right, `leaving` that
 * the job is being erased, `erased` that its pictures are gone.
 * @param {{job: Job, columns: Columns, heights: Heights | null, chamber: Chamber | undefined, now: string, stories: Story[],
 *   told: import("./stories.js").Line[], unit: Unit, may: boolean, owner: boolean, pictured: string,
 *   found: Found | null, setFound: (found: Found | null) => void, again: () => void, mended: () => void,
 *   look: (at_s: number) => void, pointed: {current: import("./axis.js").Pointed}, good: any,
 *   leaving: (is: boolean) => void, erased: () => void}} props
 */
export function Closer({ job, columns, heights, chamber, now, stories, told, unit, may, owner, pictured, found, setFound, again, mended, look, pointed, good, leaving, erased }) {
  const turns = useTurns(PARTS);
  const { id } = job;
  return html`<${RulerWeather} key=${`weather ${id}`} job=${job} heights=${heights} unit=${unit} now=${now} stories=${stories} told=${told} may=${may} changed=${mended} look=${look} pointed=${pointed} sought_mm=${found?.height_mm ?? null} />
    ${turns > 1 &&
    html`<${AtHeight} key=${`height ${id}`} job=${job} heights=${heights} found=${found} setFound=${setFound} again=${again} may=${may} unit=${unit} now=${now} when=${pictured} look=${look} />
      <${JobToolpath} key=${`toolpath ${id}`} job=${job} may=${may} changed=${again} heights=${heights} pointed=${pointed} />`}
    ${turns > 2 &&
    html`<${Stills} key=${`stills ${id}`} job=${id} began=${job.started_at} when=${pictured} pointed=${pointed} />
      <${Clips} key=${`films ${id}`} job=${job} when=${pictured} owner=${owner} look=${look} />
      ${good}`}
    ${turns > 3 &&
    html`${job.diagnosis && html`<${Chapter} name="box" kind="stories box" heading=${T.box} gist=${words(job.diagnosis.text ?? "", unit)}><${BoxSaid} job=${job} unit=${unit} whole /><//>`}
      ${may && chamber && columns.time_s.length > 0 && html`<${WhatIf} key=${id} job=${job} chamber=${chamber} />`}
      <${Chapter} name="take" kind="taking" heading=${owner ? T.take_or_erase : T.take}>
        <${TakeAlong} job=${job} />
        ${owner && html`<${Erase} job=${job} leaving=${leaving} erased=${erased} />`}
      <//>`}`;
}

/** On the page of a job: the ways to take it along. @param {{job: Job}} props */
function TakeAlong({ job }) {
  return html`<p class="onward-ways"><a class="way" href=${paperAddress(job.id)}>${R.paper}</a>${" "}
    <a class="way" href=${`/api/jobs/${encodeURIComponent(job.id)}/file`} download>${R.take}</a></p>
    <p class="small">${R.take_what}</p>
    <details>
      <summary>${R.readings}</summary>
      <p><${Command} words=${`export ${job.id} --to ${job.id}.csv`} /></p>
    </details>`;
}
