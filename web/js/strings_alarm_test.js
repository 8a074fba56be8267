/** What the page says of alarm tests; what became of one is worded by the service. */

export const A = {
  go: "Alarm test",
  intro:
    "A test goes the whole way of an alarm: simulated heat and flame, the verdict, the sounder, a message on every route of everybody. All of it says that it is a test. Nobody can know that a telephone rings but the person who hears it.",
  intro_hall:
    "A test goes the way of an alarm from here: a message on every route of everybody whom this hall tells. All of it says that it is a test. Nobody can know that a telephone rings but the person who hears it. Sounders, and whom the boards tell by themselves, each board tries with a test of its own.",
  /** @param {string} name */
  chamber: (name) => `Chamber ${name}`,
  begin: "Begin an alarm test",
  /** @param {boolean | null} sounder  null: of a hall  @param {number} people  @param {number} routes  @param {string[]} quiet */
  what: (sounder, people, routes, quiet) =>
    [
      ...(sounder === null ? [] : [sounder ? "The sounder sounds once, for 4 seconds. Whoever is near has to know." : "No sounder is connected."]),
      people === 0
        ? "Nobody is told: no person is named."
        : `${people === 1 ? "One person gets" : `${people} people get`} a message marked as a test, on ${routes === 1 ? "one route" : `${routes} routes at once`}.`,
      ...(quiet.length ? [`It is in the quiet hours of ${quiet.join(", ")}: shall they be woken?`] : []),
      "If there is real danger, the test ends at once.",
    ].join(" "),
  yes: "Yes, begin",
  no: "Not now",
  told: "Who is told",
  /** @param {string} person  @param {string} routes */
  person: (person, routes) => `${person}: ${routes}.`,
  /** @param {string} when  @param {string} by */
  newest: (when, by) => `The test of ${when}, begun by ${by}`,
  part: "Part of the way",
  became: "What became of it",
  signs: "Simulated signs, verdict, alarm",
  passed: "went through",
  /** @param {string[]} steps */
  stopped: (steps) => `ended after: ${steps.join(", ") || "nothing"}`,
  sounder: "Sounder",
  stop: "Stop of the machine",
  /** @param {string} person  @param {string} route */
  route: (person, route) => `${person}, ${route}`,
  confirm: "Did it arrive?",
  confirm_how:
    "Each person looks at their own telephone. Try it once more with the telephone on silent: at night that is how it lies there, and a fire has to be heard.",
  heard: "It arrived, and I heard it",
  silent: "It arrived in silence",
  nothing: "Nothing came",
  /** @param {string} person */
  to: (person) => `To ${person}:`,
  on_its_way: "Their message is on its way.",
  nobody_took: "No server took a message for them, so none can have arrived. Why stands in the lines above. Join a telephone, or name another way to reach them, and test again.",
  join: "Join a telephone",
  name_route: "Name another way",
  one_by_one: "Say it route by route",
  silent_todo: "Let the telephone sound for these messages even when it is on silent, then test again.",
  nothing_todo: "See the route's line above, and the address under Setting up, People. Then test again.",
  nothing_todo_hall: "See the route's line above, and the route in the hall's file. Then test again.",
  earlier: "Earlier tests",
  failed: "The earlier tests couldn't be fetched.",
  /** @param {string} when  @param {string} by  @param {string} text */
  line: (when, by, text) => `${when}, begun by ${by}: ${text}.`,
};
