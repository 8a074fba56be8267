/** Start the first page: one stream, one tree, one source of sound. */

import { render } from "../vendor/preact.js";
import { useReducer } from "../vendor/preact-hooks.js";
import { awake, tellTouch } from "./awake.js";
import { html } from "./html.js";
import { fetchRest } from "./later.js";
import { Live } from "./live.js";
import { OutOfTouch } from "./lost.js";
import { Page } from "./page.js";
import { Screen } from "./screen.js";
import { Sounds } from "./sounds.js";
import { loadUnseen } from "./updated.js";

/** @typedef {import("./live.js").Touch} Touch */

const PATIENCE_MS = 100;
const page = /** @type {HTMLElement} */ (document.getElementById("page"));
const sounds = new Sounds(() => draw());
const live = new Live(() => draw());
const out_of_touch = new OutOfTouch();
const screen = new Screen();

/**
 * What ought to be heard. Fire goes on sounding when touch is lost: nobody has said that it is over.
 * @param {Touch} touch
 * @returns {import("./sounds.js").Pattern}
 */
function pattern({ now, in_touch }) {
  const wanted = new Set([now?.hall?.sounding, ...(now?.chambers ?? []).map((chamber) => chamber.sounding)]);
  if (wanted.has("fire")) return "fire";
  if (!in_touch) return "lost";
  if (wanted.has("attention")) return "attention";
  return wanted.has("test") ? "test" : "silent";
}

let begun = false;
/** @type {() => void} */
let again = () => undefined;

/**
 * All of the page. It is put there once and drawn anew from within: ids of fields are counted at
 * the root, and with a second one they would begin anew, so that two fields have the same.
 */
function Root() {
  const [, count] = useReducer((/** @type {number} */ n) => n + 1, 0);
  again = () => count(undefined);
  return html`<${Page} touch=${live.touch} sounds=${sounds} />`;
}

function draw() {
  sounds.play(pattern(live.touch));
  out_of_touch.mind(live.touch);
  screen.mind(live.touch);
  tellTouch(live.touch);
  loadUnseen(live.touch, sounds);
  if (begun) return again();
  begun = true;
  page.replaceChildren(); // what stands there until then says the same
  render(html`<${Root} />`, page);
}

live.start();
// Mostly the first news is here by then, and nothing has to be drawn twice.
setTimeout(() => begun || draw(), PATIENCE_MS);
awake();
fetchRest();
