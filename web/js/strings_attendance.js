/** What the page says of somebody near a box that can burn. */

export const N = {
  heading: "Somebody near",
  not_asked: "Nobody is asked to be near this box, as it is set, though it can burn. Look after it yourself.",
  /** @param {string} by */
  first: (by) => `Somebody has to be near: this box can burn. Tap by ${by}.`,
  /** @param {string} person  @param {string} at  @param {string} by */
  again: (person, at, by) => `${person || "Somebody"} was near at ${at}. Tap again by ${by}.`,
  /** @param {string} since */
  overdue: (since) => `Go to the box and tap, or stop the job. Nobody has shown since ${since} that they are near.`,
  /** @param {string} person  @param {string} at */
  left: (person, at) => `${person || "Whoever was near"} left at ${at}, so nobody is near. Hand over, or go back and tap.`,
  stage: [
    "",
    "Nobody has been sent a message so far.",
    "A message has gone to one person.",
    "A message has gone to a second person.",
    "Nobody has come. Everybody who is named has been told.",
  ],
  /** @param {string} person */
  stranger: (person) => `Nobody in the chamber file is called ${person}, so no message goes to them. If they have another name there, its setting account ties the two.`,
  nobody_named: "Nobody is named in the chamber file, so nobody can be told by message.",
  /** @param {string} to */
  asked: (to) => `${to} was asked to take over, and hasn't tapped so far.`,
  tap: "I'm near",
  /** @param {string} to */
  hand_over_to: (to) => `Hand over to ${to}`,
  hand_over: "Hand over",
  to_whom: "Who is to be near? They get a message that asks them to come and tap.",
  leave: "I'm leaving",
  let_run: "Let it run unattended",
  warning:
    "A box that can burn is never safe alone, and no watch puts a fire out. Stillair can't keep a machine from being started; it writes down who wants this and why, and says so on this page until the job is over.",
  why: "Why does nobody have to be near?",
  /** @param {number} n */
  too_short: (n) => `Say it in ${n} characters or more.`,
  go_on: "Go on",
  /** @param {string} job */
  really: (job) => `Let “${job}” run with nobody near? Nobody is asked any more, and nobody is told that nobody is there.`,
  yes: "Yes, let it run unattended",
  no: "No",
  /** @param {string} by  @param {string} at  @param {string} reason */
  unattended: (by, at, reason) => `This job runs with nobody near. Wanted so by ${by} since ${at}: “${reason}”`,
  near_again: "I'm near again",
};
