/** What the page says of each layer's own weather, along the part's ruler. */

export const R = {
  heading: "Each layer's own weather",
  how_to_read: "How to read the drawing",
  looking: "Being worked out from the toolpath and the air that the chamber had; that takes some seconds …",
  again: "Ask again",
  no_toolpath:
    "How warm each layer was when the next one came can be said once it is known which toolpath is the job's: choose it below.",
  no_material: "How warm each layer was when the next one came can be said once it is known what it was made of.",
  no_material_viewer: "An operator can say it here.",
  material: "The material",
  keep: "Keep that",
  nothing_said: "Say which material first, such as ASA.",

  /** @param {number} count */
  differ: (count) =>
    count === 1
      ? "In one stretch the layer below was warmer or colder, when the next one came, than is usual in this job."
      : `In ${count} stretches the layer below was warmer or colder, when the next one came, than is usual in this job.`,
  alike: "Nowhere was the layer below colder or warmer, when the next one came, than is usual in this job.",
  so_far: "Of the layers laid so far:",
  none_yet: "none yet.",
  how: "The line is how warm the layer below still was when the next one came, the pale band what it may have been: that isn't known better, and shifts all layers alike.",
  limits:
    "The ruled limits hold this job's own undisturbed layers. Left of them a layer came onto one colder than those, and may bond poorly; right of them onto a warmer one, which may be firm too late, sag or curl at its edges.",
  no_limits: "This job's own layers are so unlike each other that no limits can be drawn around them.",
  /** @param {string} firm */
  strip: (firm) => `The strip beside it, time soft: for how long two layers stayed above ${firm} where they meet, so that they bond; above that this material is no longer firm.`,
  promise: "All this is reckoned from times, fan and air. It says where trouble is likelier than elsewhere, never that it is there: look at the part at those heights.",

  piece: "Piece",
  /** @param {number} piece */
  of_piece: (piece) => `Piece ${piece}: `,
  label: "A height on the ruler",
  keys: "Tap the ruler, or move along it with the arrow keys; page up and down go ten layers.",
  closer: "Closer",
  farther: "Farther",
  all: "The whole part",
  bed: "bed",
  below: "layer below",
  above: "above",
  joint: "time soft,",
  colder: "colder",
  warmer: "warmer",
  not_firm: "not firm",
  firm: "firm below",

  /** @param {string} side  @param {string} by  @param {boolean} sure */
  mark: (side, by, sure) => {
    const said = side === "not_firm" ? "not firm" : `${by} ${side === "cold" ? "colder" : "warmer"}`;
    return sure ? said : `perhaps ${said}`;
  },
  differs: "Where it differs",
  /** @param {string} heights  @param {number} more */
  furthest: (heights, more) => `It differs most at ${heights}${more > 0 ? `, and in ${more === 1 ? "one stretch" : `${more} stretches`} more` : ""}.`,
  more: "The rest of them",
  /** @param {string} from  @param {string} to */
  heights: (from, to) => (from === to ? from : `${from} to ${to}`),
  /** @param {string} began  @param {string} ended  @param {string} give */
  laid_between: (began, ended, give) => `Laid ${began === ended ? `at ${began}` : `from ${began} to ${ended}`}, give or take ${give}.`,
  /** @param {string} from  @param {string} to */
  or_from: (from, to) => `So little is known of its times that it may be anywhere from ${from} to ${to}.`,
  then: "Then:",
  nothing_then: "Nothing that goes with it was told of the chamber then.",

  /** @param {number} number  @param {number} all  @param {string} high */
  layer: (number, all, high) => `Layer ${number} of ${all}, ${high}`,
  /** @param {string} at  @param {string} lasting  @param {string} give */
  laid: (at, lasting, give) => `laid at ${at} in ${lasting}, give or take ${give}.`,
  /** @param {string} mean  @param {string} lowest  @param {string} usual */
  air: (mean, lowest, usual) =>
    `Air around it ${mean}${lowest === mean ? "" : `, at the lowest ${lowest}`}; in this job usually ${usual}.`,
  no_air: "The air around it wasn't measured, so nothing is said of it.",
  on_bed: "It lies on the bed.",
  /** @param {string} below  @param {string} low  @param {string} high */
  came: (below, low, high) => `When it came, the layer below was at about ${below} (${low} to ${high}).`,
  /** @param {string} low  @param {string} high */
  own: (low, high) => `Among its own undisturbed layers ${low} to ${high} is usual at this height`,
  within: "so it is one of them.",
  /** @param {string} by  @param {string} side  @param {string} low  @param {string} high */
  off: (by, side, low, high) => `this one is ${by} degrees ${side} than the middle of that (${low} to ${high} degrees).`,
  not_firm_yet: "So the layer below wasn't firm yet.",
  not_compared: "A piece's first layers are compared with nothing.",
  /** @param {string} lasting  @param {string} low  @param {string} high  @param {string} firm */
  stayed: (lasting, low, high, firm) => `Where they meet it stayed above ${firm}, and so soft, for ${lasting} (${low} to ${high}).`,
  /** @param {string} firm */
  never: (firm) => `Where they meet it was hardly ever above ${firm}, and so hardly soft.`,
  look: "Show that minute along the job's time",
  disturbed: "The chamber was disturbed around then.",
};
