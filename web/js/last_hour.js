/** The last hour of a chamber: what is drawn, fetching it, and keeping it up. */

import { useEffect, useRef, useState } from "../vendor/preact-hooks.js";
import { get } from "./ask.js";
import { Chart, said, saidBeyond } from "./chart.js";
import { HOUR_S, Hour, beginning } from "./hour.js";
import { html } from "./html.js";
import { keep, recallList } from "./kept.js";
import { scaled } from "./scale.js";
import { S } from "./strings.js";
import { clock, duration, symbol, zone } from "./units.js";

/** @typedef {import("./types.js").Chamber} Chamber */
/** @typedef {import("./types.js").Unit} Unit */

const POINTS = 900;
const THEN_MS = 20_000;
const FIRST_AGAIN_MS = 5_000;
const LONGEST_AGAIN_MS = 60_000;
const T = S.hour;

/**
 * `joined` counts how often the stream began anew: each time the hour is fetched again.
 * `ails` is why nothing past can be read just now, as the stream says; "" where it doesn't.
 * @param {{chamber: Chamber, unit: Unit, dark: boolean, joined: number, ails?: string}} props
 */
export function LastHour({ chamber, unit, dark, joined, ails = "" }) {
  const place = useRef(/** @type {HTMLElement | null} */ (null));
  const chart = useRef(/** @type {Chart | null} */ (null));
  const hour = useRef(new Hour());
  const [also, setAlso] = useState(/** @type {() => string[]} */ (() => recallList("also")));
  const others = chamber.sensors.filter((s) => s.place !== "chamber").map((s) => s.name);
  const names = chamber.sensors
    .filter((s) => s.place === "chamber" || also.includes(s.name))
    .map((s) => s.name);
  const now_s = Date.parse(chamber.at) / 1000;
  const fetched = useFetched(chamber.chamber, now_s, hour.current, joined, ails);
  hour.current.append(now_s, chamber.sensors, chamber.speed);
  const first_s = hour.current.time_s[0];
  const from_s = beginning(now_s, first_s);
  const short = fetched !== "" && from_s > now_s - HOUR_S;
  const then = useThen(chamber, joined);
  const lines = { then, hour: hour.current, names, unit, target_c: chamber.target_c, stories: chamber.stories };
  const drawn = {
    ...lines,
    scaled: scaled(lines),
    from_s,
    to_s: now_s,
    live: true,
  };

  useEffect(() => {
    if (!place.current) return;
    chart.current = new Chart(place.current, drawn);
    return () => chart.current?.close();
  }, [names.join("\n"), unit, dark]);

  useEffect(() => {
    if (!document.hidden) chart.current?.show(drawn);
  }, [now_s, fetched, chamber.stories.length, then]);

  const toggle = (/** @type {string} */ name) => () => {
    const list = also.includes(name) ? also.filter((/** @type {string} */ n) => n !== name) : [...also, name];
    keep("also", JSON.stringify(list));
    setAlso(list);
  };
  return html`<section class="hour">
    <h2>${short ? T.short_heading(duration(now_s - from_s)) : T.heading}, ${symbol(unit)}</h2>
    <div class="plot" ref=${place} role="img" aria-label=${said(drawn.scaled, names, unit)}></div>
    <p class="small">
      ${fetched === "" ? `${T.loading} ` : fetched === "no" ? `${T.failed} ` : ""}
      ${then && `${T.dotted} `}${drawn.scaled.beyond.length > 0 && `${saidBeyond(drawn.scaled.beyond, unit)} `}${short && fetched === "yes" && `${T.begins(clock(first_s * 1000))} `}
      ${chamber.speed === 1 ? T.zone(zone()) : chamber.recorded ? T.of_recording : T.of_simulation}
    </p>
    ${others.length > 0 &&
    html`<fieldset class="also">
      <legend>${T.also}</legend>
      ${others.map(
        (name) =>
          html`<label
            ><input type="checkbox" checked=${also.includes(name)} onChange=${toggle(name)} />${" "}${name}</label
          >`,
      )}
    </fieldset>`}
  </section>`;
}

/**
 * Whether the hour before is in `hour`. What failed is asked for again, less and less often, and
 * at once when the page is looked at again or what ailed the past has changed.
 * @param {string} chamber  @param {number} now_s  @param {Hour} hour  @param {number} joined
 * @param {string} ails
 * @returns {"" | "yes" | "no"}
 */
function useFetched(chamber, now_s, hour, joined, ails) {
  const [fetched, setFetched] = useState(/** @type {"" | "yes" | "no"} */ (""));
  const latest_s = useRef(now_s);
  const again = useRef(() => {});
  latest_s.current = now_s;
  useEffect(() => {
    let over = false;
    let waits = false;
    let wait_ms = FIRST_AGAIN_MS;
    /** @type {number | undefined} */
    let timer;
    const ask = () => {
      const stretch = `from=${latest_s.current - HOUR_S}&to=${latest_s.current}&points=${POINTS}`;
      get(`/api/readings?chamber=${encodeURIComponent(chamber)}&${stretch}`).then(
        (columns) => {
          if (over) return;
          hour.fill(columns);
          setFetched("yes");
        },
        () => {
          if (over) return;
          setFetched("no");
          waits = true;
          timer = setTimeout(again.current, wait_ms * (0.5 + 0.5 * Math.random()));
          wait_ms = Math.min(LONGEST_AGAIN_MS, wait_ms * 2);
        },
      );
    };
    again.current = () => {
      if (!waits || document.hidden) return;
      waits = false;
      clearTimeout(timer);
      ask();
    };
    const seen = () => again.current();
    document.addEventListener("visibilitychange", seen);
    ask();
    return () => {
      over = true;
      clearTimeout(timer);
      document.removeEventListener("visibilitychange", seen);
    };
  }, [chamber, joined]);
  useEffect(() => again.current(), [ails]);
  return fetched;
}

/**
 * The lines of the last sound job of the same part, while there is one.
 * @param {Chamber} chamber  @param {number} joined
 * @returns {import("./types.js").Columns | null}
 */
function useThen(chamber, joined) {
  const [then, setThen] = useState(/** @type {import("./types.js").Columns | null} */ (null));
  const job = chamber.last_sound?.job ?? "";
  useEffect(() => {
    setThen(null);
    if (!job) return;
    let over = false;
    const ask = () => {
      if (document.hidden) return;
      get(`/api/last-sound?chamber=${encodeURIComponent(chamber.chamber)}`).then(
        (columns) => over || setThen(columns.time_s.length > 1 ? columns : null),
        () => undefined, // out of touch: told elsewhere
      );
    };
    ask();
    const timer = setInterval(ask, THEN_MS);
    return () => {
      over = true;
      clearInterval(timer);
    };
  }, [chamber.chamber, job, joined]);
  return then;
}
