/**
 * The screen stays on while an alarm stands: who watches from the sofa sees it without touching
 * the telephone. A browser allows it to a page that is seen, over HTTPS or on this computer itself,
 * and takes it back when the page is hidden.
 */

/** @typedef {import("./live.js").Touch} Touch */

/** What stands and hasn't been put aside; of troubles only what nobody has seen yet. @param {Touch} touch */
export function isWanted({ now }) {
  return (now?.chambers ?? []).some((chamber) =>
    chamber.alarms.some(
      ({ class: signal, priority, annunciation, suppression, condition }) =>
        suppression === "none" &&
        (signal === "alarm"
          ? condition || annunciation.endsWith("unacknowledged")
          : (priority === "critical" || priority === "high") && annunciation.endsWith("unacknowledged")),
    ),
  );
}

export class Screen {
  constructor() {
    this.wanted = false;
    this.asking = false;
    /** @type {WakeLockSentinel | null} */
    this.held = null;
    document.addEventListener("visibilitychange", () => this.look());
  }

  /** Also while touch is lost: nobody has said that it is over. @param {Touch} touch */
  mind(touch) {
    this.wanted = isWanted(touch);
    this.look();
  }

  async look() {
    if (!this.wanted) {
      this.held?.release().catch(() => undefined);
      this.held = null;
      return;
    }
    if (document.hidden || this.asking || (this.held && !this.held.released)) return;
    this.asking = true;
    try {
      this.held = (await navigator.wakeLock?.request("screen")) ?? null;
    } catch {
      this.held = null; // the battery is low, or the browser doesn't allow it
    }
    this.asking = false;
    if (!this.wanted) this.look(); // over meanwhile
  }
}
