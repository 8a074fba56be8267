/** What the page says of setting up; what was found and its remedies are worded by the service. */

export const U = {
  way: "Setting up",
  /** @param {number} n */
  to_do: (n) => (n === 0 ? "Nothing is left to do" : n === 1 ? "One thing to do" : `${n} things to do`),
  how: "Sensors, camera, supply, heat, clock, disk, routes and certificate, as they are just now. What isn't well has a remedy; begin with the uppermost.",
  loading: "Looking at what is there …",
  failed: "What was found couldn't be fetched.",
  todo: "To do",
  fit: "As it should be",
  others: "Not there, not tried, or not known",
  all: "All that was found",
  all_head: "For a terminal on the board",
  all_told: "This tries everything once more, ways to people and camera included:",
};
