/**
 * Lines of temperatures: a name (and while it is live a value) at the end of each,
 * events as bands with words, the target dotted, gaps left open; what can't be true is
 * marked at the edge that it lies beyond. Drawn by uPlot.
 */

import uPlot from "../vendor/uplot.js";
import { clock, duration, figure, inUnit, moment, symbol } from "./units.js";
import { drawBetween, drawThen } from "./chart_beside.js";
import { clearSpot } from "./label_spot.js";
import { onPaper } from "./paper.js";
import { farthest } from "./scale.js";
import { apart } from "./section_layout.js";
import { S } from "./strings.js";

/** @typedef {import("../vendor/uplot.js").default} Plot */
/** @typedef {import("./types.js").Story} Story */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./hour.js").Hour} Hour */

const LINES = 5; // --line-1 to --line-5 in the stylesheet; then they begin again, dashed
const DASHES = [[], [7, 4], [2, 3]];
const LABEL_PITCH = 15;
const ROW = 16; // height of a row of words above the lines
const MOST_ROWS = 3;
const TOP = 8;
const MARK = 5; // half as wide as a mark at the edge, and as high
const DAY_S = 86_400;
const INCREMENTS_S = [60, 120, 300, 600, 900, 1200, 1800, 3600, 7200, 10_800, 21_600, 43_200, DAY_S];

/**
 * @typedef {object} Drawn
 * @property {Hour} hour
 * @property {string[]} names      of the sensors that are drawn
 * @property {Unit} unit
 * @property {number | null} target_c
 * @property {Story[]} stories
 * @property {number} from_s       left edge, seconds since the epoch
 * @property {number} to_s         right edge
 * @property {boolean} live        the right edge is now
 * @property {import("./scale.js").Scaled} scaled
 * @property {import("./types.js").Columns | null} [then]  an earlier job's lines, drawn dotted
 * @property {import("./types.js").Between | null} [between]  what other jobs kept between, shaded
 * @property {boolean} [silent]  the events' words stand elsewhere
 * @property {number} [right]    room at the right at least, for words that stand there
 */

export class Chart {
  /** @param {HTMLElement} place  @param {Drawn} drawn */
  constructor(place, drawn) {
    this.place = place;
    this.drawn = drawn;
    this.colours = colours(place);
    /** @type {{left: number, width: number, row: number, text: string}[]} */
    this.words = [];
    this.rows = 0;
    this.plot = new uPlot(this.options(), this.data(), place);
    this.watcher = new ResizeObserver(() => this.fit());
    this.watcher.observe(place);
    this.off_paper = onPaper(() => this.fit());
  }

  /** @param {Drawn} drawn  with the same names and unit */
  show(drawn) {
    this.drawn = drawn;
    this.plot.setData(this.data());
  }

  /** Show another stretch of the same. @param {number} from_s  @param {number} to_s */
  move(from_s, to_s) {
    this.drawn = { ...this.drawn, from_s, to_s };
    this.plot.setScale("x", { min: from_s, max: to_s });
  }

  /** Where the lines are, in CSS pixels: room at the left and right of them, and how wide they are. */
  laid() {
    const { left, width } = this.plot.bbox;
    const px = uPlot.pxRatio;
    return { left: left / px, right: this.plot.width - (left + width) / px, width: width / px };
  }

  fit() {
    const { width, height } = this.size();
    if (width !== this.plot.width || height !== this.plot.height) this.plot.setSize({ width, height });
  }

  close() {
    this.watcher.disconnect();
    this.off_paper();
    this.plot.destroy();
  }

  size() {
    const width = Math.max(200, Math.floor(this.place.clientWidth));
    return { width, height: width < 600 ? 240 : 280 };
  }

  /** @returns {import("../vendor/uplot.js").AlignedData} */
  data() {
    const { hour, scaled, unit } = this.drawn;
    const shown = scaled.columns.map((column) => column.map((t) => (t === null ? null : inUnit(t, unit))));
    return [hour.time_s, ...shown];
  }

  /** @returns {import("../vendor/uplot.js").Options} */
  options() {
    const { ink, soft, rule, font } = this.colours;
    const axis = { stroke: soft, font, grid: { stroke: rule, width: 1 }, ticks: { show: false } };
    return {
      ...this.size(),
      padding: [() => TOP + ROW * this.layWords(), () => this.room(), 0, 0],
      legend: { show: false },
      cursor: { show: false },
      series: [
        {},
        ...this.drawn.names.map((_, i) => ({
          stroke: this.colours.lines[i % LINES],
          width: 1.75,
          dash: DASHES[Math.floor(i / LINES) % DASHES.length],
          points: { show: false },
        })),
      ],
      scales: {
        x: { time: true, range: () => [this.drawn.from_s, this.drawn.to_s] },
        y: { range: () => this.drawn.scaled.span },
      },
      axes: [
        {
          ...axis,
          size: 26,
          gap: 6,
          space: this.long() ? 130 : 70,
          incrs: INCREMENTS_S,
          grid: { show: false },
          values: (/** @type {Plot} */ _, /** @type {number[]} */ at) => at.map((s) => this.when(s)),
        },
        {
          ...axis,
          size: 40,
          gap: 4,
          space: 34,
          values: (/** @type {Plot} */ _, /** @type {number[]} */ at) => at.map((v) => `${v}°`),
        },
      ],
      hooks: {
        drawClear: [
          (/** @type {Plot} */ plot) => {
            this.drawBands(plot);
            drawBetween(plot, this.drawn, this.colours.lines);
          },
        ],
        draw: [
          (/** @type {Plot} */ plot) => {
            this.drawTarget(plot, ink);
            drawThen(plot, this.drawn, this.colours.lines);
            this.drawBeyond(plot);
            this.drawNames(plot);
            this.drawWords(plot);
          },
        ],
      },
    };
  }

  /** Whether a time of day alone doesn't tell which. */
  long() {
    return this.drawn.to_s - this.drawn.from_s > 0.8 * DAY_S;
  }

  /** @param {number} at_s */
  when(at_s) {
    return this.long() ? moment(at_s * 1000, 0) : clock(at_s * 1000);
  }

  /** Room at the right for the longest name with its value, in CSS pixels. */
  room() {
    const pen = measure(this.colours.font);
    const value = this.drawn.live ? " 000.0" : "";
    const widths = this.drawn.names.map((name) => pen.measureText(cut(name) + value).width);
    return Math.ceil(Math.max(this.drawn.right ?? 40, ...widths)) + 8;
  }

  /** Where each band's words go; returns the number of rows they need. */
  layWords() {
    this.words = [];
    if (this.drawn.silent) return (this.rows = 0); // nor is the page laid out anew to know its width
    const pen = measure(this.colours.font);
    const left = 44;
    const right = this.size().width - this.room();
    const wide = right - left;
    /** @type {number[]} */
    const ends = [];
    for (const band of this.bands()) {
      const text = [band.text, band.short].find((words) => pen.measureText(words).width <= wide);
      if (text === undefined) continue; // the stories below tell it all the same
      const width = pen.measureText(text).width;
      const { from_s, to_s } = this.drawn;
      const from = left + wide * Math.max(0, (band.from_s - from_s) / (to_s - from_s));
      const x = Math.max(left, Math.min(from, right - width));
      let row = ends.findIndex((end) => end + 8 < x);
      if (row < 0) row = ends.length;
      if (row >= MOST_ROWS) continue;
      ends[row] = x + width;
      this.words.push({ left: x, width, row, text });
    }
    this.rows = ends.length;
    return ends.length;
  }

  /** Events of the stretch in order of their beginning. */
  bands() {
    const { stories, from_s: begin_s, to_s: end_s } = this.drawn;
    return stories
      .map((story) => {
        const from_s = Date.parse(story.onset_at) / 1000;
        const to_s = story.end_at ? Date.parse(story.end_at) / 1000 : end_s;
        const lasting = story.class === "notice" ? "" : ` ${duration(to_s - from_s)}`;
        const short = S.hour.kinds[story.kind] ?? story.kind;
        return { from_s, to_s, class: story.class, text: `${short}${lasting}`, short };
      })
      .filter((band) => band.to_s > begin_s && band.from_s < end_s)
      .sort((a, b) => a.from_s - b.from_s);
  }

  /** @param {Plot} plot */
  drawBands(plot) {
    const { ctx, bbox } = plot;
    ctx.save();
    for (const band of this.bands()) {
      const from = Math.max(bbox.left, plot.valToPos(band.from_s, "x", true));
      const to = Math.min(bbox.left + bbox.width, plot.valToPos(band.to_s, "x", true));
      const notice = band.class === "notice";
      ctx.fillStyle = this.colours.bands[band.class] ?? this.colours.bands.supervisory;
      const width = notice ? uPlot.pxRatio : Math.max(2 * uPlot.pxRatio, to - from);
      ctx.fillRect(from, bbox.top, width, bbox.height);
    }
    ctx.restore();
  }

  /** @param {Plot} plot  @param {string} ink */
  drawTarget(plot, ink) {
    const { target_c, unit } = this.drawn;
    if (target_c === null) return;
    const { ctx, bbox } = plot;
    const y = Math.round(plot.valToPos(inUnit(target_c, unit), "y", true));
    const px = uPlot.pxRatio;
    ctx.save();
    ctx.strokeStyle = ink;
    ctx.globalAlpha = 0.65;
    ctx.lineWidth = px;
    ctx.setLineDash([2 * px, 4 * px]);
    ctx.beginPath();
    ctx.moveTo(bbox.left, y);
    ctx.lineTo(bbox.left + bbox.width, y);
    ctx.stroke();
    ctx.restore();
    this.writeTarget(plot, y / px);
  }

  /** On its line or below it, as far to the left as no curve runs through it. @param {Plot} plot  @param {number} y  CSS pixels */
  writeTarget(plot, y) {
    const { left, top, width, height } = inPixels(plot.bbox);
    const wide = measure(this.colours.font).measureText(S.hour.target).width;
    const places = [];
    for (let x = left + 4; x + wide <= left + width; x += wide / 2) places.push({ x, base: y - 4 }, { x, base: y + 13 });
    const spots = places
      .filter(({ base }) => base - 12 >= top && base + 3 <= top + height)
      .map(({ x, base }) => ({
        x,
        base,
        from_s: plot.posToVal(x - 2 - left, "x"),
        to_s: plot.posToVal(x + wide + 2 - left, "x"),
        low: plot.posToVal(base + 3 - top, "y"),
        high: plot.posToVal(base - 11 - top, "y"),
      }));
    const instants = this.bands().flatMap((band) => (band.class === "notice" ? [band.from_s] : []));
    const [time_s, ...columns] = /** @type {any[]} */ (plot.data);
    const spot = clearSpot(spots, time_s, columns, instants) ?? spots[0];
    if (spot) this.write(plot, S.hour.target, spot.x, spot.base, this.colours.soft);
  }

  /** A filled arrow at the edge for each reading beyond it, in its line's colour. @param {Plot} plot */
  drawBeyond(plot) {
    const { ctx, bbox } = plot;
    const size = MARK * uPlot.pxRatio;
    /** @type {Map<string, number>} */
    const last = new Map();
    ctx.save();
    for (const { name, at_s, above } of this.drawn.scaled.beyond) {
      const x = plot.valToPos(at_s, "x", true);
      const key = `${above} ${name}`;
      if (x < bbox.left || x > bbox.left + bbox.width || x - (last.get(key) ?? -Infinity) < 2 * size) continue;
      last.set(key, x);
      const edge = above ? bbox.top : bbox.top + bbox.height;
      ctx.fillStyle = this.colours.lines[this.drawn.names.indexOf(name) % LINES];
      ctx.beginPath();
      ctx.moveTo(x, edge);
      ctx.lineTo(x - size, edge + (above ? 2 : -2) * size);
      ctx.lineTo(x + size, edge + (above ? 2 : -2) * size);
      ctx.fill();
    }
    ctx.restore();
  }

  /** @param {Plot} plot */
  drawNames(plot) {
    const px = uPlot.pxRatio;
    const { bbox } = plot;
    const ends = this.drawn.names
      .map((name, i) => {
        const column = plot.data[i + 1];
        const seen = plot.data[0].findLastIndex((/** @type {number} */ t_s) => t_s <= this.drawn.to_s);
        let last = seen;
        while (last >= 0 && column[last] === null) last--;
        if (last < 0) return null;
        const y = plot.valToPos(column[last] ?? 0, "y", true) / px;
        const { hour, scaled, unit } = this.drawn;
        const beyond = scaled.beyond.some((one) => one.name === name && one.at_s > plot.data[0][last]);
        const stale = beyond || plot.data[0][seen] - plot.data[0][last] > 20;
        const value = figure(hour.column(name)[last] ?? 0, unit);
        const text = this.drawn.live ? `${cut(name)} ${stale ? "–" : value}` : cut(name);
        return { y, text, colour: this.colours.lines[i % LINES] };
      })
      .filter((end) => end !== null)
      .sort((a, b) => a.y - b.y);
    const top = bbox.top / px + 6;
    const placed = apart(
      ends.map((end) => end.y),
      LABEL_PITCH,
      top,
      (bbox.top + bbox.height) / px - 4,
    );
    ends.forEach((end, i) =>
      this.write(plot, end.text, (bbox.left + bbox.width) / px + 6, placed[i] + 4, end.colour),
    );
  }

  /** @param {Plot} plot */
  drawWords(plot) {
    const top = plot.bbox.top / uPlot.pxRatio;
    for (const { left, row, text } of this.words) {
      this.write(plot, text, left, top - 6 - ROW * (this.rows - 1 - row), this.colours.soft);
    }
  }

  /** @param {Plot} plot  @param {string} text  @param {number} x  @param {number} y  CSS pixels @param {string} colour */
  write(plot, text, x, y, colour) {
    const px = uPlot.pxRatio;
    plot.ctx.save();
    plot.ctx.font = this.colours.font.replace(/(\d+)px/, (_, size) => `${size * px}px`);
    plot.ctx.fillStyle = colour;
    plot.ctx.textAlign = "left";
    plot.ctx.textBaseline = "alphabetic";
    plot.ctx.fillText(text, x * px, y * px);
    plot.ctx.restore();
  }
}

/** @param {{left: number, top: number, width: number, height: number}} box  of the canvas's own pixels */
function inPixels({ left, top, width, height }) {
  const px = uPlot.pxRatio;
  return { left: left / px, top: top / px, width: width / px, height: height / px };
}

/** @param {string} name */
function cut(name) {
  return name.length > 12 ? `${name.slice(0, 11)}…` : name;
}

/** A pen that only measures. @param {string} font */
export function measure(font) {
  pen ??= /** @type {CanvasRenderingContext2D} */ (document.createElement("canvas").getContext("2d"));
  pen.font = font;
  return pen;
}
/** @type {CanvasRenderingContext2D | undefined} */
let pen;

/** Colours and type of the stylesheet, which a canvas doesn't inherit. @param {HTMLElement} place */
function colours(place) {
  const style = getComputedStyle(place);
  const get = (/** @type {string} */ name) => style.getPropertyValue(name).trim();
  return {
    ink: get("--ink"),
    soft: get("--soft"),
    rule: get("--rule"),
    font: `13px ${style.fontFamily}`,
    lines: Array.from({ length: LINES }, (_, i) => get(`--line-${i + 1}`)),
    bands: /** @type {Record<string, string>} */ ({
      alarm: get("--band-danger"),
      supervisory: get("--band-caution"),
      trouble: get("--band-trouble"),
      notice: get("--soft"),
      pause: get("--rule"),
    }),
  };
}

/**
 * What the chart says, for those who hear it.
 * @param {import("./scale.js").Scaled} scaled  @param {string[]} names  @param {Unit} unit  @param {string} [beginning]
 */
export function said({ columns, beyond }, names, unit, beginning = S.hour.alt) {
  const told = names.flatMap((name, i) => {
    const known = /** @type {number[]} */ (columns[i].filter((t) => t !== null));
    if (known.length === 0) return [];
    const low = known.reduce((a, b) => Math.min(a, b));
    const high = known.reduce((a, b) => Math.max(a, b));
    return [S.hour.range(name, figure(low, unit), `${figure(high, unit)} ${symbol(unit)}`)];
  });
  if (told.length === 0 && beyond.length === 0) return S.hour.nothing;
  return [told.length ? `${beginning}${told.join(", ")}.` : "", saidBeyond(beyond, unit)].filter(Boolean).join(" ");
}

/** What the marks at the edges are, in words. @param {import("./scale.js").Beyond[]} beyond  @param {Unit} unit */
export function saidBeyond(beyond, unit) {
  const told = farthest(beyond).map((one) => `${one.name} ${figure(one.temperature_c, unit)} ${symbol(unit)}`);
  return told.length ? S.hour.beyond(told.join(", ")) : "";
}
