/**
 * The page that the link of an alarm test's message opens: did it arrive, and was it heard?
 * Stands alone, for nothing else may be loaded without a session. Only a press of a button
 * changes anything.
 */

import { T } from "./js/strings_strangers.js";
import { clock } from "./js/units.js";

/**
 * @typedef {object} Shown
 * @property {string} person
 * @property {string} until_at
 * @property {string} name   of the chamber
 * @property {string} at     when the test began
 * @property {string} route  as people call it
 * @property {"heard" | "silent" | "nothing" | null} heard
 * @property {boolean} open  whether the test still takes a word
 * @property {string} text   how it went
 */

const WAIT_MS = 10_000;
const here = `/api/answer/${location.pathname.split("/")[2] ?? ""}`;
/** @param {string} id */
const part = (id) => /** @type {HTMLElement} */ (document.getElementById(id));
const buttons = /** @type {HTMLButtonElement[]} */ ([...document.querySelectorAll("[data-heard]")]);

/** @param {string} id  @param {string} text  shown unless it is empty */
function say(id, text) {
  part(id).textContent = text;
  part(id).hidden = !text;
}

/**
 * @param {string} path  @param {RequestInit} [how]
 * @returns {Promise<Response>}  also of a refusal; raises where there is no answer
 */
function ask(path, how = {}) {
  return fetch(`${here}/${path}`, { ...how, signal: AbortSignal.timeout(WAIT_MS), referrerPolicy: "no-referrer" });
}

/** @param {Shown} it */
function show(it) {
  document.querySelector("main")?.removeAttribute("aria-busy");
  say("lost", "");
  say("which", T.which(it.name, clock(it.at), it.person, it.route));
  part("question").hidden = !it.open || it.heard !== null;
  part("sayings").hidden = !it.open;
  say("said", it.open ? (it.heard ? T[it.heard] : "") : T.over(it.text));
  part("said").hidden = false;
  part("silence").hidden = it.heard !== "silent";
  part("hint").hidden = it.heard !== "heard";
  say("whose", T.whose(it.person, clock(it.until_at)));
  for (const button of buttons) button.classList.toggle("must", button.dataset.heard === (it.heard ?? "heard"));
}

async function look() {
  try {
    const answer = await ask("test");
    const told = await answer.json().catch(() => ({}));
    if (answer.ok) show(told);
    else {
      say("lost", told.detail ?? T.not_done);
      part("sayings").hidden = true;
    }
  } catch {
    say("lost", T.no_answer);
  }
}

/** @param {HTMLButtonElement} button */
async function tell(button) {
  for (const each of buttons) each.disabled = true;
  let lost = "";
  try {
    const body = JSON.stringify({ heard: button.dataset.heard });
    const answer = await ask("heard", { method: "POST", headers: { "Content-Type": "application/json" }, body });
    const told = await answer.json().catch(() => ({}));
    if (!answer.ok) lost = `${T.not_done} ${told.detail ?? ""}`;
    else if (!told.stored) lost = T.not_stored;
  } catch {
    lost = `${T.not_done} ${T.no_answer}`;
  }
  for (const each of buttons) each.disabled = false;
  await look();
  if (lost) say("lost", lost);
}

for (const button of buttons) button.addEventListener("click", () => tell(button));
look();
