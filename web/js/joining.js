/** Make this telephone one that messages reach: what the browser has to allow, ask and keep for it. */

import { get, post, remove } from "./ask.js";
import { awake } from "./awake.js";
import { J } from "./strings_telephones.js";

/** What stands in the way, or nothing does. @typedef {"insecure" | "install" | "unable" | "untrusted" | "denied" | "ready"} Way */

const KEPT = "stillair-telephone"; // both also in worker.js, which joins again by itself
const JOINED = "/kept/joined";
const AWAKE_MS = 10_000;

/** An iPhone or iPad; newer iPads call themselves a Mac. */
export function isApple() {
  return /iPhone|iPad/.test(navigator.userAgent) || (navigator.userAgent.includes("Macintosh") && navigator.maxTouchPoints > 1);
}

/** Whether the page runs as an app of its own, from the home screen. */
function isInstalled() {
  return matchMedia("(display-mode: standalone)").matches;
}

/** @returns {Promise<Way>} */
export async function way() {
  if (!isSecureContext || !("serviceWorker" in navigator)) return "insecure";
  if (!("PushManager" in window) || !("Notification" in window)) {
    return isApple() && !isInstalled() ? "install" : "unable";
  }
  if (!(await awake())) return "untrusted";
  return Notification.permission === "denied" ? "denied" : "ready";
}

/** By what the service knows a telephone of that address. @param {string} endpoint */
async function idOf(endpoint) {
  const digest = await crypto.subtle.digest("SHA-256", new TextEncoder().encode(endpoint));
  return [...new Uint8Array(digest).slice(0, 8)].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

/** By what this telephone would be known; null where it can't be written to. */
export async function ownId() {
  const worker = await awake();
  const subscription = await worker?.pushManager?.getSubscription();
  return subscription ? idOf(subscription.endpoint) : null;
}

/** @param {string} text  base64url */
function bytes(text) {
  const plain = atob(text.replaceAll("-", "+").replaceAll("_", "/"));
  return Uint8Array.from(plain, (letter) => letter.charCodeAt(0));
}

/** @param {ArrayBuffer | null | undefined} a  @param {Uint8Array} b */
function same(a, b) {
  const other = new Uint8Array(a ?? new ArrayBuffer(0));
  return other.length === b.length && other.every((byte, i) => byte === b[i]);
}

/**
 * Ask for leave, get an address from the browser's push service, and tell the service.
 * To be called while a person taps: else browsers don't ask. Throws what can be shown.
 * @param {string} person  @param {string} label
 */
export async function join(person, label) {
  if ((await Notification.requestPermission()) !== "granted") throw new Error(J.not_allowed);
  const worker = await ready();
  const key = bytes((await get("/api/telephones/key")).key);
  let subscription = await worker.pushManager.getSubscription();
  if (subscription && !same(subscription.options.applicationServerKey, key)) {
    await subscription.unsubscribe(); // it belongs to a key that the service no longer has
    subscription = null;
  }
  try {
    subscription ??= await worker.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: key });
  } catch {
    throw new Error(J.no_service);
  }
  const { endpoint, keys } = subscription.toJSON();
  const made = await post("/api/telephones", {
    person,
    label,
    endpoint,
    p256dh: keys?.p256dh,
    auth: keys?.auth,
  });
  await keep({ person, label, id: made.id });
}

/** Write to a telephone no more; this one also gives its address back. @param {string} id */
export async function leave(id) {
  await remove(`/api/telephones/${id}`);
  if (id !== (await ownId())) return;
  await keep(null);
  const worker = await awake();
  await (await worker?.pushManager.getSubscription())?.unsubscribe();
}

/** @returns {Promise<ServiceWorkerRegistration>} */
async function ready() {
  const late = new Promise((_, no) => setTimeout(() => no(new Error(J.not_awake)), AWAKE_MS));
  await awake();
  return /** @type {Promise<ServiceWorkerRegistration>} */ (Promise.race([navigator.serviceWorker.ready, late]));
}

/** As whose this telephone joined, for when its address changes. @param {object | null} joined */
async function keep(joined) {
  try {
    const kept = await caches.open(KEPT);
    if (joined) await kept.put(JOINED, new Response(JSON.stringify(joined)));
    else await kept.delete(JOINED);
  } catch {
    // Storage is full or switched off: then a changed address has to be told by hand.
  }
}
