/** A job that a person begins: what is built, of what, on which machine, by which toolpath. */

import { useEffect, useId, useState } from "../vendor/preact-hooks.js";
import { leave, Refused, useFocus, useWork } from "./act.js";
import { get, post } from "./ask.js";
import { html } from "./html.js";
import { keep, recall } from "./kept.js";
import { Offered } from "./materials.js";
import { S } from "./strings.js";
import { whole } from "./units.js";

/** @typedef {import("./types.js").Toolpath} Toolpath */

const MOST = 1000;
const T = S.job;

/**
 * A job that begins now, perhaps by one of the toolpaths that are there. `of`: that one.
 * @param {{chamber: string, of?: Toolpath, begun: (job: string) => void, leave: () => void}} props
 */
export function NewJob({ chamber, of, begun, leave: left }) {
  const ready = useReady(!of);
  const [toolpath, setToolpath] = useState(of?.id ?? "");
  const [told, setTold] = useState({
    name: of ? of.name.replace(/\.[A-Za-z0-9]{1,5}$/, "") : "",
    material: recall("material") ?? "",
    machine: recall("machine") ?? "",
  });
  const { busy, error, run, refuse } = useWork();
  const first = useFocus();
  const id = useId();
  const field = (/** @type {"name" | "material" | "machine"} */ key) => ({
    id: `${id}-${key}`,
    value: told[key],
    maxlength: 200,
    onInput: (/** @type {any} */ event) => setTold({ ...told, [key]: event.target.value }),
  });
  return html`<form
    class="aside"
    novalidate
    onKeyDown=${leave(left)}
    onSubmit=${async (/** @type {Event} */ event) => {
      event.preventDefault();
      if (!told.name.trim()) {
        refuse(T.name_empty);
        first.current?.focus();
        return;
      }
      let job = "";
      const ask = { ...told, chamber, toolpath: toolpath || null };
      if (!(await run(async () => ({ id: job } = await post("/api/jobs", ask))))) return;
      keep("material", told.material);
      keep("machine", told.machine);
      begun(job);
    }}
  >
    <label for=${`${id}-name`}>${T.name}</label>
    <input ...${field("name")} ref=${first} required autocomplete="off" />
    <label for=${`${id}-material`}>${T.material}</label>
    <input ...${field("material")} list=${`${id}-materials`} autocomplete="off" autocapitalize="characters" />
    <${Offered} id=${`${id}-materials`} />
    <label for=${`${id}-machine`}>${T.machine}</label>
    <input ...${field("machine")} autocomplete="off" />
    ${ready.length > 0 &&
    html`<label for=${`${id}-toolpath`}>${T.toolpath}</label>
      <select id=${`${id}-toolpath`} value=${toolpath} onChange=${(/** @type {any} */ event) => setToolpath(event.target.value)}>
        <option value="">${T.no_toolpath}</option>
        ${ready.map((each) => html`<option key=${each.id} value=${each.id}>${each.name}, ${whole(each.at)}</option>`)}
      </select>`}
    <div class="acts">
      <button type="submit" class="act" aria-disabled=${busy}>${busy ? T.sending : T.begin}</button>
      <button type="button" class="act slight" onClick=${left}>${T.cancel}</button>
    </div>
    <${Refused} error=${error} />
  </form>`;
}

/** The toolpaths that a job can follow, the newest first. @param {boolean} wanted  @returns {Toolpath[]} */
function useReady(wanted) {
  const [ready, setReady] = useState(/** @type {Toolpath[]} */ ([]));
  useEffect(() => {
    let over = false;
    if (wanted)
      get(`/api/toolpaths?limit=${MOST}`).then(
        ({ items }) => over || setReady(items.filter((/** @type {Toolpath} */ of) => of.state === "ready").reverse()),
        () => {}, // a job can begin without one, and be given it later
      );
    return () => {
      over = true;
    };
  }, [wanted]);
  return ready;
}
