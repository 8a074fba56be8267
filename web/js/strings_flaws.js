/** What the page says of the flaws in a job's log, where their height is looked up. */

export const W = {
  heading: "From the job's log:",
  /** @param {string} flaw  @param {string} high */
  at: (flaw, high) => `${flaw} at ${high}`,
  /** @param {number[]} pieces */
  pieces: (pieces) => (pieces.length === 1 ? `piece ${pieces[0]}` : `pieces ${pieces.slice(0, -1).join(", ")} and ${pieces[pieces.length - 1]}`),
};
