/** What the page says of how the watch itself is; each line is worded by the service. */

export const W = {
  loading: "Asking how sensors, camera, ways to people and the computer are …",
  failed: "How the watch is couldn't be asked just now",
  again: "It is tried again by itself.",
  older: "What stands here is how it was before.",
  /** @param {number} wrong  @param {number} look */
  says: (wrong, look) =>
    wrong === 1
      ? "One thing is wrong with the watch"
      : wrong > 1
        ? `${wrong} things are wrong with the watch`
        : look > 0
          ? "The watch works; some of it isn't there or was never tried"
          : "The watch works",
  how: "As it is just now, asked again every half minute. A page that is out of touch says nothing of the watch.",
  wrong: "Wrong",
  /** @type {Record<string, string>} */
  parts: {
    sensors: "Sensors and switches",
    camera: "Camera",
    people: "Ways to people, sounder and stop",
    disk: "Disk and backups",
    computer: "Clock, computer and versions",
  },
  /** @param {string} when */
  since: (when) => `Since ${when}.`,
  /** @param {string} when */
  of: (when) => `That was ${when}.`,
};
