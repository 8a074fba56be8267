/** What the pages of a hall say, which shows the chambers of many boards. */

import { count as figure } from "./units.js";

/** @param {number} n  @param {number} of */
const share = (n, of) => (n === of ? everyone(n) : `${figure(n)} of ${figure(of)} chambers`);
/** @param {number} n */
const everyone = (n) => (n === 1 ? "The one chamber" : n === 2 ? "Both chambers" : `All ${figure(n)} chambers`);

export const H = {
  asking: "Asking how the chambers are …",
  failed: "The list couldn't be asked for just now:",
  none: "No board has said anything yet",
  none_how: "A board is heard here once its chamber file has [hall], with the broker and the topic of this hall.",
  /** @param {string} since */
  not_known: (since) => `Not known how the chambers are: the broker is out of reach since ${since}`,
  not_known_how: "What stands below is how they were before.",
  /** @param {string} name */
  danger_one: (name) => `Danger: ${name}`,
  /** @param {number} n  @param {number} of */
  danger: (n, of) => `Danger in ${figure(n)} of ${figure(of)} chambers`,
  /** @param {number} n  @param {number} of */
  alarm: (n, of) => `${share(n, of)} ${n === 1 ? "needs" : "need"} a hand`,
  /** @param {number} n  @param {number} of */
  out_of_reach: (n, of) => `${share(n, of)} ${n === 1 ? "is" : "are"} out of reach`,
  /** @param {number} n  @param {number} of */
  awaited: (n, of) => `${share(n, of)} ${n === 1 ? "was" : "were"} not heard yet since the broker was reached`,
  /** @param {number} n  @param {number} of */
  settling: (n, of) => `${share(n, of)} ${n === 1 ? "is" : "are"} watched, and not yet known to be steady`,
  /** @param {number} n  @param {number} of */
  heed: (n, of) => `${share(n, of)} ${n === 1 ? "is" : "are"} not calm`,
  /** @param {number} n  @param {number} of */
  calm: (n, of) => `${share(n, of)} ${n === 1 ? "is" : "are"} watched and calm`,
  only_ended: "No chamber is watched just now: all were stopped",
  /** Beside those of the sentence. @type {Record<string, (n: number) => string>} */
  also: {
    alarm: (n) => `${figure(n)} more ${n === 1 ? "needs" : "need"} a hand`,
    out_of_reach: (n) => `${figure(n)} more ${n === 1 ? "is" : "are"} out of reach`,
    awaited: (n) => `${figure(n)} more ${n === 1 ? "was" : "were"} not heard yet since the broker was reached`,
    settling: (n) => `${figure(n)} more ${n === 1 ? "is" : "are"} not yet known to be steady`,
    heed: (n) => `${figure(n)} more ${n === 1 ? "is" : "are"} not calm`,
    ended: (n) => `${figure(n)} more ${n === 1 ? "is" : "are"} not watched just now: stopped`,
  },
  nobody: "Nobody is told by this hall: no person stands in its file. What the boards themselves tell goes on.",
  ails: "Of the hall itself:",
  /** @param {string} text  @param {string} since */
  trouble: (text, since) => `${text} Since ${since}.`,
  /** Of a way to people, say. @param {string} subject  @param {string} text */
  of_subject: (subject, text) => `${subject}: ${text}`,
  /** @type {string[]} whose words say by themselves what it is */
  subjects: ["broker", "late", "database", "other hall", "room", "journal"],
  /** @param {number} n */
  strangers: (n) => `${figure(n)} ${n === 1 ? "message was" : "messages were"} of no board that is known.`,
  /** @param {number} n */
  refused: (n) => `For ${figure(n)} ${n === 1 ? "message" : "messages"} there was no room.`,
  title_not_known: "Not known",
  /** @param {string} state  @param {number} n */
  title: (state, n) => `${figure(n)} ${state}`,
  list: "Chambers",
  find: "Find by name or place",
  filter: "Show",
  all: "all",
  /** @type {Record<string, string>} */
  state: {
    danger: "danger",
    alarm: "needs a hand",
    out_of_reach: "out of reach",
    heed: "not calm",
    building: "building",
    calm: "calm",
    ended: "not watched",
  },
  /** @param {number} n */
  nothing: (n) => `None of the ${figure(n)} chambers is like that.`,
  /** @param {number} n */
  more: (n) => `Show ${figure(n)} more`,
  /** @param {string} board */
  board: (board) => `board\u00a0${board}`,
  /** @type {Record<string, string>} */
  reach: {
    silent: "Its board broke off its connection: nobody here knows how it is.",
    unheard: "Its board says nothing, though its connection stands: nobody here knows how it is.",
    stuck: "A part of the watch on its board no longer comes round: don't count on it.",
  },
  not_heard_since: "Its board was not heard yet since the broker was reached: nobody here knows how it is.",
  no_broker: "It isn't known how it is: the broker is out of reach.",
  /** @param {string | null} when  @param {string} meanwhile */
  stopped: (when, meanwhile) => `It was stopped${when ? ` at ${when}` : ""}${meanwhile ? `, and ${meanwhile}` : ""}; it is not watched.`,
  /** @param {string} when */
  last: (when) => `Last heard ${when}.`,
  before: "Then it was:",
  /** @param {string} since */
  since: (since) => `since ${since}`,
  /** @param {string} since */
  last_short: (since) => `last heard ${since}`,
  nothing_said: "Nothing was said of it yet",
  /** @param {number} n */
  misread: (n) => `${figure(n)} ${n === 1 ? "message" : "messages"} of its board could not be understood here, so what stands here may not be all. Newest:`,
  misread_short: "sends what nobody understands",
  /** @param {number} n */
  lacking: (n) => (n === 1 ? "One more alarm stands there that has not arrived here: look at the board." : `${figure(n)} more alarms stand there that have not arrived here: look at the board.`),
  /** @type {Record<string, string>} */
  places: { chamber: "air", room: "room", bed: "bed", electronics: "electronics" },
  sensors: "Sensors",
  not_watched: "Not watched:",
  jobs: "Its newest jobs",
  no_jobs: "None is kept here yet.",
  jobs_failed: "Its jobs couldn't be asked for just now.",
  running: "Building now:",
  chart_none: "How it was in the last hours could not be asked for.",
  see: "I've seen it",
  many: "Say of many that you've seen them",
  many_away: "No board can be asked just now to note that you have seen something: the broker is out of reach. Say it at the board.",
  many_of: "Nobody has seen so far:",
  /** @param {number} n */
  many_yes: (n) => (n === 1 ? "I've seen it" : `I've seen these ${figure(n)}`),
  many_no: "Leave it",
  many_none: "There is nothing that can be answered together.",
  /** @param {number} n */
  many_more: (n) => `${figure(n)} more come after these.`,
  /** @param {number} n */
  many_dangers: (n) => `${n === 1 ? "One danger is" : `${figure(n)} dangers are`} not among them: each is looked at by itself.`,
  /** @param {number} n */
  many_unasked: (n) => `${n === 1 ? "One alarm is" : `${figure(n)} alarms are`} not among them, for ${n === 1 ? "its board" : "their boards"} can't be asked just now: say it there.`,
  many_means: "Each board is asked by itself to note it. Of what is the hall's own nobody else is told then, until it comes again.",
  /** @param {number} n */
  many_done: (n) => `Said of ${figure(n)}. What each board answers stands at its chamber.`,
  /** @param {number} n  @param {string} why */
  many_refused: (n, why) => `Of ${figure(n)} it could not be said: ${why}`,
  own_seen_means: "Nobody else is told then, until it is over and comes again.",
  /** @param {string} by */
  seen_by: (by) => `${by} has seen it.`,
  unasked: "Its board can't be asked just now: say there that you have seen it.",
  seen_means: "The board is asked to note it; nothing else is changed from here.",
  cannot: "This hall has no secret in common with its boards, so it can't answer for you: say it at the board.",
  /** @type {Record<string, (reason: string) => string>} */
  order: {
    sent: () => "Sent; the board has not answered yet.",
    done: () => "The board has noted it.",
    refused: (reason) => `The board did not note it: ${reason || "it says no more"}.`,
    unanswered: () => "The board did not answer: nobody knows whether it has noted it. Say it there.",
  },
  at_board: "All else is done at the board that watches this chamber.",
  back: "All chambers",
  off: "Take it off this page",
  off_means: "What is kept of its past stays. If its board is heard again, the chamber comes back.",
  off_yes: "Take it off",
  off_no: "Leave it",
  /** @param {string} why */
  past_away: (why) => `The past can't be shown just now: ${why}. What boards hand on is kept all the same.`,
  /** @param {string} time  "" where it isn't known */
  past_behind: (time) => `What is shown of the past ${time ? `ends ${time} ago` : "may end some time ago"}: the copy of the database that pages read is behind.`,
  /** @param {number} days */
  kept: (days) => `Readings, and what happened outside of jobs, are kept for ${days % 365 ? `${figure(days)} days` : days === 365 ? "a year" : `${figure(days / 365)} years`}; jobs and dangers for good.`,
  jobs_of_all: "The newest of all chambers.",
};
