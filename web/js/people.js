/** Who may come in: oneself for everybody, all people, tokens and what was done for the owner. */

import { useEffect, useId, useState } from "../vendor/preact-hooks.js";
import { Act, Refused, useWork } from "./act.js";
import { enter, get, post } from "./ask.js";
import { html } from "./html.js";
import { Command } from "./shell.js";
import { P as T } from "./strings_people.js";
import { Twice } from "./twice.js";
import { whole } from "./units.js";

/** @typedef {import("./types.js").Now} Now */
/** @typedef {{name: string, role: string, created_at: string, sessions: number}} Person */
/** @typedef {{id: string, address: string, created_at: string, seen_at: string, this: boolean}} Session */
/** @typedef {{name: string, role: string, scopes: string[] | null, chamber: string | null, created_at: string}} Token */
/** @typedef {{seq: number, at: string, what: string, subject: string, by: string, address: string}} Deed */

const ROLES = ["viewer", "operator", "owner"];

/** @param {{now: Now, who: {name: string, role: string} | null}} props */
export function People({ now, who }) {
  const [acts, setActs] = useState(0);
  const acted = () => setActs((/** @type {number} */ n) => n + 1);
  return html`<section class="past people" aria-labelledby="people">
    <h1 id="people" class="sentence">${now.owner ? T.people : T.first.heading}</h1>
    ${!now.owner && html`<${First} />`}
    ${now.owner && html`<${Self} acted=${acted} />`}
    ${now.owner && who?.role === "owner" && html`<${Everybody} now=${now} acted=${acted} />`}
    ${who?.role === "owner" && html`<${Deeds} acts=${acts} />`}
  </section>`;
}

/**
 * What a path answers, and a way to ask again.
 * @template T
 * @param {string} path
 * @param {{when?: number, acted?: () => void}} [how]  asked again when `when` changes; `acted` hears of each act
 * @returns {{items: T[] | null, failed: string, again: () => void}}
 */
function useItems(path, { when = 0, acted } = {}) {
  const [turn, setTurn] = useState(0);
  const [items, setItems] = useState(/** @type {any} */ (null));
  const [failed, setFailed] = useState("");
  useEffect(() => {
    let over = false;
    get(path).then(
      (answer) => over || (setItems(answer.items), setFailed("")),
      (error) => over || setFailed(error.message),
    );
    return () => {
      over = true;
    };
  }, [path, turn, when]);
  return { items, failed, again: () => (setTurn((/** @type {number} */ n) => n + 1), acted?.()) };
}

/**
 * @param {{label: string, name: string, type?: string, autocomplete?: string, hint?: string}} props
 */
function Field({ label, name, type = "text", autocomplete = "off", hint }) {
  const id = useId();
  const [shown, show] = useState(false);
  return html`<label for=${id}>${label}</label>
    <input id=${id} name=${name} type=${shown ? "text" : type} autocomplete=${autocomplete} maxlength="200" required
      spellcheck="false" autocapitalize="none" aria-describedby=${hint ? `${id}-hint` : undefined} />
    ${
      type === "password" &&
      html`<label class="shown"><input type="checkbox" checked=${shown} onChange=${() => show(!shown)} /> ${T.show}</label>`
    }
    ${hint && html`<p class="small" id=${`${id}-hint`}>${hint}</p>`}`;
}

/** @param {{label: string, name: string, among: [string, string][]}} props */
function Choice({ label, name, among }) {
  const id = useId();
  return html`<label for=${id}>${label}</label>
    <select id=${id} name=${name}>
      ${among.map(([value, said]) => html`<option value=${value}>${said}</option>`)}
    </select>`;
}

/**
 * A form that sends what was filled in, and is empty again once that went well.
 * @param {{send: (told: Record<string, string>) => Promise<unknown>, button: string, kind?: string, done?: () => void, children?: unknown}} props
 */
function Form({ send, button, kind = "", done, children }) {
  const { busy, error, run } = useWork();
  const submit = async (/** @type {SubmitEvent} */ event) => {
    event.preventDefault();
    const form = /** @type {HTMLFormElement} */ (event.currentTarget);
    const told = Object.fromEntries([...new FormData(form)].map(([key, value]) => [key, String(value)]));
    if (!(await run(() => send(told)))) return;
    form.reset();
    if (done) done();
  };
  return html`<form class="aside" onSubmit=${submit}>
    ${children}
    <div class="acts"><button class=${`act ${kind}`} type="submit" aria-disabled=${busy}>${button}</button></div>
    <${Refused} error=${error} />
  </form>`;
}

/** The first owner, with the code that the console shows. */
function First() {
  const send = async (/** @type {Record<string, string>} */ told) => {
    await enter("/api/session/owner", told);
    location.replace("/");
  };
  return html`<p>${T.first.how}</p>
    <${Form} send=${send} button=${T.first.make} kind="must">
      <${Field} label=${T.first.code} name="code" />
      <${Field} label=${T.name} name="name" autocomplete="username" />
      <${Field} label=${T.password} name="password" type="password" autocomplete="new-password" hint=${T.password_how} />
    <//>
    <p class="small">${T.first.after}</p>
    <p class="small">${T.first.shell} <${Command} words="owner add NAME" /></p>`;
}

/** @param {{acted: () => void}} props */
function Self({ acted }) {
  const { items, failed, again } = useItems("/api/session/all", { acted });
  const [changed, setChanged] = useState(false);
  const sessions = /** @type {Session[] | null} */ (items);
  return html`<h2>${T.self}</h2>
    ${failed && html`<p class="refused" role="alert">${failed}</p>`}
    <h3>${T.own_password}</h3>
    <${Form} send=${(/** @type {object} */ told) => post("/api/session/password", told)} button=${T.keep}
      done=${() => (setChanged(true), again())}>
      <${Field} label=${T.old} name="old" type="password" autocomplete="current-password" />
      <${Field} label=${T.new} name="new" type="password" autocomplete="new-password" hint=${T.password_how} />
    <//>
    <p role="status">${changed && T.changed}</p>
    <h3>${T.sessions}</h3>
    <ul class="noted">
      ${sessions?.map(
        (each) => html`<li key=${each.id}>
          ${T.session(each.address, whole(each.created_at), whole(each.seen_at))}${" "}
          ${each.this
            ? T.this_one
            : html`<${Act} kind="slight" work=${() => post("/api/session/end", { name: each.id })} done=${again}>${T.end}<//>`}
        </li>`,
      )}
    </ul>
    ${sessions && sessions.length > 1 &&
    html`<div class="acts"><${Act} work=${() => post("/api/session/end-others")} done=${again}>${T.end_others}<//></div>`}`;
}

/** @param {{now: Now, acted: () => void}} props */
function Everybody({ now, acted }) {
  const { items, failed, again } = useItems("/api/people", { acted });
  const people = /** @type {Person[] | null} */ (items);
  const roles = ROLES.map((role) => /** @type {[string, string]} */ ([role, T.roles[role]]));
  return html`<h2>${T.who}</h2>
    ${failed && html`<p class="refused" role="alert">${failed}</p>`}
    <ul class="noted">
      ${people?.map((each) => html`<${One} key=${each.name} person=${each} roles=${roles} again=${again} />`)}
    </ul>
    <h3>${T.add}</h3>
    <${Form} send=${(/** @type {object} */ told) => post("/api/people", told)} button=${T.add_yes} done=${again}>
      <${Field} label=${T.name} name="name" />
      <${Choice} label=${T.role} name="role" among=${roles} />
      <${Field} label=${T.password} name="password" type="password" autocomplete="new-password" hint=${T.password_how} />
    <//>
    <${Tokens} now=${now} acted=${acted} />`;
}

/** @param {{person: Person, roles: [string, string][], again: () => void}} props */
function One({ person: { name, role, sessions }, roles, again }) {
  const { busy, error, run } = useWork();
  const give = async (/** @type {Event} */ event) => {
    const chosen = /** @type {HTMLSelectElement} */ (event.currentTarget).value;
    await run(() => post("/api/people/role", { name, role: chosen }));
    again();
  };
  return html`<li>
    <b>${name}</b>, ${T.sessions_of(sessions)}.${" "}
    <select aria-label=${`${T.give_role}: ${name}`} value=${role} aria-disabled=${busy} onChange=${give}>
      ${roles.map(([value, said]) => html`<option value=${value} selected=${value === role}>${said}</option>`)}
    </select>
    <${Refused} error=${error} />
    <div class="acts">
      ${sessions > 0 &&
      html`<${Act} kind="slight" work=${() => post("/api/people/sign-out", { name })} done=${again}>${T.sign_out}<//>`}
      <${Twice} ask=${T.remove} question=${T.remove_really(name)} yes=${T.yes_remove} no=${T.no}
        work=${() => post("/api/people/remove", { name })} done=${again} />
    </div>
  </li>`;
}

/**
 * What a choice of the form means to the service. The chamber goes along with each:
 * where it can't be had the service says so, and nobody gets a wider token than they chose.
 * @param {Record<string, string>} told
 */
function tokenAsked({ name, kind, chamber }) {
  const asked = { name, chamber: chamber || null };
  if (kind === "operator" || kind === "owner") return { ...asked, role: kind };
  if (kind === "read") return { ...asked, role: "viewer", scopes: ["read"] };
  const scopes = kind === "jobs" ? ["jobs", "pause", "progress"] : ["pause", "progress"];
  return { ...asked, role: "operator", scopes };
}

/** @param {{now: Now, acted: () => void}} props */
function Tokens({ now, acted }) {
  const { items, failed, again } = useItems("/api/tokens", { acted });
  const tokens = /** @type {Token[] | null} */ (items);
  const [made, setMade] = useState("");
  const [shown, setShown] = useState("");
  const places = [["", T.any_chamber], ...now.chambers.map((c) => [c.chamber, c.name])];
  const named = (/** @type {string} */ key) => now.chambers.find((c) => c.chamber === key)?.name ?? key;
  const send = async (/** @type {Record<string, string>} */ told) => {
    setMade((await post("/api/tokens", tokenAsked(told))).token);
    setShown(told.name);
  };
  return html`<h2>${T.tokens}</h2>
    <p>${T.tokens_how}</p>
    ${failed && html`<p class="refused" role="alert">${failed}</p>`}
    ${tokens?.length === 0 && html`<p>${T.no_tokens}</p>`}
    <ul class="noted">
      ${tokens?.map(
        (each) => html`<li key=${each.name}>
          <b>${each.name}</b>, ${each.role}${each.scopes &&
          `, ${T.only(each.scopes.map((s) => T.scopes[s]).join(", "), each.chamber ? named(each.chamber) : "")}`},${" "}
          ${T.made} ${whole(each.created_at)}.
          <div class="acts">
            <${Twice} ask=${T.remove} question=${T.token_remove(each.name)} yes=${T.yes_remove} no=${T.no}
              work=${() => post("/api/tokens/remove", { name: each.name })} done=${again} />
          </div>
        </li>`,
      )}
    </ul>
    ${made && html`<p role="status"><b>${shown}</b>: ${T.token_shown} <code class="command">${made}</code></p>`}
    <${Form} send=${send} button=${T.make_token} done=${again}>
      <${Field} label=${T.token_for} name="name" />
      <${Choice} label=${T.token_may} name="kind" among=${T.kinds} />
      <${Choice} label=${T.in_chamber} name="chamber" among=${places} />
    <//>`;
}

/** The newest acts, newest first. @param {{acts: number}} props */
function Deeds({ acts }) {
  const { items, failed } = useItems("/api/audit?limit=100", { when: acts });
  const deeds = /** @type {Deed[] | null} */ (items);
  return html`<h2>${T.acts}</h2>
    ${failed && html`<p class="refused" role="alert">${failed}</p>`}
    ${deeds?.length === 0 && html`<p>${T.no_acts}</p>`}
    <ol class="noted">
      ${deeds
        ?.slice()
        .reverse()
        .map(
          (deed) => html`<li key=${deed.seq}>
            <time datetime=${deed.at}>${whole(deed.at)}</time> ${deed.what}${deed.subject && `: ${deed.subject}`}${deed.by &&
            `, ${T.by} ${deed.by}`}${deed.address && `, ${T.from} ${deed.address}`}
          </li>`,
        )}
    </ol>`;
}
