/** Who is told: taken here, and written with all the rest. */

import { useId } from "../vendor/preact-hooks.js";
import { html } from "./html.js";
import { isOpenRoute, keyOf, leaving, routeOf, taking, typing } from "./setup_draft.js";
import { Choice, Typed, Wrong, fieldId } from "./setup_fields.js";
import { serverOf } from "./setup_broker.js";
import { G } from "./strings_setup.js";

/** @typedef {import("./setup_draft.js").Change} Change */

const NOBODY = { name: "", way: "webpush", address: "", same: "", host: "", security: "starttls", username: "", password: "" };

/** @param {{draft: import("./setup_draft.js").Draft, change: import("./setup_steps.js").Change, file: import("./setup_file.js").ChamberFile, files: import("./setup_file.js").Files, stop: import("./setup_draft.js").Stop | null, halt: () => void}} props */
export function People({ draft, change, file, files, stop, halt }) {
  const T = G.people;
  const id = useId();
  const who = { ...NOBODY, ...draft.typed.person };
  const set = (/** @type {Partial<typeof NOBODY>} */ part) => change(typing(draft, "person", { ...who, ...part }));
  const people = file.settings?.people ?? [];
  const news = draft.more.filter((each) => each.do === "person");
  const gone = new Set(draft.more.filter((each) => each.do === "remove person").map((each) => each.of));
  const asks_server = who.way === "mailto" && !file.settings?.mail && !draft.more.some((each) => keyOf(each) === "mail");
  const from = asks_server ? serverOf("mail", file, files) : [];
  const same = who.same || from[0]?.[0] || "";
  const name = who.name.trim();
  const route = routeOf(who);
  /** @type {Change} */
  const server = same && same !== "other"
    ? { do: "same server", table: "mail", of: same }
    : { do: "mail", host: who.host.trim(), security: who.security, ...(who.username ? { username: who.username.trim() } : {}), ...(who.password ? { password: who.password } : {}) };
  const whole = name && route && (!asks_server || server.do === "same server" || server.host);
  const take = () =>
    change({ ...taking(draft, { do: "person", name, add: [route] }, ...(asks_server ? [server] : [])), ...typing(draft, "person", undefined) });
  return html`<p class="sub">${T.how}</p>
    <h2>${T.told}</h2>
    ${!people.length && !news.length && html`<p>${T.nobody}</p>`}
    <ul class="noted">${people.map(
      (each) => html`<li key=${each.name}>${T.one(each.name, each.routes)}${" "}
        <button type="button" class="act slight" aria-pressed=${gone.has(each.name)}
          onClick=${() => change(gone.has(each.name) ? leaving(draft, `remove person ${each.name}`) : taking(draft, { do: "remove person", of: each.name }))}>${T.remove(each.name)}</button></li>`,
    )}
    ${news.map(
      (each) => html`<li key=${keyOf(each)}>${T.one(each.name, each.add.map(told))} <em>${G.unwritten}</em>${" "}
        <button type="button" class="act slight" onClick=${() => change(leaving(draft, keyOf(each)))}>${G.leave_out(each.name)}</button></li>`,
    )}</ul>
    ${people.some(({ routes }) => routes.some((each) => each.includes("telephones"))) && html`<p><a class="way" href="#/telephones">${T.telephones}</a></p>`}
    <div class="fields" role="group" aria-labelledby=${id}>
      <h2 id=${id}>${T.another}</h2>
      <${Typed} label=${T.name} field="person-name" stop=${stop} value=${who.name} set=${(/** @type {string} */ to) => set({ name: to })} most=${40} />
      <${Choice} label=${T.by} value=${who.way} among=${T.ways} set=${(/** @type {string} */ way) => set({ way, address: "" })} />
      ${who.way === "mailto" && html`<${Typed} label=${T.mail} type="email" field="person-address" stop=${stop} value=${who.address} set=${(/** @type {string} */ address) => set({ address })} />`}
      ${who.way === "other" && html`<${Typed} label=${T.other} hint=${T.other_how} field="person-address" stop=${stop} value=${who.address} set=${(/** @type {string} */ address) => set({ address })} />`}
      ${from.length > 0 && html`<${Choice} label=${T.server} value=${same} among=${[...from, ["other", T.other_server]]} set=${(/** @type {string} */ to) => set({ same: to })} />`}
      ${asks_server && server.do === "mail" && html`<fieldset><legend>${T.server}</legend>
        <${Typed} label=${T.host} value=${who.host} set=${(/** @type {string} */ host) => set({ host })} />
        <${Choice} label=${T.security} value=${who.security} among=${T.securities} set=${(/** @type {string} */ security) => set({ security })} />
        <${Typed} label=${T.username} value=${who.username} set=${(/** @type {string} */ username) => set({ username })} />
        <${Typed} label=${T.password} type="password" hint=${T.password_how} value=${who.password} set=${(/** @type {string} */ password) => set({ password })} />
      </fieldset>`}
    </div>
    <div class="acts"><button type="button" class="act" id=${fieldId("take-person")} aria-disabled=${!whole} onClick=${() => (whole ? take() : halt())}>${T.take}</button></div>
    <${Wrong} stop=${stop} field="take-person" />`;
}

/** A route as it was typed, told as the service does: without an address that may be secret. @param {string} route */
export function told(route) {
  if (route === "webpush:") return G.people.by_telephone;
  if (isOpenRoute(route)) return route;
  return `${/^[a-z][a-z0-9+.-]{0,19}:/i.exec(route) ?? ""}…`;
}
