/** Ask the service, with a time limit, and tell what went wrong in plain words. */

import { ahead } from "./ahead.js";
import { S } from "./strings.js";

const WAIT_MS = 10_000;
const PICTURE_MS = 120_000;
const ENTER_MS = 15_000; // keeping a password is slow on purpose

/** While the first owner comes in, who isn't signed in yet is not sent to sign in. */
let entering = false;

/** The service refused, or gave no answer (`status` 0). `message` can be shown. */
export class AskError extends Error {
  /** @param {string} message  @param {number} status */
  constructor(message, status) {
    super(message);
    this.status = status;
  }
}

/**
 * The raw answer of a request that went well.
 * @param {string} path
 * @param {{method?: string, body?: unknown, picture?: Blob, wait_ms?: number}} [how]
 * @returns {Promise<Response>}
 */
export async function request(path, { method = "GET", body, picture, wait_ms = WAIT_MS } = {}) {
  /** @type {Response} */
  let answer;
  try {
    answer = await fetch(path, {
      method,
      headers: picture ? { "Content-Type": picture.type } : body === undefined ? {} : { "Content-Type": "application/json" },
      body: picture ?? (body === undefined ? undefined : JSON.stringify(body)),
      signal: AbortSignal.timeout(wait_ms),
    });
  } catch {
    throw new AskError(S.ask.no_answer, 0);
  }
  if (answer.status === 401) {
    if (!entering) location.replace(`/sign-in${location.hash}`);
    throw new AskError(S.ask.sign_in, 401);
  }
  if (!answer.ok) {
    const problem = await answer.json().catch(() => null);
    const detail = problem && typeof problem.detail === "string" ? problem.detail : "";
    throw new AskError(detail || S.ask.refused(answer.status), answer.status);
  }
  return answer;
}

/** @param {string} path  @param {{wait_ms?: number}} [how]  @returns {Promise<any>} */
export async function get(path, how = {}) {
  const early = await ahead(path);
  if (early !== undefined) return early;
  const answer = await request(path, how);
  return answer.json().catch(() => {
    throw new AskError(S.ask.no_answer, 0);
  });
}

/** @param {string} path  @param {unknown} [body]  @param {{wait_ms?: number}} [how]  @returns {Promise<any>} */
export async function post(path, body, how = {}) {
  return (await request(path, { method: "POST", body, ...how })).json();
}

/**
 * Send a picture as it is. A telephone's is large, and a shed's network slow.
 * @param {string} path  @param {Blob} picture  @returns {Promise<any>}
 */
export async function sendPicture(path, picture) {
  return (await request(path, { method: "POST", picture, wait_ms: PICTURE_MS })).json();
}

/** @param {string} path  @returns {Promise<any>} */
export async function remove(path) {
  return (await request(path, { method: "DELETE" })).json();
}

/**
 * Post what makes a session. The service asks everybody else for one from that moment on,
 * before this page has heard of its own; so what else it asks meanwhile may be refused.
 * @param {string} path  @param {unknown} body
 */
export async function enter(path, body) {
  entering = true;
  try {
    await post(path, body, { wait_ms: ENTER_MS });
  } catch (failure) {
    entering = false;
    throw failure;
  }
}
