/** What the pages say of a sounder that is tried alone. */

export const N = {
  ask: "Sound it for one second",
  made: "It was driven for one second. Did you hear it? If not, look at its wires and power.",
  /** @param {string} why */
  failed: (why) => `It could not be driven: ${why}. Look at its wires and power.`,
};
