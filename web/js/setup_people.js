/** Who is told: taken here, and written with all the rest. */

import { useId, useState } from "../vendor/preact-hooks.js";
import { Refused, useWork } from "./act.js";
import { post } from "./ask.js";
import { html } from "./html.js";
import { isOpenRoute, keyOf, leaving, routeOf, taking, typing } from "./setup_draft.js";
import { Choice, Typed, Wrong, fieldId } from "./setup_fields.js";
import { brokerOf, serverOf } from "./setup_broker.js";
import { MailFields, MailServer, NO_SERVER, mailChange, mailOf } from "./setup_mail.js";
import { G } from "./strings_setup.js";

/** @typedef {import("./setup_draft.js").Change} Change */

const NOBODY = { name: "", way: "webpush", address: "", ...NO_SERVER };

/** @param {{draft: import("./setup_draft.js").Draft, change: import("./setup_steps.js").Change, file: import("./setup_file.js").ChamberFile, files: import("./setup_file.js").Files, stop: import("./setup_draft.js").Stop | null, halt: () => void}} props */
export function People({ draft, change, file, files, stop, halt }) {
  const T = G.people;
  const id = useId();
  const who = { ...NOBODY, ...draft.typed.person };
  const set = (/** @type {Partial<typeof NOBODY>} */ part) => change(typing(draft, "person", { ...who, ...part }));
  const people = file.settings?.people ?? [];
  const news = draft.more.filter((each) => each.do === "person");
  const gone = new Set(draft.more.filter((each) => each.do === "remove person").map((each) => each.of));
  const asks_server = who.way === "mailto" && !mailOf(draft, file) && !draft.typed.mail;
  const from = asks_server ? serverOf("mail", file, files) : [];
  const name = who.name.trim();
  const route = routeOf(who);
  const server = mailChange({ ...who, same: who.same || from[0]?.[0] || "" }, null);
  const whole = name && route && (!asks_server || server.do === "same server" || server.host);
  const [refused, setRefused] = useState({ route: "", say: "" });
  const { busy, error, run } = useWork();
  const wrong = refused.say && refused.route === route ? { field: "person-address", say: refused.say } : stop;
  const signs = draft.more.find((each) => each.do === "webhook");
  const take = () =>
    run(async () => {
      // What can't be sent on is said while it still stands in its field.
      const { fault, needs } = route === "webpush:" ? { fault: null, needs: null } : await post("/api/finding/route", { route });
      const say = fault ? T.no_route(fault) : needs === "mqtt" && !brokerOf(draft, file) ? T.no_broker : "";
      setRefused({ route, say });
      if (say) return document.getElementById(fieldId("person-address"))?.focus();
      const key = needs === "webhook" && !file.settings?.webhook && !signs ? [{ do: "webhook", secret: byChance() }] : [];
      change((/** @type {import("./setup_draft.js").Draft} */ last) => ({ ...taking(last, { do: "person", name, add: [route] }, ...(asks_server ? [server] : []), ...key), ...typing(last, "person", undefined) }));
    });
  const leave = (/** @type {Change} */ of) => {
    // With the last who is told by it goes what was chosen for them alone: named anew, it is asked for anew.
    let left = { ...draft, ...leaving(draft, keyOf(of)) };
    if (!left.more.some(isWeb)) left = { ...left, ...leaving(left, "webhook") };
    if (!file.settings?.mail && !left.more.some(isMail)) left = { ...left, ...leaving(left, "mail"), ...typing(left, "mail", undefined) };
    change({ more: left.more, lost: left.lost, typed: left.typed });
  };
  return html`<p class="sub">${T.how}</p>
    ${(people.length > 0 || !news.length) && html`<h2>${T.told}</h2>`}
    ${!people.length && !news.length && html`<p>${T.nobody}</p>`}
    <ul class="noted">${people.map(
      (each) => html`<li key=${each.name}>${T.one(each.name, each.routes)}${" "}
        <button type="button" class="act slight" aria-pressed=${gone.has(each.name)}
          onClick=${() => change(gone.has(each.name) ? leaving(draft, `remove person ${each.name}`) : taking(draft, { do: "remove person", of: each.name }))}>${T.remove(each.name)}</button></li>`,
    )}</ul>
    ${news.length > 0 && html`<h2>${G.chosen}</h2>`}
    <ul class="noted">${news.map(
      (each) => html`<li key=${keyOf(each)}>${T.one(each.name, each.add.map(told))}${" "}
        <button type="button" class="act slight" onClick=${() => leave(each)}>${G.leave_out(each.name)}</button></li>`,
    )}</ul>
    ${signs && html`<div class="fields"><label for=${`${id}-signs`}>${T.signs}</label>
      <input id=${`${id}-signs`} type="text" readonly value=${signs.secret} aria-describedby=${`${id}-signs-how`} onFocus=${(/** @type {any} */ event) => event.target.select()} />
      <p id=${`${id}-signs-how`} class="small">${T.signs_how}</p></div>`}
    ${people.some(({ routes }) => routes.some((each) => each.includes("telephones"))) && html`<p><a class="way" href="#/telephones">${T.telephones}</a></p>`}
    <${MailServer} draft=${draft} change=${change} file=${file} files=${files} stop=${stop} />
    <div class="fields" role="group" aria-labelledby=${id}>
      <h2 id=${id}>${T.another}</h2>
      <${Typed} label=${T.name} field="person-name" stop=${stop} value=${who.name} set=${(/** @type {string} */ to) => set({ name: to })} most=${40} />
      <${Choice} label=${T.by} value=${who.way} among=${T.ways} set=${(/** @type {string} */ way) => set({ way, address: "" })} />
      ${who.way === "mailto" && html`<${Typed} label=${T.mail} type="email" field="person-address" stop=${wrong} value=${who.address} set=${(/** @type {string} */ address) => set({ address })} />`}
      ${who.way === "other" && html`<${Typed} label=${T.other} hint=${T.other_how} field="person-address" stop=${wrong} value=${who.address} set=${(/** @type {string} */ address) => set({ address })} />`}
      ${asks_server && html`<${MailFields} typed=${who} set=${set} from=${from} />`}
    </div>
    <div class="acts"><button type="button" class="act" id=${fieldId("take-person")} aria-disabled=${!whole || busy} onClick=${() => (whole ? take() : halt())}>${T.take}</button><${Refused} error=${error} /></div>
    <${Wrong} stop=${stop} field="take-person" />`;
}

/** A route as it was typed, told as the service does: without an address that may be secret. @param {string} route */
export function told(route) {
  if (route === "webpush:") return G.people.by_telephone;
  if (isOpenRoute(route)) return route;
  return `${/^[a-z][a-z0-9+.-]{0,19}:/i.exec(route) ?? ""}…`;
}

/** What signs, as nobody could guess it. */
function byChance() {
  return Array.from(crypto.getRandomValues(new Uint8Array(32)), (byte) => byte.toString(16).padStart(2, "0")).join("");
}

/** Whether somebody is told by e-mail. @param {Change} change */
function isMail(change) {
  return change.do === "person" && change.add.some((/** @type {string} */ route) => route.startsWith("mailto:"));
}

/** Whether somebody is told at a web address. @param {Change} change */
function isWeb(change) {
  return change.do === "person" && change.add.some((/** @type {string} */ route) => /^https?:/i.test(route));
}
