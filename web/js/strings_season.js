/** What the page says of the season of simulated jobs. */

export const N = {
  label: "Season of simulated jobs",
  offered:
    "Nothing has been built here yet. Three months of simulated jobs from a boat shed show what these pages say once there is a history.",
  fill: "Fill with a season of simulated jobs",
  fill_really:
    "The simulated chamber begins anew, with the jobs of the last three months before it. What it has told so far is given up.",
  yes_fill: "Fill it",
  filling: "The service begins anew with it; that takes some seconds.",
  /** @param {number} n */
  there: (n) =>
    `${n === 1 ? "One of these jobs is" : `${n} of these jobs are`} a simulated season that came with Stillair: nothing of it is real.`,
  remove: "Remove the season",
  remove_really:
    "Its jobs, readings, notes and outcomes go, with whatever was added to them since. This can't be taken back.",
  yes_remove: "Remove it",
  no: "Leave it",
  removed: "The season is gone.",
};
