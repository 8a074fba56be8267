/** What the page says of stopping the machine. Whether it stands is told by the service. */

/** @type {Record<string, string>} */
const CAUSES = {
  fire: "Fire is told",
  detector_contact: "A fire detector has gone off",
  attendance_overdue: "Everybody was asked to be near the box and nobody came",
  person: "",
  trial: "It is being tried",
};

export const W = {
  heading: "Stopping the machine",
  how: "How the machine is stopped",
  /** @param {string} kind */
  cause: (kind) => CAUSES[kind] ?? "Danger is told",

  /** @param {string} cause  @param {string} when */
  counting: (cause, when) => `${cause}: the machine is switched off at ${when} unless somebody says no.`,
  /** @param {number} s */
  left: (s) => `${s} s`,
  hold: "Don't stop the machine",
  hold_really:
    "The machine then keeps running, hot and with its supply, although danger is told. Say so only if you see the box yourself and nothing burns. It counts for what is told now: anything new counts anew. Your name is kept with it.",
  hold_yes: "I see it: nothing burns. Let it run",
  hold_no: "Go on counting",
  now: "Stop it now",

  /** @param {string} cause  @param {string} who  @param {string} when */
  held: (cause, who, when) => `${cause}, but ${who} said at ${when}: don't stop the machine. It runs on.`,
  held_more: "Anything new counts anew.",

  /** @param {string} cause  @param {string} who  @param {string} when */
  stopped: (cause, who, when) => `The machine was switched off at ${when}${who ? ` by ${who}` : ""}.${cause ? ` ${cause}.` : ""}`,
  stays: "It stays off, also when the service is started anew, until a person lets it run again.",
  stands:
    "While smoke, fire or anything else stands for which it is stopped, it can't be switched on again. What to do about that stands above and below.",
  nobody: "It can't be switched on again while nobody has shown that they are near the box. Go there, and tap “I'm near” first.",
  by_button: "To let it run again, press the button at the machine. Look first why it was stopped.",
  reset: "Let the machine run again",
  reset_really:
    "Go to the machine first. Is it cool, does nothing smell or smoke, and do you know why it was stopped? Where its starter holds itself, it then waits for the start button at the machine. This works in the board's own network alone.",
  reset_really_2: "The machine gets its supply back now, and may start to heat.",
  reset_yes: "I stand at it and it is safe",
  reset_yes_2: "Yes, let it run again",
  reset_no: "Leave it off",

  stop: "Stop the machine now",
  stop_really: "The machine is switched off at once; the job is lost. It stays off until somebody lets it run again from near it.",
  stop_yes: "Yes, stop it",
  stop_no: "Let it run",

  /** @param {string} causes  @param {number} s  @param {string} how */
  ready: (causes, s, how) =>
    `When ${causes}, the machine is switched off by ${how}${s > 0 ? ` after ${s} s in which somebody may say no` : " at once"}.`,
  /** @type {Record<string, string>} */
  on: { fire: "fire is told", detector: "a detector goes off", attendance: "everybody was asked to be near and nobody came" },
  or: " or ",
  limits:
    "This is an aid: contacts can weld. A thermal fuse at the heater and a listed detector in the room come first.",
  never: "It was never tried for real.",
  /** @param {string} when  @param {string} who */
  tried: (when, who) => `Tried for real at ${when} by ${who}: the machine stopped.`,
  /** @param {string} when  @param {string} who */
  failed: (when, who) => `Tried at ${when} by ${who}: the machine did not stop. Don't count on it.`,
  try: "Try it for real",
  try_really:
    "This switches the machine off now, as in a fire. Let no job run and nothing be hot. Stand where you see the machine, and have the start button in reach.",
  try_later: "To try it for real, wait until no job runs: a trial takes the machine's supply, and the job would be lost.",
  try_yes: "Switch it off now",
  try_no: "Not now",
  did_it: "Did the machine lose its supply, its lights and fans too?",
  it_did: "Yes, it is off",
  it_didnt: "No, it still runs",
  noted: "That is kept. Let it run again when you are ready.",
};
