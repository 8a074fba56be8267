/** What pages say that open without a session: signing in, and those behind the link of a message. */

const NOT_STORED = "It isn't stored yet: a power cut now could lose it.";
const NOT_DONE = "Not done.";

/** Signing in. */
export const I = {
  busy: "Signing in …",
  no_answer: "The service doesn't answer. Is it running, and are you in its network?",
  unknown: "That didn't go through.",
};

/** The link of an alarm. */
export const A = {
  class: /** @type {Record<string, string>} */ ({
    alarm: "Danger",
    supervisory: "Needs a hand",
    trouble: "The watch itself is impaired",
    notice: "You waited for this",
  }),
  family: /** @type {Record<string, string>} */ ({
    simulated: "Simulated: nothing of this is real.",
    recorded: "Recorded: this happened once, and isn't so now.",
  }),
  /** @param {string} at  @param {string} lasting */
  since: (at, lasting) => `Since ${at}, for ${lasting}`,
  /** @param {string} began */
  over: (began) => `It began at ${began} and is over`,
  unseen: "nobody has seen it yet",
  /** @param {string | null} by */
  seen: (by) => (by ? `seen by ${by}` : "seen"),
  /** @param {string} at */
  quiet_until: (at) => `quiet until ${at}`,
  hidden: "not asked for just now",
  /** @param {number} minutes */
  quiet: (minutes) => `Quiet for ${minutes} minutes`,
  sending: "Sending …",
  done_seen: "Done: the others see that you know.",
  done_quiet: "Done: it comes back by itself.",
  not_stored: NOT_STORED,
  not_done: NOT_DONE,
  no_answer: "The service doesn't answer. Are you in its network? What stands here may be old.",
  /** @param {string} who  @param {string} until */
  whose: (who, until) =>
    `You answer as ${who}. This link is good for this alarm alone, until ${until}; whoever has it can answer for you.`,
  picture: "The picture of this moment.",
  /** @param {string} age */
  picture_old: (age) => `The picture is ${age} old.`,
  picture_alt: "What the camera shows",
  hour: "The last hour, °C",
  /** @param {string} at */
  shorter: (at) => `Since ${at}, °C`,
  /** @param {string} ranges */
  hour_alt: (ranges) => `Temperatures of the last hour: ${ranges}`,
  /** @param {string} name  @param {string} low  @param {string} high */
  range: (name, low, high) => `${name} from ${low} to ${high} °C`,
};

/** The link of an alarm test. */
export const T = {
  /** @param {string} box  @param {string} at  @param {string} person  @param {string} route */
  which: (box, at, person, route) => `${box}, at ${at}, to ${person} by ${route}.`,
  heard: "Thank you: it is noted that you heard it.",
  silent: "Thank you: it is noted that it came in silence.",
  nothing: "It was said before that nothing came.",
  /** @param {string} why */
  over: (why) => `This test takes no word any more: ${why}.`,
  not_stored: NOT_STORED,
  not_done: NOT_DONE,
  no_answer: "The service doesn't answer. Are you in its network?",
  /** @param {string} who  @param {string} until */
  whose: (who, until) =>
    `You answer as ${who}. This link is good for this message alone, until ${until}; whoever has it can answer for you.`,
};
