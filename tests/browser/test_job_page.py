"""A job from beginning to end with the keyboard alone."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Page, expect

from running import RunningService, wait_until

from .conftest import Look, Serve

MOST_STOPS = 60


def tab_to(page: Page, name: str) -> None:
    """Press Tab until what is called `name` has the focus, which has to be seen."""
    for _ in range(MOST_STOPS):
        page.keyboard.press("Tab")
        here = page.evaluate(
            """() => {
              const e = document.activeElement;
              const name = e.innerText || e.labels?.[0]?.innerText || '';
              return [name.trim(), getComputedStyle(e).outlineStyle];
            }"""
        )
        if here[0] == name:
            assert here[1] != "none", f"nobody sees that {name!r} has the focus"
            return
    raise AssertionError(f"Tab never reaches {name!r}")


def newest_job(service: RunningService) -> dict[str, Any]:
    items: list[dict[str, Any]] = service.get("/api/jobs")["items"]
    return items[-1]


def test_a_job_is_run_by_keyboard_alone(serve: Serve, look: Look) -> None:
    service = serve()
    page = look(service, width_px=1280)
    keys = page.keyboard
    page.get_by_role("heading", name="No job is running.").wait_for()

    tab_to(page, "Start a job")
    keys.press("Enter")
    expect(page.get_by_label("What is being built")).to_be_focused()
    keys.type("Six rigger spacers")
    keys.press("Tab")
    keys.type("PA")
    keys.press("Tab")
    keys.type("the right bench")
    keys.press("Enter")
    page.get_by_role("heading", name="Six rigger spacers").wait_for()
    expect(page.locator(".job")).to_contain_text("PA on the right bench.")
    expect(page.locator(".job h2")).to_be_focused()

    tab_to(page, "Note this moment")
    keys.press("Enter")
    expect(page.get_by_label("What happens at this moment?")).to_be_focused()
    keys.type("compressor on")
    keys.press("Enter")
    expect(page.locator(".job .said")).to_contain_text("compressor on")
    for place in (".job .noted", ".stories li"):
        expect(page.locator(place)).to_contain_text("compressor on (this computer)")
    keys.press("Enter")  # the focus is back on "Note this moment"
    page.get_by_role("button", name="compressor on").wait_for()
    keys.press("Escape")
    expect(page.get_by_role("button", name="compressor on")).to_have_count(0)

    tab_to(page, "Pause")
    keys.press("Enter")
    expect(page.locator(".job")).to_contain_text("Paused since")
    tab_to(page, "Go on")
    keys.press("Space")
    expect(page.locator(".job")).to_contain_text("Running since")

    tab_to(page, "Tell the height")
    keys.press("Enter")
    expect(page.get_by_label("Height of the part, in mm")).to_be_focused()
    keys.type("12,4")
    keys.press("Enter")
    expect(page.locator(".job")).to_contain_text("The part is 12 mm high.")
    expect(page.locator(".section .part")).to_be_visible()

    tab_to(page, "Job is done")
    keys.press("Enter")
    expect(page.get_by_text("End this job?")).to_be_focused()
    assert service.now()["job"]["state"] == "running", "asks once more first"
    tab_to(page, "Yes, it is done")
    keys.press("Enter")
    page.get_by_role("button", name="Start a job").wait_for()
    # The page hears of the end before the disk does, where the list of jobs comes from.
    assert wait_until(lambda: newest_job(service)["finished_at"], within_s=60)
    assert newest_job(service)["height_mm"] == 12.4


def test_a_form_gives_way_to_a_job_begun_elsewhere(serve: Serve, look: Look) -> None:
    service = serve()
    page = look(service)
    page.get_by_role("button", name="Start a job").click()
    page.get_by_label("What is being built").wait_for()
    service.post("/api/jobs", {"name": "Fin box"})
    page.get_by_role("heading", name="Fin box").wait_for()
    expect(page.get_by_role("button", name="It begins now")).to_have_count(0)


@pytest.mark.parametrize("typed", ["-5", "abc", "2001", ""])
def test_a_height_that_can_not_be_is_refused_in_words(
    shed: RunningService, look: Look, typed: str
) -> None:
    page = look(shed)
    # By key: a picture that comes just then moves the button away from under a click.
    page.get_by_role("button", name="Tell the height").press("Enter")
    field = page.get_by_label("Height of the part, in mm")
    field.fill(typed)
    field.press("Enter")
    alert = page.locator(".job form").get_by_role("alert")
    expect(alert).to_contain_text("Give the height as a number of millimetres from 0 to 2000")
    expect(field).to_be_focused()
    expect(field).to_have_attribute("aria-invalid", "true")


def test_a_note_and_a_job_need_words(shed: RunningService, serve: Serve, look: Look) -> None:
    page = look(shed)
    page.get_by_role("button", name="Note this moment").click()
    page.get_by_role("button", name="Keep the note").click()
    expect(page.locator(".job form").get_by_role("alert")).to_contain_text("Write what happens")
    other = look(serve())
    other.get_by_role("button", name="Start a job").click()
    other.get_by_role("button", name="It begins now").click()
    expect(other.locator(".job form").get_by_role("alert")).to_contain_text("what is being built")


def test_a_height_lower_than_before_is_asked_about(serve: Serve, look: Look) -> None:
    service = serve()
    job = service.post("/api/jobs", {"name": "Fin box"})["id"]
    service.post(f"/api/jobs/{job}/progress", {"height_mm": 20})
    page = look(service)
    expect(page.locator(".job")).to_contain_text("The part is 20 mm high.")
    page.get_by_role("button", name="Tell the height").click()
    page.get_by_label("Height of the part, in mm").fill("3")
    page.get_by_role("button", name="That high").click()
    expect(page.locator(".job").get_by_role("alert")).to_contain_text("was 20 mm high before")
    assert service.now()["job"]["height_mm"] == 20
    page.get_by_label("Height of the part, in mm").fill("2")
    expect(page.get_by_role("button", name="That high")).to_be_visible()
    page.get_by_label("Height of the part, in mm").fill("3")
    page.get_by_role("button", name="Yes, 3.0 mm").click()
    expect(page.locator(".job")).to_contain_text("The part is 3.0 mm high.")
    page.get_by_role("button", name="Tell the height").click()
    page.get_by_label("Height of the part, in mm").fill("3,4")
    page.get_by_role("button", name="That high").click()
    expect(page.locator(".job")).to_contain_text("The part is 3.4 mm high.")
