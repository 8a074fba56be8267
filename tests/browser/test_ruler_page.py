"""On the page of a job: each layer's own weather along the part's ruler."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import partial

import pytest
from playwright.sync_api import Page, expect

from running import RunningService, wait_until
from stillair.simulation.toolpaths import BUSHING, Build, toolpath_lines

from .conftest import DOOR, Look, Serve, until
from .test_heights_page import is_at, minutes_of
from .test_jobs_page import fits

HIGH_MM, LAYER_MM, LAYERS = 12.0, 0.4, 31  # the line at the edge of the plate is one
BUILD = Build(
    replace(BUSHING, height_mm=HIGH_MM),
    places=((70.0, 100.0), (100.0, 100.0), (130.0, 100.0)),
    layer_mm=LAYER_MM,
)
HEAT_UP_MIN = 2.0
DOOR_AT_MIN, DOOR_MIN = 14.0, 4.0
RULER = ".weather-ruler"


def sent(service: RunningService) -> dict[str, float | str]:
    """The toolpath of three bushings, once it has been read: its id and how long it takes."""
    made = service.web.post(
        "/api/toolpaths",
        params={"name": "three bushings"},
        content="".join(toolpath_lines(BUILD)).encode(),
        headers={"content-type": "application/octet-stream"},
    ).json()["id"]
    wait_until(lambda: service.get(f"/api/toolpaths/{made}")["state"] == "ready", within_s=60)
    return {"id": made, "min": service.get(f"/api/toolpaths/{made}")["whole"]["duration_s"] / 60.0}


def build(service: RunningService, *, material: str) -> str:
    """A job whose machine tells its height about each minute; returns its id."""
    toolpath = sent(service)
    job = str(service.post("/api/jobs", {"name": "Three bushings", "material": material})["id"])
    service.post(f"/api/jobs/{job}/toolpath", {"toolpath": toolpath["id"]})
    over_min = HEAT_UP_MIN + float(toolpath["min"])
    minute = HEAT_UP_MIN + 1.0
    while minute < over_min:
        wait_until(partial(is_at, service, job, minute), within_s=60)
        share = (minutes_of(service, job) - HEAT_UP_MIN) / float(toolpath["min"])
        layer = min(LAYERS - 1, int(share * (LAYERS - 1)) + 1)
        service.post(f"/api/jobs/{job}/progress", {"height_mm": round(layer * LAYER_MM, 2)})
        minute += 1.0
    wait_until(partial(is_at, service, job, over_min), within_s=60)
    service.post(f"/api/jobs/{job}/finish")
    return job


@pytest.mark.timeout(300)
def test_an_open_door_is_drawn_at_its_heights_and_said(serve: Serve, look: Look) -> None:
    door = DOOR.format(at_s=DOOR_AT_MIN * 60, for_s=DOOR_MIN * 60)
    service = serve(door, speed=60)
    job = build(service, material="ASA")
    page = look(service, f"/#/jobs/{job}", width_px=390)
    section = page.locator(".layer-weather")
    ruler = page.locator(RULER)
    expect(ruler.locator(".course").first).to_be_visible(timeout=60_000)
    assert fits(page)

    # One path each, however many layers; and the stretch by colour, shape and word.
    assert ruler.locator(".temperatures .course").count() == 1
    named = ruler.locator(".named").first
    expect(named.locator("text")).to_contain_text(re.compile(r"\d+° colder"))
    expect(named.locator(".arrow")).to_be_visible()
    assert ruler.locator(".block").count() >= 1
    stretch = section.locator(".stretches > li").first
    expect(stretch).to_contain_text("Colder than its own undisturbed layers by")
    expect(stretch).to_contain_text(re.compile(r"Laid (from|at) \d\d:\d\d.*give or take"))
    expect(stretch).to_contain_text(re.compile(r"Then:.*[Dd]oor", re.DOTALL))
    expect(section).to_contain_text("never that it is there")
    assert ruler.locator(".told .supervisory").count() >= 1

    # By a finger, by keys, closer and farther.
    ruler.scroll_into_view_if_needed()
    ruler.click(position={"x": 200, "y": 110})
    said = section.locator(".layer-said")
    expect(said).to_contain_text(re.compile(rf"Layer 2\d of {LAYERS}, \d+(\.\d+)?\smm, laid at"))
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
    expect(ruler).to_have_attribute("aria-valuenow", "9")  # with the line at the edge

    # What the ruler rests on is another now: said anew.
    service.web.request("PATCH", f"/api/jobs/{job}", json={"material": "PC"})
    page.reload()
    expect(section).to_contain_text("147\u00a0°C", timeout=60_000)


@pytest.mark.timeout(240)
def test_what_is_missing_is_said_and_can_be_given(serve: Serve, look: Look) -> None:
    service = serve(speed=60)
    job = str(service.post("/api/jobs", {"name": "Fin boxes", "material": ""})["id"])
    service.post(f"/api/jobs/{job}/progress", {"height_mm": 2.0})
    wait_until(partial(is_at, service, job, 10.0), within_s=60)
    service.post(f"/api/jobs/{job}/finish")
    page = look(service, f"/#/jobs/{job}", width_px=390, expected="status of 409")
    section = page.locator(".layer-weather")
    expect(section).to_contain_text("which toolpath the job followed: choose it below")
    service.post(f"/api/jobs/{job}/toolpath", {"toolpath": sent(service)["id"]})
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
    expect(section.locator(RULER)).to_be_visible(timeout=60_000)
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


def test_two_thousand_layers_are_reckoned_at_once(serve: Serve, look: Look) -> None:
    page: Page = look(serve())
    took_ms = page.evaluate(
        f"""async () => {{
          const m = await import('/web/js/weather.js');
          const found = {many(2000)};
          const began = performance.now();
          const [piece] = m.piecesOf(found, Infinity);
          const seen = {{ low_mm: 0, high_mm: m.topOf(piece) }};
          const line = m.lineOf(found, piece.layers, seen, found.below_c, (x) => x, (y) => y);
          const [low, high] = [found.below_low_c, found.below_high_c];
          const band = m.bandOf(found, piece.layers, seen, low, high, (x) => x, (y) => y);
          const points = line.split('L').length + band.split('L').length;
          if (points < 5990) throw new Error('lost');
          return performance.now() - began;
        }}"""
    )
    assert took_ms < 100.0
