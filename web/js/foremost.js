/** The one button of a chamber that stands out: what to do first, and nothing beside it. */

/** @typedef {import("./types.js").Alarm} Alarm */
/** @typedef {import("./types.js").Chamber} Chamber */

const CLASSES = ["alarm", "supervisory", "trouble", "notice"];
const PRIORITIES = ["critical", "high", "medium", "low"];

/** Danger first, then by urgency, the newest first. @param {Alarm[]} alarms */
export function inOrder(alarms) {
  const rank = (/** @type {Alarm} */ a) =>
    (a.suppression === "none" ? 0 : 100) +
    CLASSES.indexOf(a.class) * 10 +
    PRIORITIES.indexOf(a.priority);
  return [...alarms].sort((a, b) => rank(a) - rank(b) || b.raised_at.localeCompare(a.raised_at));
}

/** Whether somebody still has to say that they have seen it. @param {Alarm} alarm */
export function isUnseen(alarm) {
  return alarm.suppression === "none" && alarm.annunciation.endsWith("unacknowledged");
}

/** Those that are answered together; a danger is looked at by itself. @param {Alarm[]} alarms */
export function together(alarms) {
  const wait = alarms.filter((alarm) => isUnseen(alarm) && alarm.class !== "alarm");
  return wait.length < 2 ? [] : wait;
}

/**
 * "stop", "near", "all", "door" or the id of an alarm; "" where nothing asks for a hand.
 * @param {Chamber} chamber
 */
export function foremost({ stop, attendance, alarms, opening }) {
  if (stop.set_up && (stop.phase === "counting" || stop.phase === "held" || (stop.phase === "stopped" && stop.cause === "trial"))) return "stop";
  const unseen = inOrder(alarms).filter(isUnseen);
  const alone = unseen.find(({ cause_alarm }) => !alarms.some(({ id }) => id === cause_alarm)) ?? unseen[0];
  if (alone?.class === "alarm") return alone.id;
  if (attendance && attendance.asks && attendance.stage > 0) return "near";
  if (together(alarms).length) return "all";
  return alone?.id ?? (opening?.until_at ? "door" : "");
}
