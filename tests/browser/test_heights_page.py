"""On the page of a job: from a height to its minute, from an event to its height, and pins."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import partial

from playwright.sync_api import Page, expect

from running import RunningService, wait_until
from stillair.simulation.toolpaths import BUSHING, Build, toolpath_lines

from .conftest import Look, Serve
from .test_jobs_page import fits

DIGITS = r"\d+(\.\d+)?"


def minutes_of(service: RunningService, job: str) -> float:
    return len(service.get(f"/api/jobs/{job}/readings?points=20000")["time_s"]) / 60.0


def is_at(service: RunningService, job: str, minute: float) -> bool:
    return minutes_of(service, job) > minute


def grow(service: RunningService, job: str, told: dict[int, float]) -> None:
    """A machine that tells heights at minutes of the job, by the chamber's own time."""
    for minute, height_mm in told.items():
        wait_until(partial(is_at, service, job, minute), within_s=60)
        service.post(f"/api/jobs/{job}/progress", {"height_mm": height_mm})


def sent(service: RunningService) -> str:
    """A toolpath of the part, once it has been read."""
    lines = toolpath_lines(Build(replace(BUSHING, height_mm=20.0), layer_mm=0.5))
    made = service.web.post(
        "/api/toolpaths",
        params={"name": "fin boxes"},
        content="".join(lines).encode(),
        headers={"content-type": "application/octet-stream"},
    ).json()["id"]
    wait_until(lambda: service.get(f"/api/toolpaths/{made}")["state"] == "ready", within_s=60)
    return str(made)


def field(page: Page) -> None:
    page.get_by_role("heading", name="At which height?").wait_for()


def test_a_height_gives_its_minute_and_an_event_its_height(serve: Serve, look: Look) -> None:
    service = serve(speed=60, frames_per_s=1)
    job = str(service.post("/api/jobs", {"name": "Two fin boxes", "material": "ASA"})["id"])
    grow(service, job, {4: 2.0, 8: 6.0})
    service.post(f"/api/jobs/{job}/note", {"text": "compressor on"})
    grow(service, job, {12: 14.0, 16: 18.0})
    service.post(f"/api/jobs/{job}/finish")

    page = look(service, f"/#/jobs/{job}?open=height.toolpath", width_px=360)
    field(page)
    section = page.locator(".at-height")
    asked = section.get_by_label("Height above the bed, in mm")
    asked.fill("high")
    section.get_by_role("button", name="Find its minute").click()
    expect(section.get_by_role("alert")).to_contain_text("Give the height as a number")
    asked.fill("10,5")
    asked.press("Enter")
    laid = section.locator(".laid")
    expect(laid).to_contain_text(re.compile(r"10.5\smm up was laid at \d\d:\d\d, for"))
    expect(laid).to_contain_text("Give or take")
    expect(laid).to_contain_text(re.compile(rf"read in that time.*top {DIGITS}.*°C"))
    expect(laid.locator("img")).to_be_visible()
    expect(page.locator(".rule .sought")).to_contain_text("10.5\u00a0mm, which you asked for")
    assert fits(page)

    note = page.locator(".rule li").filter(has_text="compressor on")
    tap = note.locator("button.mm")
    box = tap.bounding_box()
    assert box is not None and box["height"] >= 44
    tap.click()
    expect(tap).to_have_attribute("aria-expanded", "true")
    expect(note.get_by_role("status")).to_contain_text(
        re.compile(rf"The part was {DIGITS}\smm high, or from {DIGITS}\smm to {DIGITS}\smm")
    )
    assert fits(page)

    toolpath = sent(service)
    page.locator(".of-toolpath").get_by_label("The job followed").wait_for()
    service.post(f"/api/jobs/{job}/toolpath", {"toolpath": toolpath})
    page.reload()
    field(page)
    asked.fill("10.5")
    asked.press("Enter")
    expect(laid).to_contain_text("Found by the job's toolpath")
    expect(laid).to_contain_text(re.compile(r"Layer 2[12]\."))
    expect(laid.locator(".from-above rect").first).to_be_visible()
    tap.click()
    expect(note.locator(".from-above rect").first).to_be_visible()
    assert fits(page)

    asked.fill("1500")
    asked.press("Enter")
    expect(section).to_contain_text("Of this height nothing is known")
    expect(page.locator(".rule .sought")).to_have_count(0)


def test_what_people_remember_is_kept_and_taken_back(serve: Serve, look: Look) -> None:
    service = serve(speed=60)
    job = str(service.post("/api/jobs", {"name": "Rigger spacers", "material": "PA"})["id"])
    wait_until(partial(is_at, service, job, 10.0), within_s=60)
    page = look(
        service, f"/#/jobs/{job}?open=height.toolpath", width_px=360, expected="status of 409"
    )
    field(page)
    section = page.locator(".at-height")
    expect(section).to_contain_text("Nobody told how high this part was")
    section.get_by_text("Say how high the part was at a moment").click()
    high, at = section.get_by_label("It was so high"), section.get_by_label("at", exact=True)
    keep = section.get_by_role("button", name="Keep that")
    keep.click()
    expect(section.get_by_role("alert")).to_contain_text("Give the height as a number")
    high.fill("12,4")
    late = at.input_value()
    at.fill("2024-01-01T14:05")
    keep.click()
    expect(section.get_by_role("alert")).to_contain_text("The job had not begun by then")
    at.fill(late)
    keep.click()
    pin = section.locator(".pins li")
    expect(pin).to_contain_text("12.4\u00a0mm high at")
    expect(high).to_have_value("")
    section.get_by_label("Height above the bed, in mm").fill("6")
    section.get_by_role("button", name="Find its minute").click()
    expect(section.locator(".laid")).to_contain_text("between the heights that were told")
    assert fits(page)
    pin.get_by_role("button", name="Take it back").click()
    expect(pin).to_have_count(0)
    expect(section).to_contain_text("Nobody told how high this part was")
