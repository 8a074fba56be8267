/** The chamber in section: walls, air, bed, part and ruler, door, sensors with their values. */

import { html } from "./html.js";
import { useMarks } from "./marks.js";
import { VIEW_WIDTH, bed, boxOf, gathered, part, placed } from "./section_layout.js";
import { shade } from "./shade.js";
import { S } from "./strings.js";
import { clock, figure, inUnit, symbol, temperature } from "./units.js";
import { Walls } from "./walls.js";

/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Sensor} Sensor */
/** @typedef {import("./marks.js").Mark} Mark */
/** @typedef {import("./types.js").Unit} Unit */
/** @typedef {import("./section_layout.js").Box} Box */

const DOOR = { below_lid: 80, above_floor: 24 };
const WORDS_END = 326; // right edge of what is said below the box
const MARK_PITCH = 13;
const LETTER = 6.2; // width of one, at most on average, in a mark's words
const MARK_OFF = 11; // of a mark's words from the part
const COLDEST_C = 20; // where the shading begins, unless the room is colder
const T = S.section;

/** @param {{chamber: Chamber, unit: Unit, dark: boolean, joined: number}} props */
export function Section({ chamber, unit, dark, joined }) {
  const marks = useMarks(chamber, joined);
  const { to_scale } = boxFor(chamber);
  return html`<figure class="section">
    <${Cut} chamber=${chamber} unit=${unit} dark=${dark} marks=${marks} id=${`cut-${chamber.chamber}`} />
    <figcaption>
      ${to_scale ? T.to_scale(chamber.width_mm ?? 0, chamber.height_mm ?? 0) : T.not_to_scale}${" "}
      ${chamber.job?.height_mm != null ? T.part : ""}
      ${chamber.not_watched.length > 0 &&
      html`<span class="unwatched"><b>${T.not_watched}</b> ${chamber.not_watched.join(" ")}</span>`}
    </figcaption>
  </figure>`;
}

/** @param {Chamber} chamber */
function boxFor(chamber) {
  return boxOf(chamber.enclosure.length || 1, chamber.width_mm, chamber.height_mm);
}

/**
 * The drawing alone.
 * @param {{chamber: Chamber, unit: Unit, dark: boolean, marks: Mark[], id: string}} props  `id` is of this drawing alone
 */
export function Cut({ chamber, unit, dark, marks, id }) {
  const box = boxFor(chamber);
  const sensors = of(chamber, "chamber");
  const { dots, tight } = placed(sensors, box);
  const range = shading(chamber);
  return html`<svg
      viewBox=${`0 0 ${VIEW_WIDTH} ${box.height}`}
      role="img"
      aria-label=${T.alt(said(chamber, unit))}
    >
      <${Air} dots=${dots} box=${box.inner} range=${range} dark=${dark} id=${id} />
      <${Walls} materials=${chamber.enclosure} outer=${box.outer} id=${id} />
      <${Door} chamber=${chamber} box=${box} />
      <${Part} chamber=${chamber} marks=${marks} box=${box} />
      <${Bed} sensors=${of(chamber, "bed")} unit=${unit} box=${box} />
      ${dots.map((dot) => html`<${Value} ...${dot} tight=${tight} unit=${unit} left=${box.outer.left} />`)}
      <${Outside} chamber=${chamber} unit=${unit} box=${box} />
      <${Scale} range=${range} target_c=${chamber.target_c} dark=${dark} unit=${unit} box=${box} id=${id} />
    </svg>`;
}

/** @param {Chamber} chamber  @param {Sensor["place"]} place */
function of(chamber, place) {
  return chamber.sensors.filter((sensor) => sensor.place === place);
}

/** The temperatures at the ends of the shading. @param {Chamber} chamber */
function shading(chamber) {
  const low_c = Math.min(COLDEST_C, Math.floor((chamber.room_c ?? COLDEST_C) / 5) * 5);
  return { low_c, high_c: Math.max(chamber.limit_c, low_c + 10) };
}

/** What the drawing says, for those who hear it. @param {Chamber} chamber @param {Unit} unit */
function said(chamber, unit) {
  return chamber.sensors.map(
    (s) =>
      `${s.name} ${s.temperature_c === null ? s.fault || T.no_reading : temperature(s.temperature_c, unit)}`,
  );
}

/** @param {{dots: any[], box: any, range: any, dark: boolean, id: string}} props */
function Air({ dots, box, range, dark, id }) {
  const known = dots.filter((dot) => dot.sensor.temperature_c !== null);
  const size = { x: box.left, y: box.top, width: box.right - box.left, height: box.bottom - box.top };
  if (known.length === 0) {
    return html`<rect class="air-unknown" ...${size} />
      <text class="small" x=${box.right - 12} y=${box.top + 24} text-anchor="end"
        >${T.air_unknown}</text
      >`;
  }
  return html`<defs>
      <linearGradient id=${`${id}-air`} x1="0" x2="0" y1=${box.top} y2=${box.bottom}
        gradientUnits="userSpaceOnUse">
        ${known.map((dot) => {
          const share = (dot.sensor.temperature_c - range.low_c) / (range.high_c - range.low_c);
          return html`<stop offset=${(dot.y - box.top) / size.height} stop-color=${shade(share, dark)} />`;
        })}
      </linearGradient>
    </defs>
    <rect ...${size} fill=${`url(#${id}-air)`} />`;
}

/** A sensor's dot, its line and its value beside the box. @param {any} props */
function Value({ sensor, x, y, label_y, tight, unit, left }) {
  const faulty = sensor.temperature_c === null;
  const value = faulty ? T.no_reading : figure(sensor.temperature_c, unit);
  const end = left - 8;
  return html`<g class=${faulty ? "value faulty" : "value"}>
    <path class="leader" d=${`M${end} ${label_y}L${left - 2} ${label_y}L${x} ${y}`} />
    ${faulty
      ? html`<path class="cross" d=${`M${x - 4} ${y - 4}l8 8m0 -8l-8 8`} />`
      : html`<circle cx=${x} cy=${y} r="5" />`}
    ${tight
      ? html`<text class="small" x=${end - 3} y=${label_y + 4} text-anchor="end"
          >${short(sensor.name, 6)} ${faulty ? "–" : value}</text
        >`
      : html`<text class=${faulty ? "small" : "big"} x=${end - 4} y=${label_y + 4} text-anchor="end"
            >${value}</text
          >
          <text class="small" x=${end - 4} y=${label_y + 18} text-anchor="end"
            >${short(sensor.name, 12)}</text
          >`}
  </g>`;
}

/** @param {string} name  @param {number} most */
function short(name, most) {
  return name.length > most ? `${name.slice(0, most - 1)}…` : name;
}

/** @param {{sensors: Sensor[], unit: Unit, box: Box}} props */
function Bed({ sensors, unit, box }) {
  const { left, right, y, thick } = bed(box);
  const told = sensors.map((s) => `${short(s.name, 10)} ${reading(s, unit)}`).join(", ");
  return html`<g class="bed">
    <rect x=${left} y=${y} width=${right - left} height=${thick} />
    <text class="small" x=${(left + right) / 2} y=${y + thick + 15} text-anchor="middle"
      >${told || T.bed}</text
    >
  </g>`;
}

/** @param {Sensor} sensor  @param {Unit} unit */
function reading(sensor, unit) {
  return sensor.temperature_c === null ? T.no_reading : figure(sensor.temperature_c, unit);
}

/** The part as high as it is known to be, the ruler, and what happened at which height. @param {{chamber: Chamber, marks: Mark[], box: Box}} props */
function Part({ chamber, marks, box }) {
  const height_mm = chamber.job?.height_mm ?? null;
  if (height_mm === null) return null;
  const it = part(height_mm, box);
  const beside = gathered(marks.map((mark) => ({ ...mark, y: it.y(mark.height_mm) })), MARK_PITCH, it.rule_top, it.bottom - 6);
  return html`<g class="part">
    <rect class="body" x=${it.left} y=${it.top} width=${it.right - it.left} height=${it.bottom - it.top} />
    <path class="side" d=${`M${it.left} ${it.bottom}V${it.top}M${it.right} ${it.bottom}V${it.top}`} />
    <path class="top" d=${`M${it.rule_x} ${it.top}H${it.right}`} />
    <path class="rule" d=${`M${it.rule_x} ${it.bottom}V${it.rule_top}${it.ticks
      .map((tick) => `M${it.rule_x - 8} ${tick.y}h8`)
      .join("")}${it.fine.map((y) => `M${it.rule_x - 4} ${y}h4`).join("")}`} />
    ${it.ticks.map(
      (tick, i) =>
        html`<text class="tiny" x=${it.rule_x - 11} y=${tick.y + (i === 0 ? -2 : 4)} text-anchor="end"
          >${tick.mm}</text
        >`,
    )}
    <text class="tiny" x=${it.rule_x - 11} y=${it.rule_top - 12} text-anchor="end">mm</text>
    ${beside.map(
      (mark) =>
        html`<g class=${`mark ${mark.class}`}>
          <path d=${`M${it.rule_x} ${mark.y}H${it.right + 4}L${it.right + 8} ${mark.text_y}`} />
          <text class="tiny" x=${it.right + MARK_OFF} y=${mark.text_y + 4}
            >${named(mark, box.inner.right - it.right - MARK_OFF - 2)}</text
          >
        </g>`,
    )}
  </g>`;
}

/**
 * What of a mark's time and word has room before the wall; the stories have all of it.
 * @param {{onset_at: string, kind: string, count?: number}} mark  @param {number} room
 */
export function named(mark, room) {
  const letters = Math.floor(room / LETTER);
  const kind = S.hour.kinds[mark.kind] ?? mark.kind;
  const often = S.jobs.often(kind, mark.count ?? 1);
  const word = often.length <= letters || often === kind ? often : `${mark.count} ${kind}`;
  const whole = `${clock(mark.onset_at)} ${word}`;
  if (whole.length <= letters) return whole;
  return word.length <= letters ? word : `${word.slice(0, Math.max(0, letters - 1))}…`;
}

/** The door in the right wall as its switch says, and what is said without one. @param {{chamber: Chamber, box: Box}} props */
function Door({ chamber, box: { outer, wall } }) {
  const contact = chamber.contacts.find((c) => c.kind === "door");
  const seems_open = chamber.stories.some((s) => s.kind === "door_open" && s.change !== "cleared");
  const x = outer.right + 3;
  const top = outer.top + DOOR.below_lid;
  const bottom = outer.bottom - DOOR.above_floor;
  const open = contact?.active === true || (!contact && seems_open);
  const told = !contact
    ? seems_open
      ? T.door_seems_open
      : T.door_no_switch
    : contact.active === null
      ? T.door_not_known
      : contact.active
        ? T.door_open
        : T.door_shut;
  const detector = chamber.contacts.find((c) => c.kind === "detector");
  const alert =
    detector &&
    (detector.active === null
      ? T.detector_not_known
      : detector.active
        ? T.detector_gone
        : T.detector_quiet);
  return html`<g class=${open ? "door open" : contact ? "door" : "door unsure"}>
    ${open &&
    html`<rect class="gap" x=${outer.right - wall - 1} y=${top} width=${wall + 2} height=${bottom - top} />`}
    <path class="leaf" d=${open ? `M${x} ${bottom}L${x + 56} ${top + 26}` : `M${x} ${bottom}V${top}`} />
    <${Lines} lines=${told} x=${outer.right + 12} y=${open ? top - 22 : (top + bottom) / 2 - 30} />
    ${alert &&
    html`<${Lines} lines=${alert} x=${outer.right + 12} y="24" strong=${detector?.active !== false} />`}
  </g>`;
}

/** @param {{lines: string[], x: number, y: number, strong?: boolean}} props */
function Lines({ lines, x, y, strong }) {
  return lines.map(
    (line, i) => html`<text class=${strong ? "small strong" : "small"} x=${x} y=${Number(y) + 15 * i}>${line}</text>`,
  );
}

/** Room and electronics, and whether the box can burn, below it. @param {{chamber: Chamber, unit: Unit, box: Box}} props */
function Outside({ chamber, unit, box: { outer } }) {
  const outside = [...of(chamber, "room"), ...of(chamber, "electronics")].slice(0, 3);
  const walls = chamber.enclosure.map((m) => T.materials[m] ?? m).join(", ");
  return html`<g class="outside">
    ${outside.map((sensor, i) => {
      const y = outer.bottom + 16 + 16 * i;
      return html`<circle cx="12" cy=${y} r="4.5" class=${sensor.temperature_c === null ? "hollow" : ""} />
        <text class="small" x="22" y=${y + 4}>${short(sensor.name, 11)} ${reading(sensor, unit)}</text>`;
    })}
    <text class="small" x=${WORDS_END} y=${outer.bottom + 20} text-anchor="end"
      >${walls}: ${chamber.combustible ? T.can_burn : T.wont_burn}</text
    >
  </g>`;
}

/** The key of the shading: a strip with its ends, the target and the limit. @param {any} props */
function Scale({ range, target_c, dark, unit, box, id }) {
  const left = 176;
  const right = WORDS_END - 44;
  const y = box.outer.bottom + 36;
  const share = target_c === null ? null : (target_c - range.low_c) / (range.high_c - range.low_c);
  const at = left + (share ?? 0) * (right - left);
  const end = (/** @type {number} */ c) => `${Math.round(inUnit(c, unit))}`;
  return html`<g class="scale">
    <defs>
      <linearGradient id=${`${id}-scale`}>
        ${[0, 0.25, 0.5, 0.75, 1].map((s) => html`<stop offset=${s} stop-color=${shade(s, dark)} />`)}
      </linearGradient>
    </defs>
    <rect x=${left} y=${y} width=${right - left} height="10" fill=${`url(#${id}-scale)`} />
    <text class="tiny" x=${left - 5} y=${y + 9} text-anchor="end">${end(range.low_c)}</text>
    <text class="tiny" x=${right + 5} y=${y + 9}>${end(range.high_c)} ${symbol(unit)}</text>
    ${share !== null &&
    html`<path d=${`M${at} ${y - 3}v16`} />
      <text class="tiny" x=${at} y=${y + 25} text-anchor="middle">${T.target} ${end(target_c)}</text>`}
  </g>`;
}
