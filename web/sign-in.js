/** Sign in and go on to the page that was asked for. Stands alone: nothing else may be loaded before a session. */

const NO_ANSWER = "The service doesn't answer. Is it running, and are you in its network?";
const UNKNOWN = "That didn't go through.";
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
  button.textContent = "Signing in …";
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
    refuse(typeof problem.detail === "string" ? problem.detail : UNKNOWN);
    password.select();
  } catch {
    refuse(NO_ANSWER);
  }
  button.disabled = false;
  button.textContent = "Sign in";
});
