/** The broker that sensors and switches send to: tried before it is taken, and changed where it is wrong. */

import { useRef, useState } from "../vendor/preact-hooks.js";
import { Act } from "./act.js";
import { post } from "./ask.js";
import { html } from "./html.js";
import { keyOf, taking, typing } from "./setup_draft.js";
import { Choice, Typed, Wrong, fieldId } from "./setup_fields.js";
import { G } from "./strings_setup.js";

/** @typedef {import("./setup_draft.js").Change} Change */
/** @typedef {import("./setup_draft.js").Draft} Draft */
/** @typedef {import("./setup_draft.js").SetBroker} SetBroker */
/** @typedef {{where: string, answer: string, why: string | null, heard: string | null, value: string | null}} Tried */

const T = G.broker;
const OTHER = "other"; // none of another box; no chamber's key is taken for it, as it is asked first
const NEW = { at: "", same: "", host: "", tls: "", username: "", password: "" };
export const TRIAL_MS = 20_000; // its answer takes 6 s, and a message 5 s more

/**
 * The boxes whose server this one may take, as choices.
 * @param {"mqtt" | "mail"} table  @param {import("./setup_file.js").ChamberFile} file  @param {import("./setup_file.js").Files} files
 * @returns {[string, string][]}
 */
export function serverOf(table, file, files) {
  return files.items.flatMap((each) => {
    const server = each === file || each.simulated ? null : each.settings?.[table];
    return server ? [/** @type {[string, string]} */ ([each.chamber, T.same(each.settings?.name ?? each.chamber, `${server.host}:${server.port}`)])] : [];
  });
}

/** The broker as it was chosen or is in use; null where none is. @param {Draft} draft @param {import("./setup_file.js").ChamberFile} file @returns {Change | null} */
export function brokerOf(draft, file) {
  const chosen = draft.more.find((change) => keyOf(change) === "mqtt");
  return chosen ?? (file.settings?.mqtt ? { do: "broker", ...file.settings.mqtt } : null);
}

/** A server's name and the port typed behind it, "" for the usual one. @param {string} typed @returns {[string, string]} */
export function hostAndPort(typed) {
  const [, name, port] = /^([^:]+):(\d{1,5})$/.exec(typed.trim()) ?? [null, typed.trim(), ""];
  return [name, port];
}

/** The change that names it; a port typed behind the name counts. @param {typeof NEW} typed @param {SetBroker | null} before @returns {Change} */
export function brokerChange({ same, host, tls, username, password }, before) {
  if (same && same !== OTHER) return { do: "same server", table: "mqtt", of: same };
  const [name, port] = hostAndPort(host);
  const usual = tls ? 8883 : 1883;
  return {
    do: "broker", host: name,
    ...(port ? { port: Number(port) } : before ? { port: usual } : {}),
    ...(tls ? { tls: true } : before?.tls ? { tls: false } : {}),
    ...(username ? { username: username.trim() } : before?.username ? { username: null } : {}),
    ...(password ? { password } : {}),
  };
}

/** Whether the same broker stands in a draft as in one from before: an answer is about none but that. @param {Draft} last @param {Draft} before */
function isAskedStill(last, before) {
  const broker = (/** @type {Draft} */ of) => JSON.stringify([of.typed.broker ?? null, of.more.find((each) => keyOf(each) === "mqtt") ?? null]);
  return broker(last) === broker(before);
}

/**
 * `at`: the step that it stands on; `topic` is listened to as well, for a number or a word.
 * @param {{draft: Draft, change: import("./setup_steps.js").Change, file: import("./setup_file.js").ChamberFile, files: import("./setup_file.js").Files, stop: import("./setup_draft.js").Stop | null, at: string, topic?: string, pointer?: string, expects?: string, hears?: (topic: string, value: string) => void}} props
 */
export function Broker({ draft, change, file, files, stop, at, topic = "", pointer = "", expects = "number", hears }) {
  const [tried, setTried] = useState(/** @type {(Tried & {topic: string, pointer: string}) | null} */ (null));
  const before = file.settings?.mqtt ?? null;
  const now = brokerOf(draft, file);
  const typed = draft.typed.broker ? { ...NEW, ...draft.typed.broker } : null;
  const others = serverOf("mqtt", file, files);
  const form = typed ?? { ...NEW, same: others[0]?.[0] ?? "" };
  const edits = typed !== null || now === null;
  const set = (/** @type {Partial<typeof NEW>} */ part) => (setTried(null), change(typing(draft, "broker", { ...form, at, ...part })));
  const asked = edits ? brokerChange(form, before) : (draft.more.find((each) => keyOf(each) === "mqtt") ?? null);
  const whole = asked?.do !== "broker" || Boolean(asked.host);
  const shown = useRef(draft);
  shown.current = draft;
  const used = (/** @type {Draft} */ last) => ({ ...taking(last, /** @type {Change} */ (asked)), ...typing(last, "broker", undefined) });
  const reach = async () => {
    setTried(null);
    const body = { chamber: file.chamber, base: file.base, broker: asked, topic: topic.trim(), pointer: pointer.trim(), expects };
    const answer = /** @type {Tried} */ (await post("/api/finding/broker", body, { wait_ms: TRIAL_MS }));
    if (isAskedStill(shown.current, draft)) {
      setTried({ ...answer, topic: topic.trim(), pointer: pointer.trim() });
      if (answer.heard === "yes") hears?.(topic.trim(), answer.value ?? "");
    }
    if (edits && answer.answer === "connects") change((/** @type {Draft} */ last) => (isAskedStill(last, draft) ? used(last) : {}));
  };
  const alter = () => {
    const of = now?.do === "broker" ? now : null;
    const port = of?.port && of.port !== (of.tls ? 8883 : 1883) ? `:${of.port}` : "";
    change(typing(draft, "broker", { ...NEW, at, same: now?.do === "same server" ? now.of : OTHER, host: of ? `${of.host}${port}` : "", tls: of?.tls ? "tls" : "", username: of?.username ?? "" }));
  };
  const of_topic = tried?.heard && tried.topic === topic.trim() && tried.pointer === pointer.trim(); // else it was another's
  return html`<fieldset><legend>${T.head}</legend>
    ${!edits && html`<p>${(asked ? T.chosen : T.now)(now?.do === "same server" ? (others.find(([key]) => key === now.of)?.[1] ?? now.of) : `${now?.host}${now?.port ? `:${now.port}` : ""}`)}</p>`}
    ${edits && others.length > 0 && html`<${Choice} label=${T.which} value=${form.same} among=${[...others, [OTHER, T.other]]} set=${(/** @type {string} */ same) => set({ same })} />`}
    ${edits && asked?.do === "broker" && html`
      <${Typed} label=${T.host} hint=${T.host_how} value=${form.host} set=${(/** @type {string} */ host) => set({ host })} />
      <${Choice} label=${T.tls} value=${form.tls} among=${T.securities} set=${(/** @type {string} */ tls) => set({ tls })} />
      <details open=${form.username !== "" || undefined}><summary>${T.login}</summary>
        <${Typed} label=${G.people.username} value=${form.username} set=${(/** @type {string} */ username) => set({ username })} />
        <${Typed} label=${G.people.password} type="password" hint=${before?.password ? T.password_kept(before.host) : G.people.password_how} value=${form.password} set=${(/** @type {string} */ password) => set({ password })} />
      </details>`}
    <div class="acts" id=${fieldId("try-broker")} tabindex="-1">
      ${whole && html`<${Act} kind="" work=${reach}>${topic.trim() ? T.try_topic : T.try}<//>`}
      ${!edits && html`<button type="button" class="act slight" onClick=${alter}>${T.change}</button>`}
      ${typed !== null && now !== null && html`<button type="button" class="act slight" onClick=${() => (setTried(null), change(typing(draft, "broker", undefined)))}>${T.leave}</button>`}
      ${edits && tried && whole && html`<button type="button" class="act slight" onClick=${() => change(used)}>${T.all_the_same}</button>`}
    </div>
    <${Wrong} stop=${stop} field="try-broker" />
    <div role="status">${tried && html`<p><strong>${T.answers[tried.answer](tried.where)}</strong> ${of_topic && tried.heard && T.heards[tried.heard](tried.topic, tried.value ?? "")}</p>
      ${tried.why && html`<p class="small">${T.said(tried.why)}</p>`}`}</div>
  </fieldset>`;
}
