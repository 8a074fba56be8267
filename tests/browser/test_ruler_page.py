"""On the page of a job: each layer's own weather along the part's ruler."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from running import RunningService, wait_until
from stillair.simulation.toolpaths import BUSHING, Build, toolpath_lines
from weathered_jobs import ASKED, service_beside

from .conftest import Look, Serve, until
from .test_heights_page import is_at
from .test_jobs_page import fits
from .test_page_parts import ask

LAYERS = 150
BUILD = Build(
    replace(BUSHING, height_mm=12.0),
    places=((70.0, 100.0), (100.0, 100.0), (130.0, 100.0)),
    layer_mm=0.4,
)
# Six minutes of life long: the browser comes in time, however busy the computer is.
TALL = replace(BUILD, part=replace(BUSHING, height_mm=200.0))
TALL_LAYERS = 501
RULER = ".weather-ruler"


def sent(service: RunningService, build: Build = BUILD) -> str:
    """The toolpath of three bushings, once it has been read."""
    made = service.web.post(
        "/api/toolpaths",
        params={"name": "three bushings"},
        content="".join(toolpath_lines(build)).encode(),
        headers={"content-type": "application/octet-stream"},
    ).json()["id"]
    wait_until(lambda: service.get(f"/api/toolpaths/{made}")["state"] == "ready", within_s=60)
    return str(made)


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[RunningService]:
    """A service that has kept a job of three bushings, whose door stood open for 3 minutes."""
    with service_beside(tmp_path) as service:
        yield service


@pytest.mark.timeout(300)
def test_an_open_door_is_drawn_at_its_heights_and_said(kept: RunningService, look: Look) -> None:
    service, job = kept, ASKED.job
    page = look(service, f"/#/jobs/{job}?open=layers.height.toolpath", width_px=390)
    section = page.locator(".layer-weather")
    ruler = page.locator(RULER)
    expect(ruler.locator(".course").first).to_be_visible(timeout=120_000)
    assert fits(page)

    # One path each, however many layers; and the stretch by colour, shape and word.
    assert ruler.locator(".temperatures .course").count() == 1
    named = ruler.locator(".named").first
    expect(named.locator("text")).to_contain_text(re.compile(r"\d+° colder"))
    expect(named.locator(".arrow")).to_be_visible()
    assert ruler.locator(".block").count() >= 1
    stretch = section.locator(".stretches > li").first
    expect(stretch).to_contain_text(
        re.compile(r"The layer below was \d+.degrees.*colder than is usual in this")
    )
    expect(stretch).to_contain_text(re.compile(r"Laid (from|at) \d\d:\d\d.*give or take"))
    expect(stretch).to_contain_text(re.compile(r"Then:.*[Dd]oor", re.DOTALL))
    expect(section).to_contain_text("never that it is there")
    expect(ruler.locator(".told .supervisory").first).to_be_attached()

    # By a finger, by keys, closer and farther.
    ruler.scroll_into_view_if_needed()
    ruler.click(position={"x": 200, "y": 110})
    said = section.locator(".layer-said")
    expect(said).to_contain_text(re.compile(rf"Layer 1\d\d of {LAYERS}, \d+(\.\d+)?\smm, laid at"))
    expect(said).to_contain_text(re.compile(r"the layer below was at about \d+\s°C"))
    ruler.press("Home")
    expect(ruler).to_have_attribute("aria-valuenow", "1")
    expect(said).to_contain_text("It lies on the bed.")
    for key, layer in (("ArrowUp", "2"), ("PageUp", "12"), ("ArrowDown", "11")):
        ruler.press(key)
        expect(ruler).to_have_attribute("aria-valuenow", layer)
    expect(said.get_by_text(f"Layer 11 of {LAYERS}")).to_be_visible()
    figures = ruler.locator(".strokes + text")
    expect(figures).to_have_text("0")
    for _ in range(3):
        ruler.press("+")
    expect(figures).not_to_have_text("0")
    ruler.press("End")  # what is seen goes with what is chosen
    until(page, f"document.querySelector('{RULER} .pointer') !== null")
    section.get_by_role("button", name="The whole part").click()
    expect(figures).to_have_text("0")
    stretch.get_by_role("button").click()
    expect(said).to_contain_text(re.compile(r"degrees colder than"))

    # What is asked for in words is chosen on the ruler too.
    asked = page.get_by_label("Height above the bed, in mm")
    asked.fill("3")
    asked.press("Enter")
    expect(ruler).to_have_attribute("aria-valuenow", "15")

    # What is chosen here is marked along the job's time, and a moment marked there is a layer here.
    marked = page.locator(".moment-line")
    line = page.locator(".line-of-time")
    line.press("Escape")
    expect(marked).to_have_count(0)
    ruler.press("End")
    expect(marked).to_be_visible()
    until(page, "location.hash.includes('at=')")
    expect(ruler).to_have_attribute("aria-valuenow", str(LAYERS))
    line.press("Shift+ArrowLeft")
    line.press("Escape")
    line.press("ArrowRight")  # the middle of what is seen
    expect(ruler).not_to_have_attribute("aria-valuenow", str(LAYERS))
    expect(ruler).not_to_have_attribute("aria-valuenow", "15")

    # What the ruler rests on is another now: said anew.
    service.web.request("PATCH", f"/api/jobs/{job}", json={"material": "PC"})
    page.reload()
    expect(section).to_contain_text("147\u00a0°C", timeout=60_000)


def test_what_is_missing_is_said_and_can_be_given(serve: Serve, look: Look) -> None:
    service = serve(speed=120)
    job = str(service.post("/api/jobs", {"name": "Fin boxes", "material": ""})["id"])
    service.post(f"/api/jobs/{job}/progress", {"height_mm": 2.0})
    wait_until(partial(is_at, service, job, 10.0), within_s=60)
    service.post(f"/api/jobs/{job}/finish")
    page = look(
        service,
        f"/#/jobs/{job}?open=layers.height.toolpath",
        width_px=390,
        expected="status of 409",
    )
    section = page.locator(".layer-weather")
    expect(section).to_contain_text("which toolpath is the job's: choose it below")
    service.post(f"/api/jobs/{job}/toolpath", {"toolpath": sent(service)})
    page.reload()
    expect(section).to_contain_text("what it was made of")
    keep = section.get_by_role("button", name="Keep that")
    keep.click()
    expect(section.get_by_role("alert")).to_contain_text("Say which material first")
    section.get_by_label("The material").fill("Moonstone")
    keep.click()
    refused = section.get_by_role("alert")
    expect(refused).to_contain_text("not in the table of materials", timeout=60_000)
    expect(refused).to_contain_text("ASA")
    section.get_by_label("The material").fill("ASA")
    keep.click()
    expect(section.locator(RULER)).to_be_visible(timeout=120_000)
    assert fits(page)


def many(count: int) -> str:
    """JavaScript for the weather of a part of so many layers, with every column."""
    return f"""(() => {{
      const n = {count}, column = (f) => Array.from({{ length: n }}, (_, i) => f(i));
      const wave = (i) => 70 + 10 * Math.sin(i / 9);
      return {{
        height_mm: column((i) => (i + 1) * 0.2), piece: column(() => 0),
        start_s: column((i) => i * 40), end_s: column((i) => i * 40 + 39),
        air_c: column(() => 50), below_c: column(wave), below_low_c: column((i) => wave(i) - 5),
        below_high_c: column((i) => wave(i) + 5), limit_low_c: column(() => 65),
        limit_high_c: column(() => 75), firm_c: 100, band_k: 5,
      }};
    }})()"""


def test_two_thousand_layers_are_reckoned_at_once(sums: Page) -> None:
    took_ms = sums.evaluate(
        f"""async () => {{
          const m = await import('/web/js/weather.js');
          const found = {many(2000)};
          const reckon = () => {{
            const began = performance.now();
            const [piece] = m.piecesOf(found, Infinity);
            const seen = {{ low_mm: 0, high_mm: m.topOf(piece) }};
            const line = m.lineOf(found, piece.layers, seen, found.below_c, (x) => x, (y) => y);
            const [low, high] = [found.below_low_c, found.below_high_c];
            const band = m.bandOf(found, piece.layers, seen, low, high, (x) => x, (y) => y);
            const points = line.split('L').length + band.split('L').length;
            if (points < 5990) throw new Error('lost');
            return performance.now() - began;
          }};
          // Whatever else the computer does takes its time from some of them, not from all.
          return Math.min(...Array.from({{ length: 10 }}, reckon));
        }}"""
    )
    assert took_ms < 100.0


def test_of_a_job_that_goes_on_only_what_is_laid_is_drawn(serve: Serve, look: Look) -> None:
    service = serve(speed=60)
    toolpath = sent(service, TALL)
    job = str(service.post("/api/jobs", {"name": "Bushings", "material": "ASA"})["id"])
    service.post(f"/api/jobs/{job}/toolpath", {"toolpath": toolpath})
    wait_until(partial(is_at, service, job, 5.0), within_s=60)
    service.post(f"/api/jobs/{job}/progress", {"height_mm": 1.2})
    wait_until(partial(is_at, service, job, 7.0), within_s=60)
    page = look(service, f"/#/jobs/{job}?open=layers.height.toolpath", width_px=1280)
    section = page.locator(".layer-weather")
    expect(section).to_contain_text("Of the layers laid so far:", timeout=120_000)
    ruler = page.locator(RULER)
    ruler.focus()
    ruler.press("End")
    layers = int(ruler.get_attribute("aria-valuemax") or 0)
    assert 3 <= layers < TALL_LAYERS // 2


@pytest.fixture
def page(sums: Page) -> Page:
    return sums


PIECE = {"layers": [0] * 100, "top_mm": 20.0, "least_mm": 0.8}


@pytest.mark.parametrize(
    ("seen", "by", "about_mm", "expected"),
    [
        pytest.param([0, 20.4], 2, 10.2, [5.1, 15.3], id="closer, about the middle"),
        pytest.param([0, 20.4], 2, 0.0, [0, 10.2], id="closer, at the bed"),
        pytest.param([0, 20.4], 0.5, 10.0, [0, 20.4], id="no farther than the part"),
        pytest.param([5.1, 15.3], 0, 10.0, [0, 20.4], id="all of it"),
        pytest.param([10.0, 11.0], 2, 10.5, [10.1, 10.9], id="no closer than a few layers"),
        pytest.param([15.0, 16.0], 0.5, 2.0, [1.0, 3.0], id="about a height that wasn't seen"),
    ],
)
def test_closer_and_farther(
    page: Page, seen: list[float], by: float, about_mm: float, expected: list[float]
) -> None:
    found = ask(
        page,
        "weather",
        "m.zoomed({ low_mm: a[0][0], high_mm: a[0][1] }, a[1], a[2], a[3])",
        [seen, by, about_mm, PIECE],
    )
    assert [found["low_mm"], found["high_mm"]] == pytest.approx(expected)


@pytest.mark.parametrize(
    ("at_s", "layer"),
    [
        pytest.param(-1.0, None, id="before the first layer"),
        pytest.param(0.0, 0, id="as it begins"),
        pytest.param(90.0, 1, id="within one"),
        pytest.param(119.5, 1, id="between two"),
        pytest.param(239.0, 3, id="as the last ends"),
        pytest.param(300.0, None, id="after it"),
    ],
)
def test_which_layer_was_laid_then(page: Page, at_s: float, layer: int | None) -> None:
    assert ask(page, "weather", "m.laidAt(a[0], a[1])", [layers(4), at_s]) == layer


@pytest.mark.parametrize(
    ("seen", "fine_mm", "figures"),
    [
        pytest.param([0, 20], 1.0, [0, 5, 10, 15, 20], id="a small part"),
        pytest.param([0, 300], 10.0, [0, 50, 100, 150, 200, 250, 300], id="a tall one"),
        pytest.param([4.05, 5.0], 0.01, [4.1 + n / 10 for n in range(10)], id="near"),
        pytest.param([0, 60], 1.0, [10.0 * n for n in range(7)], id="room for the tens alone"),
    ],
)
def test_a_rule_has_its_strokes_and_figures(
    page: Page, seen: list[float], fine_mm: float, figures: list[float]
) -> None:
    drawn = ask(page, "weather", "m.strokes({ low_mm: a[0], high_mm: a[1] }, 430)", seen)
    steps = {round(b["mm"] - a["mm"], 4) for a, b in pairwise(drawn)}
    assert steps == {fine_mm}
    told = [each["mm"] for each in drawn if each["figure"]]
    assert told == pytest.approx(figures)


def layers(count: int, **more: Any) -> dict[str, Any]:
    """Columns of layers 0.2 mm thick that last a minute each."""
    return {
        "height_mm": [0.2 * (n + 1) for n in range(count)],
        "piece": [0] * count,
        "start_s": [60.0 * n for n in range(count)],
        "end_s": [60.0 * n + 59 for n in range(count)],
        "uncertainty_s": [10.0] * count,
        **more,
    }


STRETCH = {"first": 50, "last": 54, "from_mm": 10.2, "to_mm": 11.0, "piece": 0, "side": "cold"}


@pytest.mark.parametrize(
    ("uncertainty_s", "expected"),
    [
        pytest.param(10.0, None, id="well known"),
        pytest.param(300.0, [9.2, 12.0], id="five layers either way"),
        pytest.param(1e6, [0.2, 20.0], id="nothing is known"),
    ],
)
def test_where_a_stretch_may_lie_is_told_where_that_matters(
    page: Page, uncertainty_s: float, expected: list[float] | None
) -> None:
    found = layers(100, uncertainty_s=[uncertainty_s] * 100)
    doubt = ask(page, "weather", "m.doubtOf(a[0], a[1])", [found, STRETCH])
    assert (doubt and [doubt["low_mm"], doubt["high_mm"]]) == (
        expected if expected is None else pytest.approx(expected)
    )


def story(kind: str, onset_s: float, end_s: float | None, sort: str = "supervisory") -> Any:
    def at(t_s: float) -> str:
        return datetime.fromtimestamp(t_s, UTC).isoformat()

    return {
        "class": sort,
        "kind": kind,
        "onset_at": at(onset_s),
        "end_at": None if end_s is None else at(end_s),
    }


@pytest.mark.parametrize(
    ("told", "side", "named"),
    [
        pytest.param(story("door_open", 2950, 3100), "cold", True, id="a door then"),
        pytest.param(story("door_open", 2500, 2700), "cold", True, id="a door shortly before"),
        pytest.param(story("door_open", 1000, 1200), "cold", False, id="a door long before"),
        pytest.param(story("door_open", 3600, 3700), "cold", False, id="a door afterwards"),
        pytest.param(story("heat_lost", 1000, None), "cold", True, id="what goes on"),
        pytest.param(story("door_open", 2950, 3100), "hot", False, id="a door makes nothing hot"),
        pytest.param(story("too_warm", 2950, 3100), "hot", True, id="warm air does"),
        pytest.param(story("soak_ready", 2950, 3100, "notice"), "cold", False, id="a notice"),
    ],
)
def test_what_was_told_then_is_named(page: Page, told: Any, side: str, named: bool) -> None:
    stretch = {**STRETCH, "side": side}
    found = ask(page, "weather", "m.toldThen(a[0], a[1], [a[2]])", [layers(100), stretch, told])
    assert bool(found) is named


def test_marks_at_nearly_one_height_are_one_of_the_gravest(page: Page) -> None:
    line = {"at": "2026-05-04T19:00:00Z", "text": "x"}
    told = [
        {**line, "height_mm": 5.0, "shape": "note"},
        {**line, "height_mm": 5.2, "shape": "alarm"},
        {**line, "height_mm": 12.0, "shape": "pause"},
        {**line, "height_mm": 40.0, "shape": "alarm"},
        {**line, "height_mm": None, "shape": "alarm"},
    ]
    expression = "m.marksOf(a, null, { low_mm: 0, high_mm: 20 }, (mm) => 400 - 20 * mm, 15)"
    found = ask(page, "weather", expression, told)
    assert [(mark["y"], mark["shape"]) for mark in found] == [(300, "alarm"), (160, "pause")]
