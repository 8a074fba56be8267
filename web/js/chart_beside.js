/** What a chart shows beside a job's own lines: another job's, dotted, or what others kept between. */

import uPlot from "../vendor/uplot.js";
import { inUnit } from "./units.js";

/** @typedef {import("./chart.js").Plot} Plot */
/** @typedef {import("./chart.js").Drawn} Drawn */

/** An earlier job's lines, dotted. @param {Plot} plot  @param {Drawn} drawn  @param {string[]} colours */
export function drawThen(plot, { names, then, unit }, colours) {
  if (!then) return;
  const { ctx } = plot;
  const px = uPlot.pxRatio;
  ctx.save();
  clip(plot);
  ctx.lineWidth = 1.5 * px;
  ctx.setLineDash([1.5 * px, 4 * px]);
  names.forEach((name, i) => {
    const column = then.sensors[name] ?? [];
    ctx.strokeStyle = colours[i % colours.length];
    ctx.beginPath();
    let pen = false;
    for (let row = firstSeen(plot, then.time_s); row < column.length; row++) {
      const t = column[row];
      if (t !== null) {
        const x = plot.valToPos(then.time_s[row], "x", true);
        const y = plot.valToPos(inUnit(t, unit), "y", true);
        if (pen) ctx.lineTo(x, y);
        else ctx.moveTo(x, y);
      }
      pen = t !== null;
      if (then.time_s[row] > (plot.scales.x.max ?? Infinity)) break;
    }
    ctx.stroke();
  });
  ctx.restore();
}

/** From low to high, shaded in the colour of the line it belongs to. @param {Plot} plot  @param {Drawn} drawn  @param {string[]} colours */
export function drawBetween(plot, { names, between, unit }, colours) {
  if (!between) return;
  const { ctx } = plot;
  ctx.save();
  clip(plot);
  ctx.globalAlpha = 0.16;
  names.forEach((name, i) => {
    const ends = between.sensors[name];
    if (!ends) return;
    ctx.fillStyle = colours[i % colours.length];
    for (const [from, to] of stretches(ends.low, firstSeen(plot, between.time_s))) {
      ctx.beginPath();
      for (let row = from; row < to; row++) ctx.lineTo(...at(row, ends.low));
      for (let row = to - 1; row >= from; row--) ctx.lineTo(...at(row, ends.high));
      ctx.fill();
      if (between.time_s[to - 1] > (plot.scales.x.max ?? Infinity)) break;
    }
  });
  ctx.restore();

  /** @param {number} row  @param {(number | null)[]} column  @returns {[number, number]} */
  function at(row, column) {
    const t_c = column[row] ?? 0;
    return [plot.valToPos(between?.time_s[row] ?? 0, "x", true), plot.valToPos(inUnit(t_c, unit), "y", true)];
  }
}

/** Rows from one to before another in which a column has values. @param {(number | null)[]} column  @param {number} begin */
function* stretches(column, begin) {
  for (let from = begin; from < column.length; from++) {
    if (column[from] === null) continue;
    let to = from;
    while (to < column.length && column[to] !== null) to++;
    yield [from, to];
    from = to;
  }
}

/** The row before the first that is seen. @param {Plot} plot  @param {number[]} time_s */
function firstSeen(plot, time_s) {
  const row = time_s.findIndex((t_s) => t_s >= (plot.scales.x.min ?? -Infinity));
  return row < 0 ? Math.max(0, time_s.length - 1) : Math.max(0, row - 1);
}

/** Draw only where lines may be. @param {Plot} plot */
function clip({ ctx, bbox }) {
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
}
