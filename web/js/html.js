/** Markup as tagged templates: `html` escapes everything that is put into it. */

import { h } from "../vendor/preact.js";
import htm from "../vendor/htm.js";

/** @type {(parts: TemplateStringsArray, ...values: unknown[]) => any} */
export const html = htm.bind(h);
