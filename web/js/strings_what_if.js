/** What the page says of watching a job again with other settings. */

export const W = {
  heading: "What if it had been set otherwise?",
  open: "Try other settings on this job",
  how: "The kept temperatures, with the pauses of the job, go through the watch twice: as the chamber is set now, and as you set it here. Nothing is saved.",
  target: "Target, in °C; empty for none",
  limit: "Limit, in °C",
  material: "Material",
  places: "Where the sensors sit",
  place: { chamber: "in the air of the chamber", room: "in the room", bed: "on the bed", electronics: "on electronics" },
  ask: "Watch this job again",
  change_one: "Change something first.",
  target_wrong: "Give the target as a number of degrees from -20 to 300, such as 45, or leave it empty for none.",
  limit_wrong: "Give the limit as a number of degrees from -20 to 300, such as 70.",
  underway: "Watching the job again …",
  /** @param {number} percent */
  so_far: (percent) => `Watching the job again: ${percent} % …`,
  /** @param {number} n  @param {number} all */
  differ: (n, all) =>
    all === 0
      ? "Neither way would anything have been told."
      : n === 0
        ? `Nothing would differ: ${all === 1 ? "the one event" : `all ${all} events`} would be told alike.`
        : `${n} of ${all} ${all === 1 ? "event" : "events"} would differ.`,
  by_temperature: "By temperatures and the door's switch alone: what only a detector or the camera tells is in neither.",
  /** @param {number} n */
  same: (n) => `${n} that would be told alike`,
  what: "What",
  before: "As set now",
  after: "Set so",
  not_told: "not told",
  to_the_end: "to the end",
  /** @param {string} lasting */
  for: (lasting) => `for ${lasting}`,
  keep: "To keep it, change it under Setting up, or write this into the chamber file and start the service anew:",
  no_target: "# without target_c",
};
