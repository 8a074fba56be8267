/** What the page says first of a part that is flawed: where it is, when that was laid, what happened then. */

export const X = {
  heading: "Where it went wrong",
  ask: "What is wrong with it, and how high up?",
  kinds: "Which flaw",
  height: "Height, mm",
  no_height: "Measured from the bed; empty, if it is not at one height.",
  piece: "Piece",
  keep: "Keep it",
  pick: "Tap what is wrong with it.",
  height_wrong: "Give the height as a number of millimetres, such as 30.2, or leave it empty.",
  more: "Write down another flaw",
  leave: "Leave it",
  looking: "Finding its minute …",
  /** @param {string} flaw  @param {string} high */
  at: (flaw, high) => `${upper(flaw)} at ${high}`,
  upper,
  /** @param {string} at  @param {string} give  @param {number | null} layer */
  laid: (at, give, layer) => `Laid at ${at}, give or take ${give}${layer === null ? "" : ` (layer ${layer + 1})`}.`,
  unknown: "When that height was laid is not known.",
  quiet: "Nothing happened then that had to be told.",
  /** @param {number} n */
  others: (n) => `${n === 1 ? "One flaw more" : `${n} flaws more`} in the job's log.`,
};

/** @param {string} words */
function upper(words) {
  return words.charAt(0).toUpperCase() + words.slice(1);
}
