/**
 * What stays awake while no page is open: it shows the messages that are pushed to this
 * telephone, and says plainly when the chamber can't be reached.
 *
 * No page is ever kept and shown again: one from before would look alive while nobody watches.
 * Kept are what was heard last and when, which is told as what it is, past; and as whose telephone
 * this one joined. Who signs out leaves nothing of the first here.
 */

/** @typedef {{title: string, text: string, alarm: string | null, kind: string, priority: string, stage: string, link: string | null, key: string, at: string}} Told */
/** @typedef {{person: string, label: string, id: string}} Joined */

const worker = /** @type {any} */ (self);

const KEPT = "stillair-telephone";
const TOUCH = "/kept/touch"; // names in KEPT, and no addresses of the service
const SAID = "/kept/said";
const JOINED = "/kept/joined";
const AGAIN = new Set(["raised", "changed", "still", "trial", "test", "test over"]); // stages that call once more
const TRY_AGAIN_S = 10;
const ANSWER_MS = 8_000; // beyond it the first page says that nothing comes; it tries again by itself
const MOST_SAID = 16; // chambers

const T = {
  unread: "A message of Stillair couldn't be read",
  unread_todo: "Open the page and see how the chamber is.",
  left: "This telephone no longer gets messages of Stillair",
  left_todo: "Its address has changed. Open the page Telephones and join again.",
};

worker.addEventListener("install", () => worker.skipWaiting());

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
    title: text("title") || T.unread,
    text: text("text") || (text("title") ? "" : T.unread_todo),
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
  event.waitUntil(joinAgain(event.newSubscription).catch(() => show({ ...read(null), title: T.left, text: T.left_todo })));
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
    event.waitUntil(keep(TOUCH, Date.now()));
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

/** "29 Nov 2026, 21:04", in the reader's zone. @param {number} ms */
function time(ms) {
  return new Date(ms).toLocaleString("en-GB", { dateStyle: "medium", timeStyle: "short" });
}

/** "35 min", "3 h 5 min", "12 days". @param {number} ms */
function span(ms) {
  const whole_min = Math.max(0, Math.floor(ms / 60_000));
  if (whole_min < 1) return "less than a minute";
  if (whole_min < 60) return `${whole_min} min`;
  if (whole_min < 2880) return `${Math.floor(whole_min / 60)} h ${whole_min % 60} min`;
  return `${Math.floor(whole_min / 1440)} days`;
}

/** @param {unknown} text */
function plain(text) {
  const signs = /** @type {{[sign: string]: string}} */ ({ "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" });
  return String(text).replace(/[&<>"]/g, (sign) => signs[sign]);
}

/** What was said last, as what it is: past. @param {Heard} heard  @param {number} now_ms */
function saidThen({ heard_ms, said }, now_ms) {
  const stood = said.some(({ tone }) => tone === "danger");
  return `<section aria-labelledby="then">
<h2 id="then">What was heard ${span(now_ms - heard_ms)} ago, at ${time(heard_ms)}</h2>
<ul>${said.map(({ name, tone, simulated, sentence }) => `<li>${plain(name)}${simulated ? " (simulated)" : ""}: “${plain(sentence)}”${tone === "danger" ? " <strong>This was an alarm.</strong>" : ""}</li>`).join("")}</ul>
<p><strong>That is over and may be otherwise by now.</strong> ${stood ? "Nobody has said that the alarm has ended: act as if it goes on." : "Nothing has been heard since, and no alarm would be heard here either."}</p>
</section>`;
}

/**
 * @param {unknown} touch_ms  when the service was last reached
 * @param {Heard | null} heard
 */
function outOfReach(touch_ms, heard) {
  const now_ms = Date.now();
  const since =
    typeof touch_ms === "number"
      ? `Last heard on ${time(touch_ms)}, ${span(now_ms - touch_ms)} ago.`
      : "It hasn't been reached from this telephone before.";
  const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
  const page = `<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<meta http-equiv="refresh" content="${TRY_AGAIN_S}">
<title>Out of touch · Stillair</title>
<style>
body { margin: 2rem auto; max-width: 34rem; padding: 0 1rem; font: 1.1rem/1.5 system-ui, sans-serif; color: #262522; background: #f3f1ec; }
h1 { font-size: 1.7rem; line-height: 1.25; border-left: 0.5rem solid #e0b000; padding-left: 0.8rem; }
h2 { font-size: 1.1rem; }
section { border-top: 1px solid; margin-top: 1.5rem; }
li { margin: 0.3rem 0; }
small { font-size: 0.9rem; }
a { display: inline-block; padding: 0.8rem 1.2rem; color: #fff; background: #1d5aa6; border-radius: 0.3rem; text-decoration: none; }
@media (prefers-color-scheme: dark) { body { color: #ece7dd; background: #1c1a17; } }
</style>
</head>
<body>
<main>
<h1 role="alert">Out of touch: from here nobody can tell how the chamber is.</h1>
<p id="since">${since} Tried again at ${time(now_ms)}.</p>
<p>Look at the chamber yourself. Then see whether this telephone is in the shed's network, and whether the board has power and its network.</p>
<p><a href="">Try again</a></p>
<p>It tries again every ${TRY_AGAIN_S} seconds.</p>
${heard && heard.said.length ? saidThen(heard, now_ms) : ""}
<p><small>Times are those of this telephone${zone ? `, ${plain(zone)}` : ""}.</small></p>
</main>
</body>
</html>`;
  return new Response(page, {
    status: 503,
    headers: {
      "Content-Type": "text/html; charset=utf-8",
      "Cache-Control": "no-store",
      "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'",
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
