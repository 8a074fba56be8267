/**
 * What stays awake while no page is open: it shows the messages that are pushed to this
 * telephone, and says plainly when the chamber can't be reached.
 *
 * No page is ever kept and shown again: one from before would look alive while nobody watches.
 * Kept are what was heard last and when, which is told as what it is, past; as whose telephone
 * this one joined; and the stylesheet, for the page that says so. Who signs out leaves nothing of
 * the first here.
 *
 * The service sends it as one script with what it imports (`api/linking.py`), because not every
 * browser takes a module here.
 */

import { K } from "./strings_worker.js";
import { age, whole, zone } from "./units.js";

/** @typedef {{title: string, text: string, alarm: string | null, kind: string, priority: string, stage: string, link: string | null, key: string, at: string}} Told */
/** @typedef {{person: string, label: string, id: string}} Joined */

const worker = /** @type {any} */ (self);

const KEPT = "stillair-telephone";
const TOUCH = "/kept/touch"; // names in KEPT, and no addresses of the service
const SAID = "/kept/said";
const JOINED = "/kept/joined";
const STYLE = "/kept/style.css";
const SCRIPT = "/kept/again.js"; // it is in no cache: this script says it itself
const AGAIN = new Set(["raised", "changed", "still", "trial", "test", "test over"]); // stages that call once more
const TRY_AGAIN_S = 10;
const ANSWER_MS = 8_000; // beyond it the first page says that nothing comes; it tries again by itself
const MOST_SAID = 16; // chambers

worker.addEventListener("install", (/** @type {any} */ event) => {
  worker.skipWaiting();
  event.waitUntil(keepStyle());
});

// --- messages ----------------------------------------------------------------------------

worker.addEventListener("push", (/** @type {any} */ event) => {
  event.waitUntil(show(read(event.data)));
});

/** @param {{json: () => unknown} | null} data  @returns {Told} */
function read(data) {
  /** @type {any} */
  let told = null;
  try {
    told = data?.json();
  } catch {
    // It is no JSON.
  }
  const text = (/** @type {string} */ name) => (typeof told?.[name] === "string" ? told[name] : "");
  return {
    title: text("title") || K.unread,
    text: text("text") || (text("title") ? "" : K.unread_todo),
    alarm: text("alarm") || null,
    kind: text("kind"),
    priority: text("priority"),
    stage: text("stage"),
    link: text("link") || null,
    key: text("key"),
    at: text("at"),
  };
}

/** One message for each alarm: a newer word takes the older one's place. @param {Told} told */
async function show(told) {
  const tag = told.alarm ?? (told.stage.startsWith("test") ? "test" : told.kind);
  const shown = tag ? await worker.registration.getNotifications({ tag }) : [];
  const twice = shown.some((/** @type {any} */ each) => told.key && each.data?.key === told.key);
  const at_ms = Date.parse(told.at);
  await worker.registration.showNotification(told.title, {
    body: told.text,
    tag: tag || undefined,
    renotify: Boolean(tag) && AGAIN.has(told.stage) && !twice,
    requireInteraction: told.priority === "critical",
    timestamp: Number.isNaN(at_ms) ? Date.now() : at_ms,
    icon: "/web/icon-192.png",
    badge: "/web/badge.png",
    data: { link: told.link, key: told.key, alarm: told.alarm, kind: told.kind, stage: told.stage },
  });
}

worker.addEventListener("notificationclick", (/** @type {any} */ event) => {
  event.notification.close();
  event.waitUntil(open(target(event.notification.data)));
});

/** Where a message leads. @param {{link?: string | null, kind?: string, stage?: string} | null} data */
function target(data) {
  const page = data?.kind === "trial" ? "telephones" : data?.stage === "test" || data?.stage === "reminder" ? "alarm-test" : "";
  const own = new URL(`/#/${page}`, worker.location.origin).href;
  if (!data?.link) return own;
  try {
    const link = new URL(data.link, worker.location.origin);
    return link.protocol === "https:" || link.origin === worker.location.origin ? link.href : own;
  } catch {
    return own;
  }
}

/** Open a page, or bring it to the front where it is open already. @param {string} address */
async function open(address) {
  const pages = await worker.clients.matchAll({ type: "window", includeUncontrolled: true });
  const there = pages.find((/** @type {any} */ page) => page.url === address);
  return there ? there.focus() : worker.clients.openWindow(address);
}

// --- when the browser gives this telephone another address ---------------------------------

worker.addEventListener("pushsubscriptionchange", (/** @type {any} */ event) => {
  event.waitUntil(joinAgain(event.newSubscription).catch(() => show({ ...read(null), title: K.left, text: K.left_todo })));
});

/** @param {any} given  the new subscription, where the browser has made it by itself */
async function joinAgain(given) {
  const joined = /** @type {Joined | null} */ (await recall(JOINED));
  if (!joined) return; // it never joined, or was taken out on purpose
  const asked = await fetch("/api/telephones/key");
  if (!asked.ok) throw new Error("no key");
  const applicationServerKey = (await asked.json()).key;
  const made = given ?? (await worker.registration.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey }));
  const { endpoint, keys } = made.toJSON();
  const answer = await fetch("/api/telephones", {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({
      person: joined.person,
      label: joined.label,
      endpoint,
      p256dh: keys.p256dh,
      auth: keys.auth,
      replaces: joined.id,
    }),
  });
  if (!answer.ok) throw new Error("not taken");
  await keep(JOINED, { ...joined, id: (await answer.json()).id });
}

// --- out of reach --------------------------------------------------------------------------

worker.addEventListener("fetch", (/** @type {any} */ event) => {
  if (event.request.mode === "navigate") event.respondWith(visit(event));
  else if (new URL(event.request.url).pathname === STYLE) event.respondWith(style());
  else if (new URL(event.request.url).pathname === SCRIPT) event.respondWith(again());
});

/** Then the page that is being left keeps nothing any more. */
let signed_out = false;

/** @param {any} event */
async function visit(event) {
  const { pathname } = new URL(event.request.url);
  signed_out = pathname === "/sign-in"; // or the right to see was taken away
  if (signed_out) event.waitUntil(forget(SAID));
  /** @type {number | undefined} */
  let timer;
  const late = new Promise((_, no) => {
    if (pathname === "/") timer = setTimeout(no, ANSWER_MS);
  });
  try {
    const answer = await Promise.race([fetch(event.request), late]); // with a signal it would be no navigation
    event.waitUntil(Promise.all([keep(TOUCH, Date.now()), keepStyle()]));
    return answer;
  } catch {
    const [touch_ms, said] = await Promise.all([TOUCH, SAID].map((name) => recall(name).catch(() => null)));
    return outOfReach(touch_ms, /** @type {Heard | null} */ (said));
  } finally {
    clearTimeout(timer);
  }
}

// A page that is in touch says now and then what it hears.
worker.addEventListener("message", (/** @type {any} */ event) => {
  const { heard_ms, said } = event.data ?? {};
  if (signed_out || typeof heard_ms !== "number" || !Array.isArray(said)) return;
  event.waitUntil(Promise.all([keep(TOUCH, heard_ms), keep(SAID, { heard_ms, said: said.slice(0, MOST_SAID) })]));
});

/** @typedef {{name: string, tone: string, simulated: boolean, sentence: string}} Said */
/** @typedef {{heard_ms: number, said: Said[]}} Heard */

/** @param {unknown} text */
function plain(text) {
  const signs = /** @type {{[sign: string]: string}} */ ({ "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" });
  return String(text).replace(/[&<>"]/g, (sign) => signs[sign]);
}

/** What was said last, as what it is: past. @param {Heard} heard  @param {number} now_ms */
export function saidThen({ heard_ms, said }, now_ms) {
  const stood = said.some(({ tone }) => tone === "danger");
  const lines = said.map(({ name, tone, simulated, sentence }) => {
    const told = K.said(`${plain(name)}${simulated ? K.simulated : ""}`, plain(sentence));
    return `<li>${told}${tone === "danger" ? ` <strong>${K.was_alarm}</strong>` : ""}</li>`;
  });
  return `<section aria-labelledby="then">
<h2 id="then">${K.heard(age(now_ms - heard_ms), whole(heard_ms))}</h2>
<ul>${lines.join("")}</ul>
<p><strong>${K.over}</strong> ${stood ? K.stood : K.quiet}</p>
</section>`;
}

/**
 * @param {unknown} touch_ms  when the service was last reached
 * @param {Heard | null} heard
 */
function outOfReach(touch_ms, heard) {
  const now_ms = Date.now();
  const since = typeof touch_ms === "number" ? K.last(whole(touch_ms), age(now_ms - touch_ms)) : K.never;
  const page = `<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>${K.title}</title>
<link rel="stylesheet" href="${STYLE}">
<script src="${SCRIPT}" defer></script>
</head>
<body>
<main class="answer trouble">
<h1 role="alert">${K.head}</h1>
<p id="since">${since} ${K.tried(whole(now_ms))}</p>
<p>${K.todo}</p>
<p class="acts"><a class="act must" href="">${K.again}</a></p>
<p class="small">${K.every(TRY_AGAIN_S)}</p>
${heard && heard.said.length ? saidThen(heard, now_ms) : ""}
<p class="small">${K.zone(plain(zone()))}</p>
</main>
</body>
</html>`;
  return new Response(page, {
    status: 503,
    headers: {
      "Content-Type": "text/html; charset=utf-8",
      "Cache-Control": "no-store",
      "Content-Security-Policy": "default-src 'none'; style-src 'self'; script-src 'self'; base-uri 'none'",
    },
  });
}

// --- what is kept --------------------------------------------------------------------------

/** @param {string} name  @param {unknown} value */
async function keep(name, value) {
  const kept = await caches.open(KEPT);
  await kept.put(name, new Response(JSON.stringify(value)));
}

/** @param {string} name  @returns {Promise<unknown>} */
async function recall(name) {
  const found = await (await caches.open(KEPT)).match(name);
  return found ? found.json() : null;
}

/** @param {string} name */
async function forget(name) {
  await (await caches.open(KEPT)).delete(name);
}

/** The newest stylesheet; where it can't be had, that of before stays. */
async function keepStyle() {
  const found = await fetch("/web/stillair.css").catch(() => null);
  if (found?.ok) await (await caches.open(KEPT)).put(STYLE, found);
}

/** Never from the network, which may hang by now. */
async function style() {
  return (await (await caches.open(KEPT)).match(STYLE)) ?? new Response("", { status: 404 });
}

/**
 * What the page for who is out of touch does: it asks anew. A refresh that the page itself names
 * would not do: where the address has a `#/…`, browsers take it for a jump within the page.
 */
function again() {
  const text = `const again = () => location.reload();
setTimeout(again, ${TRY_AGAIN_S * 1000});
document.querySelector("a.act").addEventListener("click", (event) => {
  event.preventDefault(); // an empty address would lose which page was meant
  again();
});
`;
  return new Response(text, { headers: { "Content-Type": "text/javascript; charset=utf-8", "Cache-Control": "no-store" } });
}
