/** The server that takes e-mail: named with the first who is told by it, and changed where it is wrong. */

import { html } from "./html.js";
import { hostAndPort, serverOf } from "./setup_broker.js";
import { keyOf, taking, typing } from "./setup_draft.js";
import { Choice, Typed, Wrong, fieldId } from "./setup_fields.js";
import { G } from "./strings_setup.js";

/** @typedef {import("./setup_draft.js").Change} Change */
/** @typedef {import("./setup_draft.js").Settings["mail"]} SetMail */

const T = G.people;
const OTHER = "other"; // none of another box
const USUAL_PORTS = /** @type {Record<string, number>} */ ({ none: 25, starttls: 587, tls: 465 });
export const NO_SERVER = { same: "", host: "", security: "starttls", username: "", password: "" };

/** The server as it was chosen or is in use, whose password is true where nobody has it here; null where none is. @param {import("./setup_draft.js").Draft} draft @param {import("./setup_file.js").ChamberFile} file @returns {Change | null} */
export function mailOf(draft, file) {
  const chosen = draft.more.find((change) => keyOf(change) === "mail");
  if (chosen?.do === "same server") return chosen;
  return chosen || file.settings?.mail ? { do: "mail", ...file.settings?.mail, ...chosen } : null;
}

/** The change that names it, of what differs; a port typed behind the name counts. @param {typeof NO_SERVER} typed @param {SetMail} before @returns {Change} */
export function mailChange({ same, host, security, username, password }, before) {
  if (same && same !== OTHER) return { do: "same server", table: "mail", of: same };
  const [name, typed_port] = hostAndPort(host);
  const port = typed_port ? Number(typed_port) : before ? USUAL_PORTS[security] : null;
  return {
    do: "mail", host: name,
    ...(port === null || port === before?.port ? {} : { port }),
    ...(security === before?.security ? {} : { security }),
    ...((username.trim() || null) === (before?.username ?? null) ? {} : { username: username.trim() || null }),
    ...(password ? { password } : {}),
  };
}

/**
 * What names a server; `kept` is the one whose password stays where none is typed.
 * @param {{typed: typeof NO_SERVER, set: (part: Partial<typeof NO_SERVER>) => void, from: [string, string][], kept?: SetMail}} props
 */
export function MailFields({ typed, set, from, kept = null }) {
  const same = typed.same || from[0]?.[0] || OTHER;
  return html`${from.length > 0 && html`<${Choice} label=${T.server} value=${same} among=${[...from, [OTHER, T.other_server]]} set=${(/** @type {string} */ to) => set({ same: to })} />`}
    ${same === OTHER && html`<fieldset><legend>${T.server}</legend>
      <${Typed} label=${T.host} hint=${T.host_how} value=${typed.host} set=${(/** @type {string} */ host) => set({ host })} />
      <${Choice} label=${T.security} value=${typed.security} among=${T.securities} set=${(/** @type {string} */ security) => set({ security })} />
      <${Typed} label=${T.username} value=${typed.username} set=${(/** @type {string} */ username) => set({ username })} />
      <${Typed} label=${T.password} type="password" hint=${kept?.password ? T.password_kept(kept.host) : T.password_how} value=${typed.password} set=${(/** @type {string} */ password) => set({ password })} />
    </fieldset>`}`;
}

/**
 * The one that is in use or chosen, which can be another.
 * @param {{draft: import("./setup_draft.js").Draft, change: import("./setup_steps.js").Change, file: import("./setup_file.js").ChamberFile, files: import("./setup_file.js").Files, stop: import("./setup_draft.js").Stop | null}} props
 */
export function MailServer({ draft, change, file, files, stop }) {
  const now = mailOf(draft, file);
  const before = file.settings?.mail ?? null;
  const from = serverOf("mail", file, files);
  const typed = draft.typed.mail ? { ...NO_SERVER, ...draft.typed.mail } : null;
  if (!typed) {
    if (!now) return null;
    const alter = () => {
      const of = now.do === "mail" ? now : null;
      const port = of?.port && of.port !== USUAL_PORTS[of.security] ? `:${of.port}` : "";
      const own = typeof of?.password === "string" ? of.password : ""; // it was typed a moment ago
      change(typing(draft, "mail", { same: of ? OTHER : now.of, host: of ? `${of.host}${port}` : "", security: of?.security ?? "starttls", username: of?.username ?? "", password: own }));
    };
    const where = now.do === "mail" ? `${now.host}${now.port ? `:${now.port}` : ""}` : (from.find(([key]) => key === now.of)?.[1] ?? now.of);
    return html`<h2>${T.server}</h2>
      <p>${(draft.more.some((each) => keyOf(each) === "mail") ? G.broker.chosen : G.broker.now)(where)}${" "}
        <button type="button" class="act slight" onClick=${alter}>${T.change_server}</button></p>`;
  }
  const asked = mailChange(typed, before);
  const whole = asked.do !== "mail" || asked.host;
  return html`<div class="fields"><${MailFields} typed=${typed} set=${(/** @type {Partial<typeof NO_SERVER>} */ part) => change(typing(draft, "mail", { ...typed, ...part }))} from=${from} kept=${before} /></div>
    <div class="acts">
      <button type="button" class="act" id=${fieldId("take-mail")} aria-disabled=${!whole} onClick=${() => whole && change((/** @type {import("./setup_draft.js").Draft} */ last) => ({ ...taking(last, asked), ...typing(last, "mail", undefined) }))}>${T.take_server}</button>
      <button type="button" class="act slight" onClick=${() => change(typing(draft, "mail", undefined))}>${G.broker.leave}</button>
    </div>
    <${Wrong} stop=${stop} field="take-mail" />`;
}
