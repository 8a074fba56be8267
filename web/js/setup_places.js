/** The box cut through, with sensors that are dragged to where they sit; keys and lists do the same. */

import { useRef, useState } from "../vendor/preact-hooks.js";
import { html } from "./html.js";
import { bed, besidePlate, boxOf, placed } from "./section_layout.js";
import { G } from "./strings_setup.js";
import { Walls } from "./walls.js";

/** @typedef {import("./setup_draft.js").Draft} Draft */
/** @typedef {import("./setup_draft.js").DraftSensor} DraftSensor */
/** @typedef {[number, number]} Spot */

const T = G.places;
const STEP = 0.02;
const LARGE_STEP = 0.1;
const EDGE = 10; // of the drawing, around the box
const TOUCH = 26; // radius that a thumb meets, in units of the drawing
/** @type {Record<string, Spot>} */
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };

/** @param {number} share */
function within(share) {
  return Math.round(Math.min(1, Math.max(0, share)) * 1000) / 1000;
}

/** The box as it is so far, beside the steps where there is room. @param {{draft: Draft}} props */
export function Drawn({ draft }) {
  const { box, plate, spots } = laid(draft);
  return html`<figure class="drawn">
    <svg class="placing" viewBox=${viewOf(box)} role="img" aria-label=${T.drawn(draft.name, spots.map(({ sensor }) => sensor.name))}>
      <${Inside} draft=${draft} box=${box} plate=${plate} id="drawn" />
      ${spots.map(({ sensor, x, y, spot }) => html`<g key=${sensor.name}><circle class="dot" cx=${x} cy=${y} r="6" /><${Label} name=${sensor.name} x=${x} y=${y} spot=${spot} plate=${plate} /></g>`)}
    </svg>
    <figcaption>${draft.name.trim()}</figcaption>
  </figure>`;
}

/** Where all of it lies. @param {Draft} draft */
function laid(draft) {
  const sized = (/** @type {import("./setup_draft.js").Figured} */ value) => (typeof value === "number" ? value : null);
  const box = boxOf(draft.enclosure.length || 1, sized(draft.width_mm), sized(draft.height_mm));
  const { left, right, top, bottom } = box.inner;
  const air = draft.sensors.filter((sensor) => sensor.place === "chamber" && sensor.name.trim());
  const spots = placed(/** @type {any[]} */ (air), box).dots.map(({ sensor, x, y }) => ({
    sensor: /** @type {any} */ (sensor),
    x,
    y,
    spot: /** @type {Spot} */ ([within((x - left) / (right - left)), within((bottom - y) / (bottom - top))]),
  }));
  return { box, plate: bed(box), spots };
}

/** @param {ReturnType<typeof boxOf>} box */
function viewOf({ outer }) {
  return `${outer.left - EDGE} ${outer.top - EDGE} ${outer.right - outer.left + 2 * EDGE} ${outer.bottom - outer.top + 2 * EDGE}`;
}

/** @param {{draft: Draft, box: ReturnType<typeof boxOf>, plate: ReturnType<typeof bed>, id: string}} props */
function Inside({ draft, box, plate, id }) {
  const { left, right, top, bottom } = box.inner;
  return html`<rect class="air-unknown" x=${left} y=${top} width=${right - left} height=${bottom - top} />
    <${Walls} materials=${draft.enclosure} outer=${box.outer} id=${id} />
    <g class="bed"><rect x=${plate.left} y=${plate.y} width=${plate.right - plate.left} height=${plate.thick} /></g>`;
}

/**
 * A sensor's name beside its dot; above the bed's plate where that would run through it.
 * @param {{name: string, x: number, y: number, spot: Spot, plate: ReturnType<typeof bed>}} props
 */
function Label({ name, x, y, spot, plate }) {
  const left = spot[0] > 0.6;
  return html`<text class="small" x=${x + (left ? -15 : 15)} y=${besidePlate(y, plate) + 4} text-anchor=${left ? "end" : "start"}>${name}</text>`;
}

/** @param {{draft: Draft, set: (sensors: DraftSensor[]) => void}} props */
export function Places({ draft, set }) {
  const svg = useRef(/** @type {SVGSVGElement | null} */ (null));
  const [held, show] = useState("");
  const holding = useRef(""); // known at once: moves come before the next drawing
  const hold = (/** @type {string} */ name) => {
    holding.current = name;
    show(name);
  };
  const { box, plate, spots } = laid(draft);
  const { left, right, top, bottom } = box.inner;
  if (!spots.length) return html`<p>${T.none}</p>`;
  /** @param {DraftSensor} sensor  @param {Spot} spot */
  const move = (sensor, spot) =>
    set(draft.sensors.map((each) => (each.name === sensor.name ? { ...each, drawn_at: [within(spot[0]), within(spot[1])] } : each)));
  /** @param {DraftSensor} sensor  @param {PointerEvent} event */
  const drag = (sensor, event) => {
    const matrix = svg.current?.getScreenCTM();
    if (holding.current !== sensor.name || !matrix) return;
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix.inverse());
    move(sensor, [(at.x - left) / (right - left), (bottom - at.y) / (bottom - top)]);
  };
  return html`<p class="sub">${T.how}</p>
    <div class="place-by"><div><svg ref=${svg} class="placing" viewBox=${viewOf(box)} role="group" aria-label=${T.drawing}>
      <${Inside} draft=${draft} box=${box} plate=${plate} id="placing" />
      ${spots.map(
        ({ sensor, x, y, spot }) => html`<g key=${sensor.name} class=${held === sensor.name ? "handle held" : "handle"}
          tabindex="0" role="button" aria-label=${T.handle(sensor.name, T.spot(...spot))}
          onPointerDown=${(/** @type {PointerEvent} */ event) => {
            /** @type {Element} */ (event.currentTarget).setPointerCapture(event.pointerId);
            hold(sensor.name);
          }}
          onPointerMove=${(/** @type {PointerEvent} */ event) => drag(sensor, event)}
          onPointerUp=${() => hold("")}
          onPointerCancel=${() => hold("")}
          onKeyDown=${(/** @type {KeyboardEvent} */ event) => {
            const way = ARROWS[event.key];
            if (!way) return;
            event.preventDefault();
            const step = event.shiftKey ? LARGE_STEP : STEP;
            move(sensor, [spot[0] + way[0] * step, spot[1] + way[1] * step]);
          }}>
          <circle class="touch" cx=${x} cy=${y} r=${TOUCH} />
          <circle class="dot" cx=${x} cy=${y} r="9" />
          <${Label} name=${sensor.name} x=${x} y=${y} spot=${spot} plate=${plate} />
        </g>`,
      )}
    </svg>
    <p class="small" role="status">${held ? "" : spots.map(({ sensor, spot }) => `${sensor.name} ${T.spot(...spot)}`).join("; ")}</p></div>
    <ul class="placing-lists">
      ${spots.map(
        ({ sensor, spot }) => html`<li key=${sensor.name}><fieldset><legend>${sensor.name}</legend>
          <${Among} label=${T.up} value=${spot[1]} among=${T.heights} choose=${(/** @type {number} */ up) => move(sensor, [spot[0], up])} />
          <${Among} label=${T.across} value=${spot[0]} among=${T.sides} choose=${(/** @type {number} */ across) => move(sensor, [across, spot[1]])} />
        </fieldset></li>`,
      )}
    </ul></div>`;
}

/** @param {{label: string, value: number, among: [number, string][], choose: (value: number) => void}} props */
function Among({ label, value, among, choose }) {
  const known = among.find(([each]) => Math.abs(each - value) < 0.005);
  return html`<label>${label}
    <select value=${known ? known[0] : ""} onChange=${(/** @type {any} */ event) => event.target.value !== "" && choose(Number(event.target.value))}>
      ${!known && html`<option value="">${T.own}</option>`}
      ${among.map(([each, words]) => html`<option key=${each} value=${each}>${words}</option>`)}
    </select></label>`;
}
