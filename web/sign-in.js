/** Sign in and go on to the page that was asked for. Stands alone: nothing else may be loaded before a session. */

import { I } from "./js/strings_strangers.js";

const WAIT_MS = 15_000; // checking a password is slow on purpose

const form = /** @type {HTMLFormElement} */ (document.getElementById("sign-in"));
const refused = /** @type {HTMLElement} */ (document.getElementById("refused"));
const button = /** @type {HTMLButtonElement} */ (form.querySelector("button"));
const password = /** @type {HTMLInputElement} */ (form.elements.namedItem("password"));
const shown = /** @type {HTMLInputElement} */ (document.getElementById("shown"));

/** @param {string} why */
function refuse(why) {
  refused.textContent = why;
  refused.hidden = !why;
}

shown.addEventListener("change", () => {
  password.type = shown.checked ? "text" : "password";
});

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  refuse("");
  button.disabled = true;
  const words = button.textContent;
  button.textContent = I.busy;
  try {
    const told = new FormData(form);
    const answer = await fetch("/api/session", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ name: told.get("name"), password: told.get("password") }),
      signal: AbortSignal.timeout(WAIT_MS),
    });
    if (answer.ok) {
      location.replace(`/${location.hash}`); // the page that was asked for
      return;
    }
    const problem = await answer.json().catch(() => ({}));
    refuse(typeof problem.detail === "string" ? problem.detail : I.unknown);
    password.select();
  } catch {
    refuse(I.no_answer);
  }
  button.disabled = false;
  button.textContent = words;
});
