/**
 * Keep in touch with the service and know when touch is lost.
 *
 * One event stream a page. Every message counts as a sign of life; the service
 * sends the state each second, so 6 s of silence is not a slow link but none.
 * Each new try first asks who we are (a stream doesn't tell why it was refused)
 * and waits longer than the one before, by chance a little more or less, so that
 * a shed full of telephones doesn't come back in the same instant. What pages fetch again
 * after that is spread over some seconds as well: how it is now comes with the stream itself.
 */

import { ahead } from "./ahead.js";
import { get } from "./ask.js";
import { setupIsOf } from "./kept.js";

/** @typedef {import("./types.js").Now} Now */
/** @typedef {import("./types.js").Who} Who */

/**
 * @typedef {object} Touch
 * @property {Now | null} now       the newest state that has come
 * @property {Who | null} who
 * @property {boolean} in_touch
 * @property {number} since_ms      last sign of life, or when the page began to ask
 * @property {number} told          how many notes, pins, tests, changes of jobs and words on jobs and events have come live
 * @property {number} joined        how often the stream has begun anew: then ask for history again
 */

/** Told to the window by who knows that the service, which began anew, answers again. */
export const BACK = "stillair-back";
const SILENCE_MS = 6_000;
const CHECK_MS = 1_000;
const FIRST_WAIT_MS = 500;
const LONGEST_WAIT_MS = 8_000;
const SPREAD_MS = 4_000; // over which pages that come back ask for history
const GATHER_MS = 1_000; // within which several pieces of news are one

export class Live {
  /** @param {(touch: Touch) => void} told  called on every change */
  constructor(told) {
    this.told = told;
    /** @type {Touch} */
    this.touch = { now: null, who: null, in_touch: true, since_ms: Date.now(), joined: 0, told: 0 };
    /** @type {EventSource | null} */
    this.source = null;
    this.alive_ms = performance.now(); // unlike Date, never set back
    this.tries = 0;
    /** @type {number | undefined} */
    this.timer = undefined;
    this.asking = false;
    this.early_seq = ""; // up to where the history went that the page has asked for before the stream
    /** @type {number | undefined} */
    this.anew = undefined;
    /** @type {number | undefined} */
    this.gathering = undefined;
    this.more = false;
  }

  start() {
    setInterval(() => this.check(), CHECK_MS);
    addEventListener("online", () => this.hurry());
    addEventListener(BACK, () => this.hurry(true));
    document.addEventListener("visibilitychange", () => {
      if (!document.hidden) {
        this.check();
        this.hurry();
      }
    });
    this.connect();
  }

  /** Tell as soon as the silence is too long, also after the computer has slept. */
  check() {
    const quiet_ms = Math.max(
      performance.now() - this.alive_ms,
      this.touch.in_touch ? Date.now() - this.touch.since_ms : 0,
    );
    if (quiet_ms <= SILENCE_MS) return;
    if (this.source) this.drop();
    if (this.touch.in_touch) this.tell({ in_touch: false });
  }

  /** Somebody looks, or network or service are back, which is `known`: don't wait out a long pause. */
  hurry(known = false) {
    if ((this.touch.in_touch && !known) || this.source || this.asking) return;
    this.tries = 0;
    clearTimeout(this.timer);
    this.timer = undefined;
    this.connect();
  }

  async connect() {
    this.asking = true;
    /** @type {Who} */
    let who;
    try {
      who = await get("/api/session", { wait_ms: 5_000 });
    } catch {
      this.again();
      return;
    } finally {
      this.asking = false;
    }
    setupIsOf(who.name);
    this.stream(who);
    if (this.touch.now) {
      this.tell({ who });
      return;
    }
    // What was asked for ahead is drawn while the stream is on its way; it is no sign of life.
    const now = await ahead("/api/now");
    if (now && !this.touch.now) {
      this.early_seq = String(now.seq);
      this.tell({ who, now, joined: 1 });
    } else this.tell({ who });
  }

  /** @param {Who} who */
  stream(who) {
    const source = new EventSource("/api/live");
    this.source = source;
    this.alive_ms = performance.now();
    let first = true;
    source.addEventListener("now", (event) => {
      if (this.source !== source) return;
      const now = /** @type {Now} */ (JSON.parse(event.data));
      this.alive_ms = performance.now();
      this.tries = 0;
      const joined = this.touch.joined || 1;
      if (first && this.touch.joined && event.lastEventId !== this.early_seq) this.rejoin();
      this.early_seq = "";
      first = false;
      this.tell({ who, now, in_touch: true, since_ms: Date.now(), joined });
    });
    for (const topic of ["note", "pin", "job", "outcome", "log", "diagnosis", "judgement", "test"]) {
      source.addEventListener(topic, () => {
        if (this.source === source) this.news();
      });
    }
    source.addEventListener("reset", () => {
      if (this.source === source) this.rejoin();
    });
    source.addEventListener("error", () => {
      if (this.source === source) this.drop();
    });
  }

  /** What was fetched may be old: ask for it again, by chance sooner or later than others do. */
  rejoin() {
    if (this.anew !== undefined) return;
    this.anew = setTimeout(() => {
      this.anew = undefined;
      this.tell({ joined: this.touch.joined + 1 });
    }, SPREAD_MS * Math.random());
  }

  /** The first piece of news is told at once, what follows within a second as one. */
  news() {
    this.more = this.gathering !== undefined;
    if (this.more) return;
    this.tell({ told: this.touch.told + 1 });
    this.gathering = setTimeout(() => {
      this.gathering = undefined;
      if (this.more) this.news();
    }, GATHER_MS);
  }

  drop() {
    this.source?.close();
    this.source = null;
    this.again();
  }

  again() {
    if (this.timer !== undefined) return;
    const wait_ms = Math.min(LONGEST_WAIT_MS, FIRST_WAIT_MS * 2 ** this.tries);
    this.tries = Math.min(this.tries + 1, 10);
    this.timer = setTimeout(
      () => {
        this.timer = undefined;
        this.connect();
      },
      wait_ms * (0.5 + 0.5 * Math.random()),
    );
  }

  /** @param {Partial<Touch>} change */
  tell(change) {
    this.touch = { ...this.touch, ...change };
    this.told(this.touch);
  }
}
