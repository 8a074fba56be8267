/** The camera of a chamber: chosen, looked through, aimed, and only then written. */

import { useEffect, useId, useRef, useState } from "../vendor/preact-hooks.js";
import { Refused, useFocus, useWork } from "./act.js";
import { AskError, get, post, remove, request } from "./ask.js";
import { first } from "./first_steps.js";
import { html } from "./html.js";
import { Picture } from "./picture.js";
import { changesOf, leaving, taking, typing } from "./setup_draft.js";
import { Wrong, fieldId } from "./setup_fields.js";
import { useFinding } from "./setup_sensors.js";
import { G } from "./strings_setup.js";
import { words } from "./units.js";

/** @typedef {import("./types.js").Now} Now */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./setup_file.js").ChamberFile} ChamberFile */
/** @typedef {import("./setup_draft.js").Draft} Draft */
/** @typedef {import("./setup_sensors.js").Finding} Finding */
/** @typedef {import("./first_steps.js").Found} Found */
/** @typedef {{fit: boolean, told: string, advice: {fault: string, said: string, todo: string}[], sides: {name: string, told: string}[]}} View */
/** @typedef {{trial: string | null, watched_by: string | null, told: string, todo: string, state: "opening" | "showing" | "failed" | "over", pictures: number, frames_per_s: number | null, settling: boolean, view: View | null}} Trial */

const T = G.camera;
const EVERY_MS = 500;

/** @param {{draft: Draft, change: import("./setup_steps.js").Change, file: ChamberFile, unit: Unit, now: Now, found: Found[] | null, in_touch: boolean, stop: import("./setup_draft.js").Stop | null}} props */
export function Camera({ draft, change, file, unit, now, found, in_touch, stop }) {
  const id = useId();
  const finding = useFinding();
  const source = draft.typed.camera?.source ?? "";
  const taken = draft.more.find((each) => each.do === "camera")?.source ?? "";
  const look = useTrial(file, changesOf({ ...draft, more: draft.more.filter((each) => each.do !== "camera") }, file.settings));
  const chamber = now.chambers.find((each) => each.chamber === file.chamber);
  const view = found?.find((each) => /(^|, )camera$/.test(each.thing));
  const in_use = file.settings?.camera ?? null;
  const choose = (/** @type {string} */ text) => {
    change({ ...leaving(draft, "camera"), ...typing(draft, "camera", { source: text }) });
    look.forget();
  };
  const take = async () => {
    await look.close();
    change((/** @type {Draft} */ last) => ({ ...taking(last, { do: "camera", source: source.trim() }), ...typing(last, "camera", undefined) }));
  };
  return html`<p class="sub">${T.how}</p>
    ${in_use && html`<p>${T.now(in_use)}</p>`}
    ${in_use && chamber && html`<${Picture} chamber=${chamber} in_touch=${in_touch} may=${false} />
      <p>${T.point}</p>
      ${view && html`<p><strong>${T.says}</strong> ${words(view.told, unit)}. ${view.remedy && `${first(view.remedy)}.`}</p>`}`}
    <fieldset class="among"><legend>${T.plugged}</legend>
      ${finding && !finding.cameras.length && html`<p>${T.none}</p>`}
      ${finding?.cameras.map(
        (path) => html`<label key=${path}><input type="radio" name=${id} checked=${(source || taken) === path} onChange=${() => choose(path)} />
          <span>${named(path, finding)}<small>${path}</small></span></label>`,
      )}
    </fieldset>
    <div class="fields">
      <label for=${fieldId("camera")}>${T.address}</label>
      <input id=${fieldId("camera")} type="text" maxlength="1000" autocomplete="off" autocapitalize="off" spellcheck=${false} value=${source} aria-describedby=${`${id}-how`}
        onInput=${(/** @type {any} */ event) => choose(event.target.value)} />
      <p id=${`${id}-how`} class="small">${T.address_how}</p>
    </div>
    ${source.trim() && !taken && !file.fixed && html`<div class="acts" id=${fieldId("take-camera")} tabindex="-1">
      ${look.runs
        ? html`<button type="button" class="act" onClick=${look.close}>${T.stop}</button>`
        : html`<button type="button" class="act" aria-disabled=${look.busy} onClick=${() => look.open(source.trim())}>${T.look}</button>`}
      ${!look.runs && look.trial?.watched_by !== file.chamber && html`<button type="button" class="act slight" onClick=${take}>${T.unseen}</button>`}
      <${Refused} error=${look.error} />
    </div>`}
    <${Wrong} stop=${stop} field="take-camera" />
    ${look.trial && html`<${Shown} trial=${look.trial} picture=${look.picture} taken=${taken !== ""} take=${take}
      elsewhere=${now.chambers.find((each) => each.chamber === look.trial?.watched_by && each.chamber !== file.chamber)} in_touch=${in_touch} />`}
    ${taken && html`<${Taken} name=${finding ? named(taken, finding) : ""} />
      <div class="acts"><button type="button" class="act slight" onClick=${() => choose("")}>${T.leave}</button></div>`}
    ${file.fixed && html`<p class="aside">${file.fixed}</p>`}`;
}

/** What a camera calls itself; an address may be secret, and stays as it was typed. @param {string} source @param {Finding} finding */
function named(source, finding) {
  return finding.camera_names[source] || source.replace(/^(\w+:\/\/)[^/]*@/, "$1").replace(/\?.*/, "").replace(/^\/dev\/.*\//, "");
}

/** Where the focus goes once the button that was pressed is gone. @param {{name: string}} props */
function Taken({ name }) {
  const place = useFocus();
  return html`<p class="taken" tabindex="-1" ref=${place}><strong>${T.taken(name)}</strong></p>`;
}

/**
 * A look through a camera: opened, kept going while somebody looks, and closed.
 * @param {ChamberFile} file  @param {object[]} changes  those of the file besides
 */
function useTrial(file, changes) {
  const [trial, setTrial] = useState(/** @type {Trial | null} */ (null));
  const [picture, setPicture] = useState("");
  const { busy, error, run } = useWork();
  const address = useRef("");
  const asked = useRef(0); // what is answered to an older question counts no more
  const opened = useRef(/** @type {string | null} */ (null));
  const show = (/** @type {string} */ next) => {
    const before = address.current;
    address.current = next;
    setPicture(next);
    if (before) setTimeout(() => URL.revokeObjectURL(before), 1_000); // when the new one is painted
  };
  const close = async () => {
    const open = opened.current;
    opened.current = null;
    asked.current += 1;
    setTrial((last) => (last?.state === "showing" ? { ...last, state: "over", told: "" } : last?.state === "over" ? last : null));
    // It closes by itself as well, only later.
    if (open) await remove(`/api/camera-trials/${open}`).catch(() => undefined);
  };
  const forget = () => {
    close();
    setTrial(null);
    if (address.current) show("");
  };
  const open = (/** @type {string} */ source) =>
    run(async () => {
      forget();
      const mine = asked.current;
      const answer = /** @type {Trial} */ (await post("/api/camera-trials", { chamber: file.chamber, base: file.base, source, changes }));
      if (mine !== asked.current) {
        if (answer.trial) remove(`/api/camera-trials/${answer.trial}`).catch(() => undefined);
        return;
      }
      opened.current = answer.trial;
      setTrial(answer);
    });
  const runs = trial?.trial != null && (trial.state === "opening" || trial.state === "showing");
  const of = runs ? trial.trial : null;
  useEffect(() => {
    if (!of) return;
    const mine = asked.current;
    const path = `/api/camera-trials/${of}`;
    let seen = 0;
    /** @type {number | undefined} */
    let timer;
    const next = async () => {
      try {
        if (!document.hidden) {
          const told = /** @type {Trial} */ (await get(path));
          if (mine !== asked.current) return;
          if (told.pictures > seen) {
            const answer = await (await request(`${path}/picture`)).blob();
            if (mine !== asked.current) return;
            seen = told.pictures;
            if (answer.size) show(URL.createObjectURL(answer));
          }
          setTrial({ ...told, watched_by: null });
        }
      } catch (failure) {
        if (mine !== asked.current) return;
        if (failure instanceof AskError && failure.status) {
          setTrial((last) => last && { ...last, state: "over", told: failure.message });
          return;
        }
      }
      timer = setTimeout(next, EVERY_MS);
    };
    next();
    return () => clearTimeout(timer);
  }, [of]);
  useEffect(
    () => () => {
      close();
      URL.revokeObjectURL(address.current);
    },
    [],
  );
  return { trial, picture, busy, error, runs, open, close, forget };
}

/** @param {{trial: Trial, picture: string, taken: boolean, take: () => void, elsewhere: import("./types.js").Chamber | undefined, in_touch: boolean}} props */
function Shown({ trial, picture, taken, take, elsewhere, in_touch }) {
  if (trial.watched_by) {
    return html`<p role="status">${trial.told}</p>
      ${elsewhere && html`<${Picture} chamber=${elsewhere} in_touch=${in_touch} may=${false} />`}`;
  }
  if (trial.state === "failed") {
    return html`<p class="refused" role="alert">${first(trial.told)}. ${trial.todo && `${first(trial.todo)}.`}</p>`;
  }
  const runs = trial.state !== "over";
  return html`<section class="trial" aria-label=${T.trial}>
    <figure class="picture">
      <div class="frame">${picture ? html`<img src=${picture} alt=${taken ? T.last : T.alt} class=${runs || taken ? "" : "doubtful"} />` : html`<p>${runs && T.opening}</p>`}</div>
      <figcaption>${taken ? T.last : trial.told || (trial.frames_per_s ? T.rate(trial.frames_per_s) : "")}</figcaption>
    </figure>
    ${!taken && html`<div>
      <${Aim} trial=${trial} />
      ${picture && html`<div class="acts"><button type="button" class="act" onClick=${take}>${T.take}</button></div>`}
    </div>`}
  </section>`;
}

/** What ails the view and what to do, first things first. @param {{trial: Trial}} props */
function Aim({ trial }) {
  const { view } = trial;
  const waits = trial.settling ? T.settling : trial.pictures ? T.judging : "";
  return html`<div role="status">
      ${!view && html`<p>${waits}</p>`}
      ${view && (view.fit || !view.advice.length) && html`<p><strong>${view.fit ? T.fit : T.unfit}</strong></p>`}
      ${view && html`<ul class="aim">${view.advice.map(({ fault, said, todo }) => html`<li key=${fault}><strong>${said}.</strong> ${first(todo)}.</li>`)}</ul>`}
    </div>
    <p class="small">${T.point} ${T.near}</p>
    ${view && html`<p class="small">${first(view.told)}.</p>
      <details><summary>${T.measured}</summary>
        <ul class="small">${view.sides.map(({ name, told }) => html`<li key=${name}>${T.side(first(name), told)}</li>`)}</ul>
      </details>`}`;
}
