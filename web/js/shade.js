/**
 * Shade air by temperature.
 *
 * One hue, lightness in even steps: neighbouring degrees differ equally to the
 * eye, in grey and to the colour-blind as well.
 *
 * Ottosson, B. (2020). A perceptual color space for image processing (Oklab).
 */

/** Ends of the scale as [lightness, chroma, hue in degrees], on paper and on dark ground. */
const SCALES = {
  light: { cold: [0.965, 0.012, 85], warm: [0.74, 0.125, 62] },
  dark: { cold: [0.27, 0.012, 70], warm: [0.47, 0.105, 56] },
};

/**
 * @param {number} share  0 for the cold end, 1 for the warm one
 * @param {boolean} dark
 * @returns {string} a CSS colour
 */
export function shade(share, dark) {
  const { cold, warm } = dark ? SCALES.dark : SCALES.light;
  const s = Math.min(1, Math.max(0, share));
  const [l, c, h] = cold.map((from, i) => from + (warm[i] - from) * s);
  const a = c * Math.cos((h * Math.PI) / 180);
  const b = c * Math.sin((h * Math.PI) / 180);
  const long = (l + 0.3963377774 * a + 0.2158037573 * b) ** 3;
  const medium = (l - 0.1055613458 * a - 0.0638541728 * b) ** 3;
  const short = (l - 0.0894841775 * a - 1.291485548 * b) ** 3;
  const linear = [
    4.0767416621 * long - 3.3077115913 * medium + 0.2309699292 * short,
    -1.2684380046 * long + 2.6097574011 * medium - 0.3413193965 * short,
    -0.0041960863 * long - 0.7034186147 * medium + 1.707614701 * short,
  ];
  return `rgb(${linear.map((x) => Math.round(255 * gamma(x))).join(" ")})`;
}

/** @param {number} x  linear light, 0 to 1 */
function gamma(x) {
  const v = Math.min(1, Math.max(0, x));
  return v <= 0.0031308 ? 12.92 * v : 1.055 * v ** (1 / 2.4) - 0.055;
}
