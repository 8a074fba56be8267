/**
 * One line of time for a whole job: its temperatures, and below them in lanes what stage it
 * was in, what happened, pictures, clips and the part's height. All lanes show the same
 * stretch, and one moment crosses them all.
 */

import { useEffect, useLayoutEffect, useMemo, useRef, useState } from "../vendor/preact-hooks.js";
import { BesideChoice, useBeside } from "./axis_beside.js";
import { useGestures } from "./axis_gestures.js";
import { ClipLane, EventLane, HeightLane, PictureLane, StageLane } from "./axis_lanes.js";
import { Moment } from "./axis_moment.js";
import { useAlong, useReadings } from "./axis_kept.js";
import { isWhole, panned, share, useView, zoomed } from "./axis_view.js";
import { Chart, said, saidBeyond } from "./chart.js";
import { Hour } from "./hour.js";
import { html } from "./html.js";
import { onPaper } from "./paper.js";
import { scaled } from "./scale.js";
import { keepInSight } from "./in_sight.js";
import { useTurns } from "./settled.js";
import { tellShown } from "./one_height.js";
import { S } from "./strings.js";
import { A } from "./strings_axis.js";
import { duration, moment, symbol, zone } from "./units.js";

/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Columns} Columns */
/** @typedef {import("./types.js").Heights} Heights */
/** @typedef {import("./types.js").Job} Job */
/** @typedef {import("./types.js").Story} Story */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./axis_view.js").View} View */
/** @typedef {import("./axis_view.js").Axis} Axis */
/**
 * Between the line of time and what else points at moments, so that a step along one draws
 * nothing but both: `look` and `mark` are the line's, `hear` the ruler's, `at_s` what is marked,
 * `shown_s` what all others follow (see one_height.js).
 * @typedef {{at_s: number | null, shown_s?: number, others?: Set<(at_s: number) => void>, look?: (at_s: number) => void, mark?: (at_s: number) => void, hear?: (at_s: number) => void}} Pointed
 */

const LANE_NAMES_PX = 68;
const STEP = 0.5; // of what is seen: one press of "later"
const CLOSER = 0.5;
const T = S.look_back;

/**
 * @param {{job: Job, columns: Columns, events: Story[], marks: Story[], heights: Heights | null,
 *   chamber: Chamber | undefined, hall: boolean, whole: View,
 *   pointed: {current: Pointed}, unit: Unit, dark: boolean, when: string}} props
 */
export function AlongTime({ job, columns, events, marks, heights, chamber, hall, whole, pointed, unit, dark, when }) {
  const place = useRef(/** @type {HTMLElement | null} */ (null));
  const line = useRef(/** @type {HTMLElement | null} */ (null));
  const [laid, setLaid] = useState({ left: 40, right: LANE_NAMES_PX, width: 300 });
  const chart = useRef(/** @type {Chart | null} */ (null));
  // What is said, the chart, the lanes, each in a turn of its own: so a finger waits for one of them.
  const turns = useTurns(3);
  const [charted, laned] = [turns > 1, turns > 2];
  const beside = useBeside(job.id);
  const axis = useView(job.id, whole, beside.choice);
  Object.assign(pointed.current, { look: axis.look, mark: axis.mark });
  useEffect(() => {
    pointed.current.at_s = axis.at_s;
    if (axis.at_s === null) return;
    pointed.current.hear?.(axis.at_s);
    tellShown(pointed.current, axis.at_s);
  }, [axis.at_s]);
  const view = axis.view ?? whole;
  const { merged, state } = useReadings(job.id, columns, view, whole);
  const along = useAlong(job.id, when, job.state, !hall);
  const names = useMemo(() => airOf(chamber, columns), [chamber?.sensors.map((s) => s.name).join("\n"), columns]);
  // All that the chart shows but the stretch of it: worked out again when something is new.
  const lines = useMemo(() => {
    const hour = new Hour();
    hour.time_s = merged.time_s;
    hour.sensors = new Map(Object.entries(merged.sensors));
    const stories = [...events, ...marks];
    // No target: as it is set now, it may not be what this job had.
    const drawn = { hour, names, unit, target_c: null, stories, ...beside.drawn };
    const high = scaled({ ...drawn, then: drawn.then ?? ends(drawn.between) });
    return { ...drawn, scaled: high, live: false, silent: true, right: LANE_NAMES_PX, alt: said(high, names, unit, T.alt) };
  }, [merged, names, unit, events.length, marks.length, marks[marks.length - 1]?.onset_at, beside.drawn]);
  useLayoutEffect(() => {
    if (!place.current || !charted) return;
    const made = new Chart(place.current, { ...lines, ...view });
    chart.current = made;
    const measure = () => setLaid(made.laid());
    const watcher = new ResizeObserver(measure);
    watcher.observe(place.current);
    measure();
    const off_paper = onPaper(measure);
    return () => {
      watcher.disconnect();
      off_paper();
      made.close();
    };
  }, [charted, names.join("\n"), unit, dark]);
  // Within the same frame as the lanes, so that nothing is seen apart.
  useLayoutEffect(() => chart.current?.show({ ...lines, ...view }), [lines]);
  useLayoutEffect(() => chart.current?.move(view.from_s, view.to_s), [view.from_s, view.to_s]);
  const sought = useRef(axis.sought);
  useEffect(() => {
    if (sought.current === axis.sought) return;
    sought.current = axis.sought;
    return keepInSight(() => line.current?.scrollIntoView({ block: "center" }));
  }, [axis.sought]);
  const [opened, setOpened] = useState(/** @type {import("./axis_moment.js").Opened | null} */ (null));
  const gestures = useGestures({ axis, view, whole, laid });
  const lanes = useMemo(() => {
    const lane = { view, width: laid.width, look: axis.look, setView: axis.setView, began: job.started_at, open: setOpened };
    return html`<${StageLane} ...${lane} stages=${along.stages} />
      <${EventLane} ...${lane} events=${lines.stories} />
      <${PictureLane} ...${lane} pictures=${along.pictures} paused=${along.camera_paused} />
      <${ClipLane} ...${lane} clips=${along.clips} />
      <${HeightLane} ...${lane} heights=${heights} />`;
  }, [view.from_s, view.to_s, laid.width, along, lines.stories, heights]);
  const at_s = gestures.hover_s ?? axis.at_s;
  const at = at_s === null ? null : share(view, at_s);
  const style = `--left: ${laid.left}px; --right: ${laid.right}px`;
  return html`<section class=${laned ? "hour along" : "hour along coming"} aria-labelledby="along">
    <h2 id="along">${T.temperatures}, ${symbol(unit)}</h2>
    <${Moves} axis=${axis} view=${view} whole=${whole} job=${job} />
    <${Moment} at_s=${at_s} time_s=${merged.time_s} sensors=${lines.hour.sensors} names=${names} along=${along} drawn=${beside.drawn} heights=${heights} unit=${unit}
      began=${job.started_at} spoken=${gestures.spoken} open=${setOpened} />
    <div class="line-of-time" style=${style} tabindex="0" role="group" aria-label=${A.group} aria-describedby="along-how"
      ref=${gestures.ref} onKeyDown=${gestures.key}>
      <div ref=${line}><div class="plot" ref=${place} role="img" aria-label=${lines.alt}></div></div>
      ${laned && lanes}
      ${at !== null && at >= 0 && at <= 1 && html`<div class="moment-line" style=${`--at: ${at}`}></div>`}
    </div>
    <${Opened} opened=${opened} shut=${() => setOpened(null)} />
    ${laned &&
    html`${!hall && html`<${BesideChoice} ...${beside} />`}
      <p class="small" id="along-how">
        ${saidBeyond(lines.scaled.beyond, unit)} ${S.hour.zone(zone())} <span class="how">${A.how}</span> <span class="keys">${A.keys}</span> ${state === "failed" && A.not_finer}
      </p>`}
  </section>`;
}

/** What can be pressed to see another stretch. @param {{axis: Axis, view: View, whole: View, job: Job}} props */
function Moves({ axis, view, whole, job }) {
  const began = job.started_at;
  const cooled = job.finished_at !== null && view.from_s < Date.parse(job.finished_at) / 1000 && view.to_s > Date.parse(job.finished_at) / 1000 + 1;
  const all = isWhole(view, whole);
  const about = axis.at_s !== null && axis.at_s >= view.from_s && axis.at_s <= view.to_s ? axis.at_s : undefined;
  const zoom = (/** @type {number} */ factor) => () => axis.change((now, most) => zoomed(now, most, factor, about));
  const pan = (/** @type {number} */ by) => () => axis.change((now, most) => panned(now, most, by));
  const most = whole.to_s - whole.from_s;
  const from = moment(view.from_s * 1000, most > 43_000 ? 0 : began);
  const to = moment(view.to_s * 1000, most > 43_000 ? 0 : began);
  const button = (/** @type {string} */ words, /** @type {() => void} */ act, /** @type {boolean} */ useless) =>
    html`<button type="button" class="act" aria-disabled=${useless} onClick=${act}>${words}</button>`;
  return html`<div class="moves">
    <p class="seen">${A.seen(from, to, duration(view.to_s - view.from_s))}${cooled && A.with_cooling}</p>
    <div class="acts">
      ${button(A.closer, zoom(CLOSER), view.to_s - view.from_s <= 20)} ${button(A.farther, zoom(1 / CLOSER), all)}
      ${button(A.earlier, pan(-STEP), view.from_s <= whole.from_s)} ${button(A.later, pan(STEP), view.to_s >= whole.to_s)}
      ${button(A.all, axis.showAll, all)}
    </div>
  </div>`;
}

/** A picture or a clip that was opened. @param {{opened: import("./axis_moment.js").Opened | null, shut: () => void}} props */
function Opened({ opened, shut }) {
  if (!opened) return null;
  return html`<div class="opened" key=${opened.key}>
    ${opened.shown}
    <button type="button" class="act slight" onClick=${shut}>${A.shut}</button>
  </div>`;
}

/** Both ends of a band as lines, so that the chart is high enough for them. @param {import("./types.js").Between | null} between */
function ends(between) {
  if (!between) return null;
  const columns = Object.entries(between.sensors).map(([name, { low, high }]) => [name, [...low, ...high]]);
  return { time_s: [...between.time_s, ...between.time_s], sensors: Object.fromEntries(columns) };
}

/**
 * The sensors that are drawn: in the order, and so the colours, of the first page. Of a
 * sensor that isn't there any more nobody knows the place: it is drawn with the air's.
 * @param {Chamber | undefined} chamber  @param {Columns} columns
 */
function airOf(chamber, columns) {
  const present = chamber?.sensors ?? [];
  const known = [...new Set([...present.map((s) => s.name), ...Object.keys(columns.sensors)])].filter(
    (name) => name in columns.sensors,
  );
  const air = known.filter((n) => (present.find((s) => s.name === n)?.place ?? "chamber") === "chamber");
  return air.length ? air : known;
}
