/** What stays awake says: of messages that can't be read, and on the page for who is out of touch. */

export const K = {
  unread: "A message of Stillair couldn't be read",
  unread_todo: "Open the page and see how the chamber is.",
  left: "This telephone no longer gets messages of Stillair",
  left_todo: "Its address has changed. Open the page Telephones and join again.",

  title: "Out of touch · Stillair",
  head: "Out of touch: from here nobody can tell how the chamber is.",
  /** @param {string} when  @param {string} ago */
  last: (when, ago) => `Last heard on ${when}, ${ago} ago.`,
  never: "It hasn't been reached from this telephone before.",
  /** @param {string} when */
  tried: (when) => `Tried again at ${when}.`,
  todo: "Look at the chamber yourself. Then see whether this telephone is in the shed's network, and whether the board has power and its network.",
  again: "Try again",
  /** @param {number} s */
  every: (s) => `It tries again by itself every ${s} seconds.`,
  /** @param {string} ago  @param {string} when */
  heard: (ago, when) => `What was heard ${ago} ago, at ${when}`,
  simulated: " (simulated)",
  /** @param {string} name  @param {string} sentence */
  said: (name, sentence) => `${name}: “${sentence}”`,
  was_alarm: "This was an alarm.",
  over: "That is over and may be otherwise by now.",
  stood: "Nobody has said that the alarm has ended: act as if it goes on.",
  quiet: "Nothing has been heard since, and no alarm would be heard here either.",
  /** @param {string} zone */
  zone: (zone) => `Times are those of this telephone, ${zone}.`,
};
