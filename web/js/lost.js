/**
 * Say that touch is lost where it is seen though nobody looks at the page: as a message of the
 * browser's own, if it was allowed, and by a buzz of the telephone. What has died can't send one.
 *
 * It waits a little longer than the page itself: a telephone that has just been woken is usually
 * back by then, and nobody wants to be called out of bed for that.
 */

import { S } from "./strings.js";
import { moment } from "./units.js";

/** @typedef {import("./live.js").Touch} Touch */

const PATIENCE_MS = 10_000;
const TAG = "touch"; // one such message at a time
const BUZZ_MS = [400, 200, 400];

export class OutOfTouch {
  constructor() {
    this.told = false;
    /** @type {number | undefined} */
    this.timer = undefined;
    /** @type {(() => void) | undefined} */
    this.take_back = undefined;
  }

  /** @param {Touch} touch */
  mind(touch) {
    if (!touch.now || touch.in_touch) {
      clearTimeout(this.timer);
      this.timer = undefined;
      if (this.told) this.over();
    } else if (!this.told && this.timer === undefined) {
      this.timer = setTimeout(() => this.tell(touch), PATIENCE_MS);
    }
  }

  /** @param {Touch} touch */
  async tell(touch) {
    this.timer = undefined;
    this.told = true;
    navigator.vibrate?.(BUZZ_MS);
    if (!("Notification" in window) || Notification.permission !== "granted") return;
    const title = S.touch.lost(moment(touch.since_ms, Date.now()));
    const options = { body: S.touch.todo, tag: TAG, requireInteraction: true };
    const worker = await navigator.serviceWorker?.getRegistration();
    try {
      if (worker) await worker.showNotification(title, options);
      else {
        const shown = new Notification(title, options);
        this.take_back = () => shown.close();
      }
    } catch {
      // This browser has no such message to give: the page and its sound say it.
    }
  }

  async over() {
    this.told = false;
    this.take_back?.();
    this.take_back = undefined;
    const worker = await navigator.serviceWorker?.getRegistration();
    for (const shown of (await worker?.getNotifications({ tag: TAG })) ?? []) shown.close();
  }
}
