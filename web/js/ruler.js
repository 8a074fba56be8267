/**
 * The part's ruler with each layer's own weather beside it, as if printed on paper.
 *
 * Whatever has an entry a layer is one path, so that thousands are drawn at once; what a
 * choice changes lies over it.
 */

import { useEffect, useId, useLayoutEffect, useMemo, useRef, useState } from "../vendor/preact-hooks.js";
import { Chapter } from "./chapters.js";
import { mm } from "./heights.js";
import { html } from "./html.js";
import { tellShown } from "./one_height.js";
import { LayerSaid, Material, Stretches } from "./ruler_words.js";
import { apart } from "./section_layout.js";
import { drawn } from "./shapes.js";
import { R } from "./strings_ruler.js";
import { inUnit, symbol } from "./units.js";
import { bandOf, evenly, holding, isBanded, laidAt, lineOf, marksOf, middleOf, piecesOf, placeAt, spanOf, strokes, topOf, useWeather, zoomed } from "./weather.js";

/** @typedef {import("./types.js").Heights} Heights */
/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").Story} Story */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./types.js").Weathered} Weathered */
/** @typedef {import("./types.js").WeatherStretch} WeatherStretch */
/** @typedef {import("./stories.js").Line} Line */
/** @typedef {import("./axis.js").Pointed} Pointed */
/** @typedef {import("./weather.js").Piece} Piece */
/** @typedef {import("./weather.js").Window} Window */
/** @typedef {WeatherStretch & {up: number, down: number}} Shown  from where to where on the sheet */
/** @typedef {{rule: number, part: number, marks: number, plot: [number, number], strip: [number, number], top: number, high: number, wide: number}} Sheet */

const TOP = 46; // over the drawing, for what stands at its head
const FOOT = 24;
const RULE = 46;
const PART = 26;
const MARKS = 22;
const SHAPE = 15;
const LETTER = 6.6; // width of one, at most on average
const FIRM_LONG = 132; // of the words along the line of what is firm, and how far beside it they stand
const FIRM_DEEP = 18;
const LEAST_WIDE = 260;
const NARROW = 480;
const LABEL_PITCH = 18;
const MOST_LABELS = 8;
const LAID_MS = 30_000; // how often it is looked what has been laid meanwhile
const CLOSER = 2;
const PAGE = 10;
const SETTLED_MS = 250; // until a choice is told: who walks along the ruler passes many layers
const TIMES_S = /** @type {[number, string][]} */ ([[1, "1 s"], [10, "10 s"], [60, "1 min"], [600, "10 min"], [3600, "1 h"]]);

/**
 * @param {{job: Job, heights: Heights | null, unit: Unit, now: string, stories: Story[], told: Line[], may: boolean,
 *   look?: (at_s: number) => void, pointed?: {current: Pointed}, changed?: () => void, sought_mm?: number | null}} props
 *   `pointed` is told the moment of each layer that was chosen, and tells of moments chosen elsewhere;
 *   `look` is to show one there, and is pressed for; `sought_mm` was asked for elsewhere
 */
export function RulerWeather({ job, heights, unit, now, stories, told, may, look, pointed, changed, sought_mm = null }) {
  const { found, failed, asking, again } = useWeather(job, heights);
  if (!heights) return null; // whether there is a toolpath isn't known yet
  const within = () => {
    if (!heights.toolpath) return html`<p>${R.no_toolpath}</p>`;
    if (!job.material) return html`<p>${R.no_material} ${!may && R.no_material_viewer}</p>${may && html`<${Material} job=${job} changed=${changed} />`}`;
    if (failed)
      return html`<p class="refused" role="alert">${failed}</p>
        <div class="acts"><button type="button" class="act slight" onClick=${again}>${R.again}</button></div>
        ${may && html`<${Material} job=${job} changed=${changed} />`}`;
    if (!found) return asking && html`<p role="status">${R.looking}</p>`;
    return html`<${Drawn} key=${job.id} found=${found} job=${job} heights=${heights} unit=${unit} now=${now} stories=${stories} told=${told} look=${look} pointed=${pointed} sought_mm=${sought_mm} />`;
  };
  return html`<${Chapter} name="layers" kind="stories layer-weather" heading=${R.heading} gist=${gist(found, heights, job, asking)}>${within()}<//>`;
}

/** Where it differs, or what it waits for. @param {Weathered | null} found  @param {Heights} heights  @param {Job} job  @param {boolean} asking */
function gist(found, heights, job, asking) {
  if (!heights.toolpath) return R.no_toolpath;
  if (!job.material) return R.no_material;
  if (!found) return asking && R.looking;
  const [furthest] = [...found.stretches].sort((a, b) => b.by_k - a.by_k);
  return furthest ? R.furthest(R.heights(mm(furthest.from_mm), mm(furthest.to_mm)), found.stretches.length - 1) : R.alike;
}

/**
 * @param {{found: Weathered, job: Job, heights: Heights, unit: Unit, now: string, stories: Story[], told: Line[],
 *   look?: (at_s: number) => void, pointed?: {current: Pointed}, sought_mm: number | null}} props
 */
function Drawn({ found, job, heights, unit, now, stories, told, look, pointed, sought_mm }) {
  const over = job.state === "finished" || job.state === "cooling";
  const until_s = over ? Infinity : Math.floor(Date.parse(now) / LAID_MS) * (LAID_MS / 1000);
  /** @type {Piece[]} */
  const pieces = useMemo(() => piecesOf(found, until_s), [found, until_s]);
  /** @type {WeatherStretch | undefined} */
  const furthest = useMemo(() => furthestOf(found, until_s), [found, until_s]);
  const [chosen, setChosen] = useState(/** @type {number | null} */ (null)); // a layer's number
  // Of which piece what is seen; null: all of it, also when it has grown.
  const [seen, setSeen] = useState(/** @type {{of: number, window: Window | null}} */ ({ of: -1, window: null }));
  const timer = useRef(/** @type {number | undefined} */ (undefined));
  useEffect(() => () => clearTimeout(timer.current), []);
  const own = useRef(/** @type {number | null} */ (null)); // the moment that was marked from here
  const layer = chosen ?? furthest?.at ?? pieces[0]?.layers[pieces[0].layers.length - 1] ?? null;
  const piece = pieces.find(({ layers }) => layers.includes(layer ?? -1)) ?? pieces[0];
  const whole = { low_mm: 0, high_mm: piece ? topOf(piece) : 0 };
  const near = seen.of === numberOf(found, piece) ? seen.window : null;
  const choose = (/** @type {number} */ n, tell = true) => {
    const of = pieces.find(({ layers }) => layers.includes(n));
    if (!of) return;
    setChosen(n);
    if (of === piece && near) setSeen({ ...seen, window: holding(near, middleOf(found, of.layers, of.layers.indexOf(n)), of) });
    clearTimeout(timer.current);
    if (tell) timer.current = setTimeout(() => pointed?.current.mark?.((own.current = halfway(found, n))), SETTLED_MS);
  };
  useEffect(() => {
    if (sought_mm !== null && piece && sought_mm <= piece.top_mm) choose(piece.layers[placeAt(found, piece.layers, sought_mm)], false);
  }, [sought_mm]);
  useLayoutEffect(() => {
    if (!pointed) return undefined;
    pointed.current.hear = (at_s) => {
      const n = at_s === own.current ? null : laidAt(found, at_s);
      own.current = null;
      if (n !== null) choose(n, false);
    };
    return () => delete pointed.current.hear;
  });
  // The first layer that is shown, which nobody chose, shows in the rest of the page as well.
  useEffect(() => void (pointed && layer !== null && tellShown(pointed.current, halfway(found, layer))), [layer]);
  // What was marked before the layers were there.
  useEffect(() => void (pointed && pointed.current.at_s !== null && pointed.current.hear?.(pointed.current.at_s)), []);
  if (!piece || layer === null) return html`<p>${R.so_far} ${R.none_yet}</p>`;
  const zoom = (/** @type {number} */ by) => {
    const about_mm = middleOf(found, piece.layers, piece.layers.indexOf(layer));
    const next = zoomed(near ?? whole, by, about_mm, piece);
    const all = next.high_mm - next.low_mm >= whole.high_mm - 1e-6;
    setSeen({ of: numberOf(found, piece), window: all ? null : next });
  };
  const told_stretches = found.stretches.filter(({ first }) => found.start_s[first] <= until_s);
  return html`<p>${!over && R.so_far} ${told_stretches.length ? R.differ(told_stretches.length) : R.alike}</p>
    <div class="weather-drawn">
      <div>
        ${pieces.length > 1 &&
        html`<label class="asked">${R.piece} <select onChange=${(/** @type {any} */ event) => {
          const { layers } = pieces[Number(event.target.value)];
          choose(layers[layers.length - 1]);
        }}>
            ${pieces.map((each, n) => html`<option key=${n} value=${n} selected=${each === piece}>${n + 1}</option>`)}
          </select></label>`}
        <${Ruler} found=${found} piece=${piece} seen=${near ?? whole} layer=${layer} choose=${choose} zoom=${zoom} unit=${unit} heights=${heights} told=${told} />
        <div class="acts">
          <button type="button" class="act slight" onClick=${() => zoom(CLOSER)}>${R.closer}</button>
          <button type="button" class="act slight" onClick=${() => zoom(1 / CLOSER)}>${R.farther}</button>
          <button type="button" class="act slight" onClick=${() => zoom(0)}>${R.all}</button>
        </div>
      </div>
      <div class="weather-words">
        <${LayerSaid} found=${found} layer=${layer} piece=${piece} job=${job} unit=${unit} toolpath=${heights.toolpath} look=${look && (() => look(halfway(found, layer)))} />
        <${Stretches} found=${found} stretches=${told_stretches} job=${job} unit=${unit} stories=${stories} choose=${choose} many=${pieces.length > 1} />
        <p class="small">${R.promise}</p>
        <details class="small">
          <summary>${R.how_to_read}</summary>
          <p>${R.how} ${isBanded(found) ? R.limits : R.no_limits} ${R.strip(`${Math.round(inUnit(found.firm_c, unit))}\u00a0${symbol(unit)}`)} ${R.keys}</p>
        </details>
      </div>
    </div>`;
}

/** In the middle of a layer. @param {Weathered} found  @param {number} n */
const halfway = (found, n) => (found.start_s[n] + found.end_s[n]) / 2;

/** Which of the pieces built one after the other. @param {Weathered} found  @param {Piece | undefined} piece */
const numberOf = (found, piece) => (piece ? found.piece[piece.layers[0]] : -1);

/** The stretch that differs most. @param {Weathered} found  @param {number} until_s  @returns {WeatherStretch | undefined} */
function furthestOf(found, until_s) {
  return found.stretches.filter(({ at }) => found.start_s[at] <= until_s).sort((a, b) => b.by_k - a.by_k)[0];
}

/** How wide the sheet is, in pixels. @param {{current: HTMLElement | null}} place */
function useWide(place) {
  const [wide, setWide] = useState(0);
  useLayoutEffect(() => {
    const sheet = /** @type {HTMLElement} */ (place.current);
    const measure = () => setWide(Math.max(LEAST_WIDE, Math.floor(sheet.clientWidth)));
    measure();
    const watch = new ResizeObserver(measure);
    watch.observe(sheet);
    return () => watch.disconnect();
  }, []);
  return wide;
}

/** What stands where. @param {number} wide  @returns {Sheet} */
function sheetOf(wide) {
  const narrow = wide < NARROW;
  const strip = narrow ? 72 : 116;
  const left = RULE + PART + MARKS + 4;
  return { rule: RULE, part: PART, marks: RULE + PART, plot: [left, wide - strip - 16], strip: [wide - strip, wide - 4], top: TOP, high: narrow ? 430 : 520, wide };
}

/**
 * @param {{found: Weathered, piece: Piece, seen: Window, layer: number, choose: (n: number) => void, zoom: (by: number) => void,
 *   unit: Unit, heights: Heights, told: Line[]}} props
 */
function Ruler({ found, piece, seen, layer, choose, zoom, unit, heights, told }) {
  const place = useRef(/** @type {HTMLElement | null} */ (null));
  const wide = useWide(place);
  const { layers } = piece;
  const at = layers.indexOf(layer);
  const sheet = sheetOf(wide);
  const y = (/** @type {number} */ height_mm) => TOP + ((seen.high_mm - height_mm) / (seen.high_mm - seen.low_mm)) * sheet.high;
  const pick = (/** @type {PointerEvent} */ event) => {
    const box = /** @type {HTMLElement} */ (place.current).getBoundingClientRect();
    const height_mm = seen.high_mm - ((event.clientY - box.top - TOP) / sheet.high) * (seen.high_mm - seen.low_mm);
    choose(layers[placeAt(found, layers, height_mm)]);
  };
  const key = (/** @type {KeyboardEvent} */ event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    /** @type {Record<string, () => void>} */
    const does = { "+": () => zoom(CLOSER), "=": () => zoom(CLOSER), "-": () => zoom(1 / CLOSER), 0: () => zoom(0) };
    for (const [name, to] of Object.entries({
      ArrowUp: at + 1,
      ArrowRight: at + 1,
      ArrowDown: at - 1,
      ArrowLeft: at - 1,
      PageUp: at + PAGE,
      PageDown: at - PAGE,
      Home: 0,
      End: layers.length - 1,
    }))
      does[name] = () => choose(layers[Math.max(0, Math.min(layers.length - 1, to))]);
    if (!does[event.key]) return;
    event.preventDefault();
    does[event.key]();
  };
  const clip = useId();
  const span = useMemo(() => spanOf(found, layers), [found, piece]);
  const own = useMemo(() => shown(found, layers, sheet, y), [found, piece, seen.low_mm, seen.high_mm, sheet.high]);
  // Drawn anew only when it looks different: the page itself is told something each second.
  const still = useMemo(
    () => wide > 0 && html`<${Still} found=${found} layers=${layers} seen=${seen} span=${span} sheet=${sheet} own=${own} unit=${unit} clip=${clip} />`,
    [found, piece, seen.low_mm, seen.high_mm, wide, unit],
  );
  const marks = marksOf(told, heights, seen, y, SHAPE);
  const here = y(middleOf(found, layers, at));
  const below_c = found.air_c[layer] === null ? null : found.below_c[layer];
  return html`<div class="weather-ruler" ref=${place} role="slider" tabindex="0" aria-orientation="vertical"
    aria-label=${R.label} aria-valuemin="1" aria-valuemax=${layers.length} aria-valuenow=${at + 1}
    aria-valuetext=${R.layer(at + 1, layers.length, mm(found.height_mm[layer]))}
    onKeyDown=${key} onClick=${pick} onPointerMove=${(/** @type {PointerEvent} */ event) => event.pointerType === "mouse" && event.buttons & 1 && pick(event)}>
    ${wide > 0 &&
    html`<svg width=${wide} height=${TOP + sheet.high + FOOT} viewBox=${`0 0 ${wide} ${TOP + sheet.high + FOOT}`} aria-hidden="true">
      ${still}
      ${marks.map(
        (mark, n) => html`<g key=${`mark ${n}`} class="told">
          <title>${mark.text}</title>
          <path d=${`M${sheet.rule} ${mark.y}H${sheet.marks + 3}`} />
          <svg class=${`shape ${mark.shape}`} x=${sheet.marks + 4} y=${mark.y - SHAPE / 2} width=${SHAPE} height=${SHAPE} viewBox="0 0 24 24">${drawn(mark.shape)}</svg>
        </g>`,
      )}
      ${here >= TOP - 1 &&
      here <= TOP + sheet.high + 1 &&
      html`<g class="here">
        <path class="line" d=${`M${sheet.rule} ${here}H${sheet.strip[1]}`} />
        <path class="pointer" d=${`M${sheet.rule} ${here}l-9 -5v10z`} />
        ${below_c !== null && span && html`<circle cx=${across(sheet.plot, span.low_c, span.high_c)(below_c)} cy=${here} r="4" />`}
      </g>`}
      ${span && html`<${Labels} own=${own} plot=${sheet.plot} right=${rightOf(found, layers, seen, span, sheet)} firm=${span.firm ? across(sheet.plot, span.low_c, span.high_c)(found.firm_c) : null} foot=${TOP + sheet.high} unit=${unit} />`}
    </svg>`}
  </div>`;
}

/**
 * The stretches of this piece that are seen, and from where to where.
 * @param {Weathered} found  @param {number[]} layers  @param {Sheet} sheet  @param {(mm: number) => number} y
 * @returns {Shown[]}
 */
function shown(found, layers, { top, high }, y) {
  const inside = (/** @type {number} */ at) => Math.max(top, Math.min(top + high, at));
  const thick_mm = found.height_mm[layers[layers.length - 1]] / layers.length;
  return found.stretches
    .filter(({ piece, first }) => piece === found.piece[layers[0]] && layers.includes(first))
    .map((each) => ({ ...each, up: inside(y(each.to_mm)), down: inside(y(each.from_mm - thick_mm)) }))
    .filter(({ up, down }) => down - up > 0);
}

/**
 * Right of the ruled limits, where cold stretches leave room for a word.
 * @param {Weathered} found  @param {number[]} layers  @param {Window} seen  @param {{low_c: number, high_c: number}} span  @param {Sheet} sheet
 */
function rightOf(found, layers, seen, span, sheet) {
  const limit_c = limitsAt(found, layers, seen)?.[1];
  return limit_c === undefined ? sheet.plot[0] : across(sheet.plot, span.low_c, span.high_c)(limit_c) + 8;
}

/** The limits at the highest layer seen. @param {Weathered} found  @param {number[]} layers  @param {Window} seen */
function limitsAt(found, layers, seen) {
  if (!isBanded(found)) return null;
  const n = layers.filter((each) => found.limit_low_c[each] !== null && found.height_mm[each] <= seen.high_mm).pop();
  return n === undefined ? null : [Number(found.limit_low_c[n]), Number(found.limit_high_c[n])];
}

/** Values from `low` to `high` over a stretch of the sheet. @param {[number, number]} stretch  @param {number} low  @param {number} high */
function across([left, right], low, high) {
  return (/** @type {number} */ value) => left + ((value - low) / (high - low)) * (right - left);
}

/**
 * All that no choice changes.
 * @param {{found: Weathered, layers: number[], seen: Window, span: ReturnType<typeof spanOf>, sheet: Sheet, own: Shown[], unit: Unit, clip: string}} props
 */
function Still({ found, layers, seen, span, sheet, own, unit, clip }) {
  const { rule, part, marks, strip, top, high } = sheet;
  const foot = top + high;
  const px = high / (seen.high_mm - seen.low_mm);
  const y = (/** @type {number} */ height_mm) => top + (seen.high_mm - height_mm) * px;
  const inside = (/** @type {number} */ at) => Math.max(top, Math.min(foot, at));
  const top_mm = found.height_mm[layers[layers.length - 1]];
  return html`
    <clipPath id=${clip}><rect x=${rule} y=${top} width=${strip[1] - rule} height=${high} /></clipPath>
    <text class="head" x=${rule - 2} y=${top - 10} text-anchor="end">mm</text>
    <rect class="wood" x="1" y=${top} width=${rule - 1} height=${high} />
    <${Strokes} seen=${seen} rule=${rule} high=${high} y=${y} />
    <rect class="part" x=${rule} y=${inside(y(top_mm))} width=${part} height=${inside(y(0)) - inside(y(top_mm))} />
    ${(top_mm / layers.length) * px > 5 && html`<path class="layered" d=${layers.map((n) => y(found.height_mm[n])).filter((at) => at > top && at < foot).map((at) => `M${rule} ${at}h${part}`).join("")} />`}
    <path class="edge" d=${`M${rule} ${top}V${foot}`} />
    ${own.map((each) => html`<rect class="block" x=${rule + 1} y=${each.up} width=${part - 2} height=${Math.max(3, each.down - each.up)} />`)}
    ${span && html`<${Temperatures} found=${found} layers=${layers} seen=${seen} span=${span} sheet=${sheet} unit=${unit} y=${y} clip=${`url(#${clip})`} />`}
    <${Joints} found=${found} layers=${layers} seen=${seen} sheet=${sheet} unit=${unit} y=${y} clip=${`url(#${clip})`} />
    ${y(0) <= foot + 1 && html`<path class="bed" d=${`M1 ${y(0)}H${strip[1]}M1 ${y(0) + 3}H${strip[1]}`} />`}
    ${own.map((each) => html`<rect class="differs" x=${marks} y=${each.up} width=${strip[1] - marks} height=${Math.max(2, each.down - each.up)} />`)}`;
}

/** @param {{seen: Window, rule: number, high: number, y: (mm: number) => number}} props */
function Strokes({ seen, rule, high, y }) {
  const all = strokes(seen, high);
  const path = all.map(({ mm: at_mm, length }) => `M${rule} ${Math.round(y(at_mm) * 10) / 10}h${[-6, -11, -16][length]}`).join("");
  return html`<path class="strokes" d=${path} />
    ${all.filter((each) => each.figure).map(({ mm: at_mm }) => html`<text x=${rule - 19} y=${Math.min(TOP + high - 2, Math.max(TOP + 10, y(at_mm) + 4))} text-anchor="end">${at_mm}</text>`)}`;
}

/**
 * @param {{found: Weathered, layers: number[], seen: Window, span: {low_c: number, high_c: number, firm: boolean}, sheet: Sheet,
 *   unit: Unit, y: (mm: number) => number, clip: string}} props
 */
function Temperatures({ found, layers, seen, span, sheet, unit, y, clip }) {
  const { plot, top, high } = sheet;
  const foot = top + high;
  const x = across(plot, span.low_c, span.high_c);
  const back = (/** @type {number} */ value) => (unit === "f" ? (value - 32) / 1.8 : value);
  const ticks = evenly(inUnit(span.low_c, unit), inUnit(span.high_c, unit), (plot[1] - plot[0]) / 44);
  const firm = `${R.firm} ${Math.round(inUnit(found.firm_c, unit))}\u00a0${symbol(unit)}`;
  const limits = limitsAt(found, layers, seen)?.map(x);
  return html`<g class="temperatures">
    <text class="head" x=${plot[0]} y=${top - 28}>${R.below}, ${symbol(unit)}</text>
    <path class="grid" d=${ticks.map((value) => `M${x(back(value))} ${top}V${foot}`).join("")} />
    ${ticks.filter((value) => x(back(value)) <= plot[1] - 10).map((value) => html`<text x=${x(back(value))} y=${foot + 17} text-anchor="middle">${value}</text>`)}
    <path class="doubt" clip-path=${clip} d=${bandOf(found, layers, seen, found.below_low_c, found.below_high_c, x, y)} />
    ${limits && html`<path class="limits" clip-path=${clip} d=${lineOf(found, layers, seen, found.limit_low_c, x, y) + lineOf(found, layers, seen, found.limit_high_c, x, y)} />`}
    ${span.firm && html`<path class="firm" d=${`M${x(found.firm_c)} ${top}V${foot}`} />
      <text class="on" transform=${`translate(${x(found.firm_c) - 4} ${top + 4}) rotate(-90)`} text-anchor="end">${firm}</text>`}
    <path class="course" clip-path=${clip} d=${lineOf(found, layers, seen, found.below_c, x, y)} />
    ${limits &&
    html`<text class="on" x=${limits[0] - 3} y=${top - 8} text-anchor="end">${fit(R.colder, limits[0] - plot[0] + 20)}</text>
      <text class="on" x=${limits[1] + 3} y=${top - 8}>${fit(R.warmer, plot[1] - limits[1])}</text>`}
  </g>`;
}

/** A word where it has room. @param {string} word  @param {number} room */
const fit = (word, room) => (word.length * LETTER <= room ? word : "");

/**
 * For how long joints stayed above what is firm; a tenth of a second and an hour are on one scale.
 * @param {{found: Weathered, layers: number[], seen: Window, sheet: Sheet, unit: Unit, y: (mm: number) => number, clip: string}} props
 */
function Joints({ found, layers, seen, sheet, unit, y, clip }) {
  const { strip, top, high } = sheet;
  const foot = top + high;
  const longest_s = layers.reduce((most, n) => Math.max(most, found.joint_high_s[n] ?? 0), 10);
  const scale = across(strip, 0, Math.log10(longest_s * 1.1));
  const x = (/** @type {number} */ s) => scale(Math.log10(Math.max(1, s)));
  let free = -Infinity;
  const ticks = TIMES_S.filter(([s]) => s <= longest_s * 1.1).map(([s, words]) => {
    const from = x(s) - (words.length * LETTER) / 2;
    const room = from > free && from + words.length * LETTER <= sheet.wide + 4;
    if (room) free = from + words.length * LETTER + 8;
    return { s, words: room ? words : "" };
  });
  return html`<g class="joints">
    <text class="head" x=${strip[1]} y=${top - 28} text-anchor="end">${R.joint}</text>
    <text class="head" x=${strip[1]} y=${top - 10} text-anchor="end">${R.above} ${Math.round(inUnit(found.firm_c, unit))} ${symbol(unit)}</text>
    <path class="grid" d=${ticks.map(({ s }) => `M${x(s)} ${top}V${foot}`).join("")} />
    ${ticks.map(({ s, words }) => words && html`<text x=${x(s)} y=${foot + 17} text-anchor="middle">${words}</text>`)}
    <path class="doubt" clip-path=${clip} d=${bandOf(found, layers, seen, found.joint_low_s, found.joint_high_s, x, y)} />
    <path class="course" clip-path=${clip} d=${lineOf(found, layers, seen, found.joint_s, x, y)} />
  </g>`;
}

const COLD = "M10 0L0 5L10 10Z"; // to where it is colder
const HOT = "M0 0L10 5L0 10Z";
const SAGS = "M0 2H12M0 6C4 6 2 12 6 12S8 6 12 6";

/**
 * Where words may begin that would lie across those along the line of what is firm: before
 * them, or behind where there is no room before.
 * @param {number} x  @param {number} wide  @param {number | null} firm  @param {[number, number]} plot
 */
export function clearOf(x, wide, firm, plot) {
  if (firm === null || x + wide < firm - FIRM_DEEP || x > firm + 2) return x;
  const before = firm - FIRM_DEEP - wide;
  return before >= plot[0] ? before : firm + 4;
}

/**
 * What each stretch is, at its height: a shape and a word.
 * @param {{own: Shown[], plot: [number, number], right: number, firm: number | null, foot: number, unit: Unit}} props
 *   `firm`: where the line stands whose words run down along it
 */
function Labels({ own, plot, right, firm, foot, unit }) {
  const named = [...own].sort((a, b) => b.by_k - a.by_k).slice(0, MOST_LABELS).sort((a, b) => a.up - b.up);
  const at = apart(named.map(({ up, down }) => (up + down) / 2), LABEL_PITCH, TOP + 8, foot - 8);
  return html`${named.map((each, n) => {
    const by = `${Math.round(each.by_k * (unit === "f" ? 1.8 : 1))}°`;
    const text = R.mark(each.side, by, each.is_sure);
    const wide = text.length * LETTER + 18;
    // Where the line isn't: a cold stretch bends it to the left.
    const free = each.side === "cold" ? Math.min(plot[1] - wide, right) : plot[0] + 2;
    const x = clearOf(free, wide, firm !== null && at[n] < TOP + FIRM_LONG ? firm : null, plot);
    return html`<g class="named" transform=${`translate(${x} ${at[n]})`}>
      <path class=${each.side === "not_firm" ? "sags" : "arrow"} transform="translate(0 -5)" d=${{ cold: COLD, hot: HOT, not_firm: SAGS }[each.side]} />
      <text x="15" y="4">${text}</text>
    </g>`;
  })}`;
}

