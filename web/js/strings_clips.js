/** What the page says of films: of events, and one time-lapse of each job. */

export const C = {
  heading: "Films",
  /** @param {number} n */
  many: (n) => (n === 1 ? "There is one film." : `There are ${n} films.`),
  choose: "Which film",
  lapse: "The whole job in short",
  /** @param {string[]} kinds */
  shows: (kinds) => {
    const all = kinds.join(", ");
    return all.charAt(0).toUpperCase() + all.slice(1);
  },
  /** @param {string} what  @param {string} when */
  entry: (what, when) => `${what}, ${when}`,
  /** @param {string} what  @param {string} from  @param {string} to  @param {string} long */
  told: (what, from, to, long) => `${what}: from ${from} to ${to}, ${long} of film.`,
  /** @param {string} what  @param {string} when */
  alt: (what, when) => `Film: ${what}, ${when}`,
  jump: "Go to",
  /** @param {string} what  @param {string} at */
  moment: (what, at) => `${what} at ${at}`,
  in_view: "Show this time in the curves",
  making: "It is still being made.",
  lapse_coming: "A film of the whole job is made when it is over.",
  /** @param {string} why */
  lost: (why) => `There is no film of it. ${why}`,
  no_film_paused: "There is no film of it: the camera was paused.",
  /** @param {string} from  @param {string} to */
  paused: (from, to) => `The camera was paused from ${from} to ${to}: nothing was recorded.`,
  /** @param {string} from */
  paused_since: (from) => `The camera was paused at ${from}: nothing was recorded from then on.`,
  failed: "This browser could not play it, or it is not kept any more.",
  save: "Save the film",
  simulated: "Simulated, nothing of it was real.",
  recorded: "Played from a recording.",
  erase: "Erase this film …",
  erase_really: "Erase this film for ever?",
  yes: "Erase it",
  no: "Keep it",
};
