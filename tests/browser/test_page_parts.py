"""Parts of the page that only reckon, asked in the browser that runs them."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from playwright.sync_api import Page


@pytest.fixture
def page(sums: Page) -> Page:
    return sums


def ask(page: Page, module: str, expression: str, argument: object = None) -> Any:
    """`expression` over the exports `m` of a module of the page, and an `argument` a."""
    return page.evaluate(
        f"async (a) => {{ const m = await import('/web/js/{module}.js'); return {expression}; }}",
        argument,
    )


@pytest.mark.parametrize(
    ("wanted", "placed"),
    [
        pytest.param([10, 60], [10, 60], id="far apart: left where they are"),
        pytest.param([10, 12, 14], [10, 25, 40], id="crowded: pushed down"),
        pytest.param([90, 95, 99], [70, 85, 100], id="at the end: pushed back up"),
        pytest.param([], [], id="none"),
    ],
)
def test_labels_keep_their_distance(page: Page, wanted: list[int], placed: list[int]) -> None:
    assert ask(page, "section_layout", "m.apart(a, 15, 0, 100)", wanted) == placed


@pytest.mark.parametrize(
    ("column", "uprights", "first"),
    [
        pytest.param([40, 40, 40, 40], [], 0, id="the line runs below: the first spot"),
        pytest.param(
            [40, 50, 40, 40], [], 2, id="a peak within the first spot and beside its edge"
        ),
        pytest.param([30, None, 60, 60], [], 0, id="a gap is no line"),
        pytest.param([30, 60, None, 60], [], 1, id="but two readings across the spot are one"),
        pytest.param([45, None, None, None], [], 1, id="a reading alone is a point"),
        pytest.param([40, 40, 40, 40], [5], 1, id="a line from top to bottom"),
        pytest.param([45, 45, 45, 45], [], None, id="it runs through all of them"),
        pytest.param([], [], 0, id="nothing is drawn"),
    ],
)
def test_a_word_stands_where_no_line_runs_through_it(
    page: Page, column: list[float | None], uprights: list[int], first: int | None
) -> None:
    """Spots of 8 s and 2 degrees around 45, from 0, 12 and 24 s; readings every 10 s from 0."""
    spots = [{"from_s": at, "to_s": at + 8, "low": 44, "high": 46} for at in (0, 12, 24)]
    given = [spots, [10 * row for row in range(len(column))], [column], uprights]
    found = ask(page, "label_spot", "m.clearSpot(...a)", given)
    assert found == (None if first is None else spots[first])


@pytest.mark.parametrize(
    ("wanted", "placed"),
    [
        pytest.param(60, 60, id="far above: where it is wanted"),
        pytest.param(130, 130, id="far below"),
        pytest.param(100, 90.5, id="where the plate runs: just above it"),
        pytest.param(105, 90.5 + 27, id="nearer to what is below: just below it"),
    ],
)
def test_no_name_lies_across_the_beds_plate(page: Page, wanted: float, placed: float) -> None:
    """A plate from 99.5 to 108.5, and a word that is 9 high on either side of its middle."""
    plate = {"y": 99.5, "thick": 9}
    assert ask(page, "section_layout", "m.besidePlate(...a)", [wanted, plate]) == placed


@pytest.mark.parametrize(
    ("marks", "said"),
    [
        pytest.param([], [], id="nothing happened"),
        pytest.param(["camera 40", "camera 44", "camera 41"], [["camera", 3, 41, 41]], id="alike"),
        pytest.param(
            ["camera 40", "door 40", "camera 40"],
            [["camera", 2, 40, 40], ["door", 1, 40, 53]],
            id="two sorts at one height stand one below the other",
        ),
        pytest.param(
            ["camera 40", "camera 53"],
            [["camera", 1, 40, 40], ["camera", 1, 53, 53]],
            id="far enough apart to be two",
        ),
        pytest.param(
            ["door 60", "smoke 60", "camera 60", "sensor 60", "draft 60", "flame 60"],
            [
                ["flame", 1, 60, 8],
                ["draft", 1, 60, 21],
                ["sensor", 1, 60, 34],
                ["camera", 1, 60, 47],
                ["smoke", 1, 60, 60],
            ],
            id="no room for the oldest",
        ),
    ],
)
def test_marks_at_one_height_are_one_or_stand_apart(
    page: Page, marks: list[str], said: list[list[Any]]
) -> None:
    told = [
        {"kind": kind, "onset_at": f"2026-11-24T12:0{n}:00Z", "y": int(y)}
        for n, (kind, y) in enumerate(mark.split() for mark in marks)
    ]
    shown = "m.gathered(a, 13, 8, 60).map((k) => [k.kind, k.count, k.y, k.text_y])"
    assert ask(page, "section_layout", shown, told) == said


UNSEEN = {"hidden": True, "in_touch": True, "typed": False, "audible": False, "stands": False}


@pytest.mark.parametrize(
    ("changed", "may"),
    [
        pytest.param({}, True, id="nobody sees it"),
        pytest.param({"hidden": False}, False, id="somebody looks"),
        pytest.param({"typed": True}, False, id="something was typed"),
        pytest.param({"stands": True}, False, id="an alarm stands"),
        pytest.param({"audible": True}, False, id="it would be silent afterwards"),
        pytest.param({"in_touch": False}, False, id="it might not come back"),
    ],
)
def test_an_old_page_loads_itself_again_only_where_nothing_is_lost(
    page: Page, changed: dict[str, bool], may: bool
) -> None:
    assert ask(page, "updated", "m.mayLoad(a)", {**UNSEEN, **changed}) is may


@pytest.mark.parametrize(
    ("own", "newest", "old"),
    [
        pytest.param("v-0123456789abcdef", "v-0123456789abcdee", True, id="another one"),
        pytest.param("v-0123456789abcdef", "v-0123456789abcdef", False, id="the same"),
        pytest.param("v-0123456789abcdef", None, False, id="the service can't tell"),
        pytest.param(None, "v-0123456789abcdef", False, id="asked for by its plain name"),
    ],
)
def test_a_page_knows_that_it_is_old(
    page: Page, own: str | None, newest: str | None, old: bool
) -> None:
    address = f"https://shed.local/web/{own}/program.js" if own else "https://shed.local/web/x.js"
    told = "m.isOld({ who: { page: a[1] } }, m.versionIn(a[0]))"
    assert ask(page, "updated", told, [address, newest]) is old


STEADY = [45.0 + 0.1 * (n % 3) for n in range(60)]


def with_values(at: int, *values: float | None) -> list[float | None]:
    """A minute of steady air in which these come in place of its own."""
    return [*STEADY[:at], *values, *STEADY[at + len(values) :]]


@pytest.mark.parametrize(
    ("column", "story", "beyond_c", "highest"),
    [
        pytest.param(STEADY, None, [], 49.1, id="nothing amiss"),
        pytest.param(with_values(30, 85.0), None, [85.0], 49.1, id="a power-on value"),
        pytest.param(with_values(0, 85.0, 85.0), None, [85.0, 85.0], 49.1, id="at the start"),
        pytest.param(with_values(58, 127.94), None, [127.94], 49.1, id="at the end"),
        pytest.param(with_values(30, 0.0), None, [0.0], 49.1, id="a line held low"),
        pytest.param(with_values(30, 2000.0), None, [2000.0], 49.1, id="no thermometer's"),
        pytest.param(with_values(30, 81.0), None, [81.0], 49.1, id="for a moment alone"),
        pytest.param(with_values(30, *[81.0] * 12), None, [], 82.0, id="12 s: it may be true"),
        pytest.param(
            with_values(30, *[81.0] * 12), "trouble", [81.0] * 12, 49.1, id="in a told fault"
        ),
        pytest.param(with_values(30, *[47.0] * 12), "trouble", [], 50.0, id="a fault in reach"),
        pytest.param(with_values(30, 85.0), "alarm", [], 86.0, id="while a danger is told"),
        pytest.param(with_values(30, 20.0), None, [], 46.2, id="a door opened for a moment"),
        pytest.param([85.0] * 60, None, [85.0] * 60, 23.0, id="nothing else is known"),
    ],
)
def test_the_scale_is_that_of_what_can_be_true(
    page: Page,
    column: list[float | None],
    story: str | None,
    beyond_c: list[float],
    highest: float,
) -> None:
    kinds = {"trouble": "sensor_fault", "alarm": "fire"}
    stories = [
        {
            "class": story,
            "kind": kinds[story],
            "sensors": ["top"],
            "onset_at": "1970-01-01T00:00:30Z",
            "end_at": "1970-01-01T00:00:42Z",
        }
        for story in ([story] if story else [])
    ]
    told = ask(
        page,
        "scale",
        """m.scaled({
          hour: { time_s: a.column.map((_, i) => i), column: () => a.column },
          names: ["top"], unit: "c", target_c: null, stories: a.stories,
        })""",
        {"column": column, "stories": stories},
    )
    assert [one["temperature_c"] for one in told["beyond"]] == beyond_c
    assert told["span"][1] == pytest.approx(highest)
    drawn = [value for value in told["columns"][0] if value is not None]
    assert len(drawn) + len(beyond_c) == len(column)
    assert all(told["span"][0] <= value <= told["span"][1] for value in drawn)


@pytest.mark.parametrize(
    ("names", "order"),
    [
        pytest.param(["low", "top", "middle"], ["top", "middle", "low"], id="told by name"),
        pytest.param(["a", "b", "c"], ["a", "b", "c"], id="untold: in their order"),
        pytest.param(["b", "lid"], ["lid", "b"], id="one told"),
    ],
)
def test_sensors_stand_where_their_names_say(
    page: Page, names: list[str], order: list[str]
) -> None:
    sensors = [{"name": name} for name in names]
    shown = ask(
        page, "section_layout", "m.heights(a).map((r) => [r.sensor.name, r.share])", sensors
    )
    assert [name for name, _ in shown] == order
    assert all(0 < share < 1 for _, share in shown)


@pytest.mark.parametrize("dark", [False, True])
def test_air_is_shaded_in_even_steps(page: Page, dark: bool) -> None:
    """Grey alone tells warm from cold, everywhere on the scale by about as much."""
    colours = ask(page, "shade", "[0,1,2,3,4,5,6,7,8].map((n) => m.shade(n / 8, a))", dark)
    greys = [sum(map(int, colour[4:-1].split())) / 3 for colour in colours]
    steps = [abs(b - a) for a, b in pairwise(greys)]
    assert min(steps) > 2
    assert max(steps) < 1.6 * min(steps)


@pytest.mark.parametrize(
    ("height_mm", "longest_mm"),
    [(0.2, 10), (9.4, 20), (29, 40), (130, 150), (5000, 2400)],
)
def test_the_ruler_is_longer_than_the_part(page: Page, height_mm: float, longest_mm: int) -> None:
    ticks = ask(page, "section_layout", "m.part(a, m.boxOf(1)).ticks", height_mm)
    top = ask(page, "section_layout", "m.part(a, m.boxOf(1)).top", height_mm)
    assert ticks[0]["mm"] == 0
    assert abs(ticks[-1]["mm"] - longest_mm) <= longest_mm / 10
    assert ticks[-1]["y"] <= top + 0.01


@pytest.mark.parametrize(
    ("size_mm", "to_scale"),
    [
        pytest.param([600, 650], True, id="usual"),
        pytest.param([500, 900], True, id="high"),
        pytest.param([2000, 300], False, id="too flat to draw in"),
        pytest.param([None, 650], False, id="width not told"),
    ],
)
def test_the_box_is_drawn_to_scale_where_that_leaves_room(
    page: Page, size_mm: list[int | None], to_scale: bool
) -> None:
    box = ask(page, "section_layout", "m.boxOf(2, a[0], a[1])", size_mm)
    assert box["to_scale"] is to_scale
    inner = box["inner"]
    drawn = (inner["right"] - inner["left"]) / (inner["bottom"] - inner["top"])
    width_mm, height_mm = size_mm
    if to_scale and width_mm and height_mm:
        assert drawn == pytest.approx(width_mm / height_mm)
    assert inner["left"] >= 88
    assert box["outer"]["right"] <= 326


def test_a_break_leaves_a_gap_in_the_line(page: Page) -> None:
    hour = ask(
        page,
        "hour",
        """(() => {
          const hour = new m.Hour();
          const at = (s) => [{ name: "top", temperature_c: s, at: new Date(s * 1000).toJSON() }];
          for (const s of [1000, 1001, 1061, 1062]) hour.append(s, at(s));
          hour.fill({ time_s: [998, 999], sensors: { top: [998, 999], gone: [1, null] } });
          return [hour.time_s, hour.column("top"), hour.column("gone").length];
        })()""",
    )
    assert hour[0] == [998, 999, 1000, 1001, 1031, 1061, 1062]
    assert hour[1] == [998, 999, 1000, 1001, None, 1061, 1062]
    assert hour[2] == 7


@pytest.mark.parametrize(
    ("time_s", "drawn"),
    [
        pytest.param([0, 1, 2, 3], [0, 1, 2, 3], id="whole"),
        pytest.param([0, 1, 2, 32, 33], [0, 1, 2, 32, 33], id="half a minute isn't long"),
        pytest.param([0, 1, 2, 102, 103], [0, 1, 2, None, 102, 103], id="nobody watched"),
        pytest.param([0, 20, 40, 95, 115], [0, 20, 40, 95, 115], id="read three times a minute"),
        pytest.param([0, 60, 120, 600], [0, 60, 120, None, 600], id="read each minute"),
        pytest.param([], [], id="nothing"),
        pytest.param([7], [7], id="one"),
    ],
)
def test_no_line_is_drawn_where_readings_are_missing_in_what_is_kept(
    page: Page, time_s: list[int], drawn: list[int | None]
) -> None:
    kept = {"time_s": time_s, "sensors": {"top": time_s}}
    hour = "(() => { const h = new m.Hour(); h.fill(a); return [h.time_s, h.column('top')]; })()"
    instants, top = ask(page, "hour", hour, kept)
    assert top == drawn
    assert instants == sorted(instants)
    assert len(instants) == len(drawn)


@pytest.mark.parametrize("width_px", [220, 360, 900])
def test_words_of_a_chart_stay_between_its_edges(page: Page, width_px: int) -> None:
    """Also those of what comes last, and those that are longer than the chart is wide."""
    laid = ask(
        page,
        "chart",
        """(() => {
          const place = document.body.appendChild(document.createElement("div"));
          place.style.cssText = `width: ${a}px; height: 200px`;
          const at = (s) => new Date(s * 1000).toJSON();
          const story = (kind, from_s, to_s) =>
            ({ event: from_s, kind, class: "trouble", onset_at: at(from_s), end_at: at(to_s) });
          const hour = { time_s: [0, 9000], column: () => [20, 21] };
          const stories = [story("no_motion", 10, 7450), story("heat_lost", 8700, 8990)];
          const chart = new m.Chart(place, {
            hour, names: ["a long name"], unit: "c", target_c: null, stories,
            from_s: 0, to_s: 9000, live: false,
            scaled: { span: [15, 25], columns: [[20, 21]], beyond: [] },
          });
          const { bbox } = chart.plot;
          const ends = [bbox.left / devicePixelRatio, (bbox.left + bbox.width) / devicePixelRatio];
          const words = chart.words;
          chart.close();
          place.remove();
          return { ends, words };
        })()""",
        width_px,
    )
    assert laid["words"]
    for word in laid["words"]:
        assert word["left"] >= laid["ends"][0] - 1
        assert word["left"] + word["width"] <= laid["ends"][1] + 1


@pytest.mark.parametrize(
    ("first_s", "from_s"),
    [
        pytest.param(None, 6400, id="nothing read: an hour"),
        pytest.param(9990, 9400, id="just begun: ten minutes"),
        pytest.param(8000, 8000, id="half an hour of readings"),
        pytest.param(6420, 6400, id="an hour, thinned"),
    ],
)
def test_the_hour_begins_where_readings_begin(page: Page, first_s: int | None, from_s: int) -> None:
    assert ask(page, "hour", "m.beginning(10000, a ?? undefined)", first_s) == from_s


@pytest.mark.parametrize(
    ("address", "meant"),
    [
        pytest.param("", {"page": "now"}, id="nothing"),
        pytest.param(
            "#/chambers/a%20b", {"page": "chamber", "chamber": "a b"}, id="one of several chambers"
        ),
        pytest.param("#/?welcome", {"page": "now"}, id="the first with a question"),
        pytest.param("#chart", {"page": "now"}, id="a place on it"),
        pytest.param("#/nowhere", {"page": "now", "unknown": True}, id="none"),
        pytest.param("#/chambers/%", {"page": "now", "unknown": True}, id="a broken one"),
        pytest.param("#/setting-up/people", {"page": "setup", "step": "people"}, id="a step"),
        pytest.param("#/setting-up/zzz", {"page": "setting-up", "unknown": True}, id="no step"),
        pytest.param("#/jobs", {"page": "jobs"}, id="jobs"),
        pytest.param("#/jobs/a%20b-1", {"page": "job", "job": "a b-1"}, id="one job"),
        pytest.param(
            "#/jobs/a/zzz", {"page": "job", "job": "a", "unknown": True}, id="nothing of a job"
        ),
        pytest.param("#/jobs/%", {"page": "jobs", "unknown": True}, id="broken"),
    ],
)
def test_an_address_names_a_page(page: Page, address: str, meant: dict[str, object]) -> None:
    assert ask(page, "route", "m.route(a)", address) == meant


def alarm(name: str, of: str, **changed: object) -> dict[str, object]:
    return {
        **{"id": name, "class": of, "priority": "high", "suppression": "none"},
        **{"annunciation": "unacknowledged", "raised_at": "2026-11-24T10:00:00Z"},
        **{"cause_alarm": None, **changed},
    }


FIRE, FLAME = alarm("fire", "alarm", priority="critical"), alarm("flame", "alarm")
DOOR, DRAFT = alarm("door", "supervisory"), alarm("draft", "supervisory")
SEEN = {"annunciation": "acknowledged"}
STOP = {"set_up": True, "cause": "fire"}


@pytest.mark.parametrize(
    ("changed", "first"),
    [
        pytest.param({}, "", id="nothing"),
        pytest.param({"alarms": [FLAME, FIRE]}, "fire", id="of several dangers the worst"),
        pytest.param({"alarms": [FIRE | SEEN, FLAME]}, "flame", id="the one not yet seen"),
        pytest.param({"alarms": [DOOR, DRAFT, FLAME]}, "flame", id="danger before the rest"),
        pytest.param({"alarms": [DOOR, DRAFT]}, "all", id="all at once"),
        pytest.param(
            {"alarms": [DRAFT | {"cause_alarm": "door"}, DOOR | SEEN]}, "draft", id="what follows"
        ),
        pytest.param(
            {"attendance": {"asks": True, "stage": 1}, "alarms": [DOOR]}, "near", id="to go there"
        ),
        pytest.param(
            {"attendance": {"asks": True, "stage": 1}, "alarms": [FIRE]}, "fire", id="not to a fire"
        ),
        pytest.param(
            {"stop": STOP | {"phase": "counting"}, "alarms": [FIRE]}, "stop", id="a countdown"
        ),
        pytest.param(
            {"opening": {"until_at": "2026-11-24T10:05:00Z"}}, "door", id="a door to shut"
        ),
    ],
)
def test_one_button_stands_out(page: Page, changed: dict[str, object], first: str) -> None:
    calm: dict[str, object] = {"attendance": None, "alarms": [], "opening": None}
    chamber = {**calm, "stop": {"set_up": False, "phase": "ready"}, **changed}
    assert ask(page, "foremost", "m.foremost(a)", chamber) == first


@pytest.mark.parametrize(
    ("link", "name", "is_open", "then"),
    [
        pytest.param("#/jobs/a", "films", True, "#/jobs/a?open=films", id="the first"),
        pytest.param(
            "#/jobs/a?at=7&open=films", "box", True, "#/jobs/a?at=7&open=films.box", id="one more"
        ),
        pytest.param("#/jobs/a?open=films.box", "films", False, "#/jobs/a?open=box", id="folded"),
        pytest.param("#/jobs/a?open=films", "films", False, "#/jobs/a", id="the last"),
        pytest.param("#/jobs/a?at=7", "films", False, "#/jobs/a?at=7", id="folded already"),
    ],
)
def test_which_chapters_are_open_stands_in_the_link(
    page: Page, link: str, name: str, is_open: bool, then: str
) -> None:
    given = [link, name, is_open]
    assert ask(page, "chapters", "m.linkWith(...a)", given) == then


@pytest.mark.parametrize(
    ("text", "unit", "shown"),
    [
        pytest.param("It is 46.2 °C.", "c", "It is 46.2 °C.", id="as it is"),
        pytest.param("It is 46.2 °C.", "f", "It is 115.2 °F.", id="a temperature"),
        pytest.param("It fell 6.1 degrees.", "f", "It fell 11.0 degrees.", id="a difference"),
        pytest.param("-5.0 °C outside", "f", "23.0 °F outside", id="below freezing"),
        pytest.param("by 5 to 10 degrees", "f", "by 9.0 to 18.0 degrees", id="a range"),
    ],
)
def test_words_of_the_service_are_put_into_the_readers_unit(
    page: Page, text: str, unit: str, shown: str
) -> None:
    assert ask(page, "units", "m.words(a[0], a[1])", [text, unit]).replace("\u00a0", " ") == shown


def test_figures_of_the_service_stay_on_the_line_of_their_unit(page: Page) -> None:
    said = "Open for 7 min 2 s at 31 mm, in 5 days: 22.1 GB free, 4 h 5 min, 24 %. At 3 somebody."
    held = "Open for 7_min_2_s at 31_mm, in 5 days: 22.1_GB free, 4_h_5_min, 24_%. At 3 somebody."
    assert ask(page, "units", "m.words(a, 'c')", said).replace("\u00a0", "_") == held


@pytest.mark.parametrize(
    ("kind", "count", "room", "shown"),
    [
        pytest.param("door_open", 1, 80, "13:00 door", id="all of it"),
        pytest.param("sensor_fault", 1, 70, "sensor", id="no room for its time"),
        pytest.param("no_motion", 1, 72, "standing…", id="no room for its word"),
        pytest.param("door_open", 2, 130, "13:00 door twice", id="two of them"),
        pytest.param("camera_fault", 3, 112, "camera 3 times", id="three, no room for a time"),
        pytest.param("camera_fault", 2, 64, "2 camera", id="no room for their word"),
    ],
)
def test_words_at_the_part_end_before_the_wall(
    page: Page, kind: str, count: int, room: float, shown: str
) -> None:
    mark = {"onset_at": "2026-11-24T12:00:00Z", "kind": kind, "count": count}
    assert ask(page, "section", "m.named(a[0], a[1])", [mark, room]) == shown


@pytest.mark.parametrize(
    ("sensor", "spot"),
    [
        pytest.param({"name": "top", "drawn_at": [0.5, 0.25]}, [0.5, 0.25], id="as placed"),
        pytest.param({"name": "top", "drawn_at": [0, 0]}, [0, 0], id="placed in the corner"),
        pytest.param({"name": "top", "drawn_at": None}, [0.05, 0.9], id="as its name says"),
        pytest.param({"name": "top"}, [0.05, 0.9], id="never placed"),
    ],
)
def test_a_sensor_is_drawn_where_it_was_placed(
    page: Page, sensor: dict[str, Any], spot: list[float]
) -> None:
    where = """(() => {
      const { inner, ...box } = m.boxOf(1);
      const [dot] = m.placed([a], { inner, ...box }).dots;
      return [(dot.x - inner.left) / (inner.right - inner.left),
              (inner.bottom - dot.y) / (inner.bottom - inner.top)]; })()"""
    assert ask(page, "section_layout", where, sensor) == pytest.approx(spot)


@pytest.mark.parametrize(
    ("kinds", "shown"),
    [
        pytest.param("ccccc", ["c+4"], id="a run is one line"),
        pytest.param("ccc", ["c", "c", "c"], id="a few stand as they are"),
        pytest.param("ccdcc", ["c", "c", "d", "c", "c"], id="something else between"),
        pytest.param("cccCcc", ["c", "c", "c", "C", "c", "c"], id="what stands is never folded"),
    ],
)
def test_a_trouble_that_comes_and_goes_is_told_once(
    page: Page, kinds: str, shown: list[str]
) -> None:
    told = [
        {"shape": "trouble", "kind": k.lower(), "stands": k.isupper(), "letter": k} for k in kinds
    ]
    ask_it = "m.gathered(a).map((g) => g.line.letter + (g.more.length ? '+' + g.more.length : ''))"
    assert ask(page, "stories", ask_it, told) == shown


DRYING = {
    "figure": "drying_h",
    "said": "drying of the filament",
    "unit": "h",
    "effect": -0.94,
    "chance": 0.91,
    "flawed_median": 1.0,
    "sound_median": 11.0,
    "flawed": 7,
    "sound": 9,
}


@pytest.mark.parametrize(
    ("here", "said"),
    [
        pytest.param("10", "here 10 h, as in sound jobs.", id="dried long enough"),
        pytest.param("2", "here 2 h, as in flawed jobs.", id="not dried"),
        pytest.param("6", "here 6 h. Usual", id="between both"),
        pytest.param("undefined", "here not known. Usual", id="nobody said"),
    ],
)
def test_what_goes_with_flaws_says_first_what_this_job_had(
    page: Page, here: str, said: str
) -> None:
    line = ask(page, "good_jobs", f"m.differs(a, {here}, 'c')", DRYING).replace("\u00a0", " ")
    assert line.startswith("drying of the filament: ")
    assert said in line
    assert "Usual were 1 h in 7 flawed jobs, 11 h in 9 sound ones." in line
    assert "less in 97; by chance alone seldom in more than 96." in line


def test_degrees_in_what_a_figure_is_called_are_the_readers(page: Page) -> None:
    longest = DRYING | {"said": "time that it stayed 2 degrees below", "unit": "s"}
    line = ask(page, "good_jobs", "m.differs(a, 60, 'f')", longest).replace("\u00a0", " ")
    assert line.startswith("time that it stayed 3.6 degrees below: ")


@pytest.mark.parametrize(
    ("x", "firm", "begins"),
    [
        pytest.param(100, None, 100, id="no such line there"),
        pytest.param(100, 120, 22, id="across it: before"),
        pytest.param(100, 300, 100, id="left of it"),
        pytest.param(100, 90, 100, id="right of it"),
        pytest.param(30, 60, 64, id="no room before: behind"),
    ],
)
def test_words_on_the_ruler_keep_off_those_of_the_line(
    page: Page, x: int, firm: int | None, begins: int
) -> None:
    assert ask(page, "ruler", f"m.clearOf({x}, 80, a, [20, 400])", firm) == begins


def test_a_new_version_of_the_program_is_no_other_set_of_settings(page: Page) -> None:
    under = [{"version": "1.0", "fingerprint": "a"}, {"version": "1.1", "fingerprint": "a"}]
    assert ask(page, "report", "m.setsOf(a)", under) == 1
    assert ask(page, "report", "m.setsOf(a)", [*under, {"fingerprint": "b"}]) == 2


def test_the_picture_nearest_to_a_moment_is_shown(page: Page) -> None:
    assert ask(page, "one_height", "m.nearestOf(a, 25)", [10, 20, 28, 90]) == 2
    assert ask(page, "one_height", "m.nearestOf(a, 25)", []) == -1


def test_of_several_boxes_danger_stands_first_and_nothing_less_moves_one(page: Page) -> None:
    boxes = [{"tone": tone} for tone in ("calm", "caution", "danger", "trouble", "danger")]
    first = ask(
        page, "side_by_side", "m.dangerFirst(a)", [b | {"n": n} for n, b in enumerate(boxes)]
    )
    assert [box["n"] for box in first] == [2, 4, 0, 1, 3]
