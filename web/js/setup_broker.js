/** The broker that sensors and switches send to, asked for where the chamber file names none. */

import { html } from "./html.js";
import { Choice, Typed } from "./setup_fields.js";
import { G } from "./strings_setup.js";

const T = G.more;
export const NO_BROKER = { host: "", tls: "", username: "", password: "" };

/** @param {{broker: typeof NO_BROKER, set: (broker: typeof NO_BROKER) => void}} props */
export function BrokerFields({ broker, set }) {
  const part = (/** @type {Partial<typeof NO_BROKER>} */ some) => set({ ...broker, ...some });
  return html`<fieldset><legend>${T.broker}</legend>
    <${Typed} label=${T.host} hint=${T.host_how} value=${broker.host} set=${(/** @type {string} */ host) => part({ host })} />
    <${Choice} label=${T.tls} value=${broker.tls} among=${T.securities} set=${(/** @type {string} */ tls) => part({ tls })} />
    <${Typed} label=${G.people.username} value=${broker.username} set=${(/** @type {string} */ username) => part({ username })} />
    <${Typed} label=${G.people.password} type="password" hint=${G.people.password_how} value=${broker.password} set=${(/** @type {string} */ password) => part({ password })} />
  </fieldset>`;
}

/** The change that names it; a port typed behind the name counts. @param {typeof NO_BROKER} broker */
export function brokerChange({ host, tls, username, password }) {
  const [, name, port] = /^([^:]+):(\d{1,5})$/.exec(host.trim()) ?? [null, host.trim(), ""];
  return {
    do: "broker", host: name,
    ...(port ? { port: Number(port) } : {}),
    ...(tls ? { tls: true } : {}),
    ...(username ? { username: username.trim() } : {}),
    ...(password ? { password } : {}),
  };
}
