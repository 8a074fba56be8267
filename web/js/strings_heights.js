/** What the page says of heights and their minutes: asked for, found, pinned by hand. */

export const H = {
  heading: "At which height?",
  gist: "Say how high up something is, and see when that was laid and what the chamber did.",
  how: "A crack, a seam, a corner that has lifted: measure from the bed how high up it is, and see what the chamber did while that was laid.",
  height: "Height above the bed, in mm",
  find: "Find its minute",
  wrong: "Give the height as a number of millimetres, such as 12.4.",
  looking: "Looking …",

  /** @param {string} high  @param {string} began  @param {string} lasting */
  laid: (high, began, lasting) => `${high} up was laid at ${began}, for ${lasting}.`,
  /** @param {string} high  @param {string} began  @param {string} lasting */
  will: (high, began, lasting) => `${high} up will be laid at about ${began}, for ${lasting}.`,
  /** @param {string} give */
  give: (give) => `Give or take ${give}.`,
  /** @param {number} layer */
  layer: (layer) => `Layer ${layer}.`,
  /** @param {number} piece */
  piece: (piece) => `Piece ${piece}: `,
  /** @param {string} high  @param {string} low  @param {string} top */
  between: (high, low, top) => `The part was ${high} high, or from ${low} to ${top}.`,
  /** @param {string} high */
  just: (high) => `The part was ${high} high.`,
  not_then: "Nothing was being laid then.",

  read: "What was read in that time, its uncertainty included:",
  /** @param {string} name  @param {string} low  @param {string} high */
  range: (name, low, high) => (low === high ? `${name} ${low}` : `${name} ${low} to ${high}`),
  no_readings: "No readings of that time are kept.",
  told: "What happened in that time:",
  quiet: "Nothing happened then that had to be told.",
  /** @param {string} at  @param {string} high */
  picture: (at, high) => `The nearest picture that is kept, ${at}${high && `, with the part ${high} high`}.`,
  alt: "The chamber at about that time",
  /** @param {string} high */
  mark: (high) => `${high}, which you asked for.`,
  /** @param {string} high */
  tap: (high) => `${high}: how sure is that?`,

  unknown: "Of this height nothing is known: the part didn't get so high, or nobody told.",
  by_toolpath: "Found by the job's toolpath.",
  doubt: {
    heights:
      "The heights that the machine told are not those of this toolpath: it may be another job's. Look at which one the job follows.",
    duration:
      "This toolpath takes far longer or shorter than the job did: it may be another job's, or the job was ended early. Look at which one it follows, or say how high the part was at a moment.",
  },
  /** @param {number} count */
  unlaid: (count) =>
    `The job was done before all of its toolpath was laid: its last ${count === 1 ? "layer was" : `${count} layers were`} likely never built.`,
  by_told: "Found between the heights that were told. With the job's toolpath it would be more exact.",
  by_nothing:
    "Nobody told how high this part was, and it follows no toolpath. Choose its toolpath below, or say how high it was at a moment that you remember.",

  pins: "What people remember",
  pin: "Say how high the part was at a moment",
  pinned_height: "It was so high, in mm",
  pinned_at: "at",
  pin_it: "Keep that",
  when_wrong: "Give the moment, with its day.",
  /** @param {string} high  @param {string} at  @param {string} by */
  was: (high, at, by) => `${high} high at ${at} (${by}).`,
  doubtful: "That fits nothing else that is known: look at it again.",
  take_back: "Take it back",
  /** @param {number} count  @param {string[]} which */
  left_out: (count, which) =>
    `${count} of the heights that the machine told ${count === 1 ? "fits" : "fit"} nothing else and ${count === 1 ? "was" : "were"} left out: ${which.join(", ")}${count > which.length ? " and others" : ""}.`,
  /** @param {string} high  @param {string} at */
  odd: (high, at) => `${high} at ${at}`,
};
