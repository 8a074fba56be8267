/** What the page says of telephones: joining one, trying it, and making sure that it is heard. */

export const J = {
  page: "Telephones",
  /** @param {string} person */
  joined: (person) => `This telephone gets the messages for ${person}`,
  not_joined: "This telephone gets no messages",
  how: "A telephone that has joined is told of alarms though no page is open, wherever it has the internet. It goes through the push service of its maker or browser, which sees neither what is said nor of what.",
  loading: "Asking which telephones have joined …",
  failed: "Which telephones have joined couldn't be fetched:",

  here: "On this telephone",
  who: "Who are you?",
  name: "What this telephone is called",
  /** @param {string} person */
  usual: (person) => `${person}'s telephone`,
  join: "Join this telephone",
  again: "Join it again",
  viewer: "To join a telephone one has to be an operator; ask an owner.",
  nobody: "Nobody is to be reached by telephone yet. Who is told, and by which way, an owner says in the steps of setting up.",
  name_one: "Name somebody who is told",
  /** @type {Record<string, string>} */
  ways: {
    insecure:
      "That needs HTTPS, and this page came without. Make a certificate on the board, start the service anew, and open the page under its https address:",
    install:
      "On an iPhone or iPad it has to be on the home screen first, from iOS 16.4 on: tap Share, then Add to Home Screen, and open Stillair from there.",
    unable: "This browser takes no messages of a page. Open the page in another one, or bring the telephone's software up to date.",
    untrusted: "The telephone doesn't trust the board's certificate, so it takes no messages of it. Give it the board's authority first:",
    denied: "Messages of this page are forbidden on this telephone. Allow them in its settings, under notifications of this page or app, and open the page again.",
  },
  trust: "How a telephone comes to trust the board",
  not_allowed: "This telephone didn't allow messages of this page. Its settings, under notifications, can change that.",
  not_awake: "The browser didn't start what has to stay awake for messages. Open the page again.",
  no_service: "The browser's push service can't be reached just now. See whether this telephone has the internet.",

  list: "Telephones that have joined",
  none: "None has joined: nobody is told by telephone.",
  /** @param {string} person */
  of: (person) => `of ${person}`,
  this_one: "This is here.",
  /** @param {string} when */
  since: (when) => `Joined ${when}.`,
  /** @param {string} when */
  last: (when) => `Its push service last took a message ${when}.`,
  never: "It has had no message yet: send it a trial.",
  /** @param {string} why */
  failing: (why) => `The last message didn't get through: ${why}.`,
  trial: "Send a trial",
  /** @param {string} told */
  sent: (told) => `Sent: ${told}. If it isn't shown within a minute, don't count on this telephone.`,
  /** @param {string} told */
  not_sent: (told) => `Not sent: ${told}.`,
  remove: "Remove",
  /** @param {string} label */
  remove_really: (label) => `Remove ${label}? It gets no more messages until it joins again.`,
  yes: "Yes, remove",
  no: "No",

  heard: "So that it is heard",
  heard_try:
    "A message is as loud as the telephone lets it be. Try it the way the telephone lies at night: locked, in silent mode, not to be disturbed. What you don't hear then, don't count on.",
  android:
    "Android: press long on a message of Stillair to reach its settings. Let it make a sound, show on the lock screen and break through Do Not Disturb. Then allow the browser to work in the background, in the settings of the battery.",
  apple:
    "iPhone, iPad: in Settings, Notifications, Stillair, allow sounds and the lock screen; in Settings, Focus, allow Stillair in each that you use. In silent mode such a message buzzes at most: no page can ring there.",
  aid: "A push service may be late, and a telephone may be empty or out of reach. Keep a second way, and the sounder.",
};
