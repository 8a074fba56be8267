"""A job's films on its page: what happened is played, and a pause is said."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from running import RunningService, wait_until
from smoke_seen import running_with_smoke

from .conftest import JOB, Look, chamber_files, until

ENOUGH_S = 120.0
VIDEO = "document.querySelector('.films video')"
WIDTHS = pytest.mark.parametrize("width_px", [390, 1280])


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    """A job runs, smoke was seen, and its film is kept: half a minute of it, for time runs fast."""
    folder = tmp_path_factory.mktemp("filmed")
    chamber = chamber_files(folder, JOB, speed=10)
    with running_with_smoke(folder / "data", "--chamber", str(chamber)) as running:
        wait_until(lambda: _films(running, "kept"), within_s=ENOUGH_S)
        yield running


def _job(running: RunningService) -> str:
    return str(wait_until(lambda: running.now()["job"], within_s=ENOUGH_S)["id"])


def _films(running: RunningService, state: str) -> list[dict[str, Any]]:
    items = running.get(f"/api/jobs/{_job(running)}/clips")["items"]
    return [item for item in items if item["state"] == state and item["part"] == "clip"]


def _open(look: Look, running: RunningService, width_px: int) -> Page:
    page = look(running, f"/#/jobs/{_job(running)}", width_px=width_px)
    expect(page.get_by_role("heading", name="Films")).to_be_visible()
    return page


@WIDTHS
def test_a_film_plays_and_jumps_to_what_happened(
    look: Look, filmed: RunningService, width_px: int
) -> None:
    page = _open(look, filmed, width_px)
    section = page.locator("section.films")
    film = _films(filmed, "kept")[0]
    if section.get_by_role("group", name="Which film").count():
        section.get_by_role("button", name="Smoke", exact=False).first.click()
    video = section.locator("video")
    expect(video).to_be_visible()
    assert video.get_attribute("preload") == "none"
    expect(section.get_by_text("Simulated, nothing of it was real.")).to_be_visible()
    moment = section.get_by_role("button", name="smoke at", exact=False)
    moment.focus()
    page.keyboard.press("Enter")
    until(page, f"{VIDEO}.currentTime > 0.5")
    played = video.evaluate("v => [v.videoWidth, v.duration, v.error && v.error.message]")
    assert played[0] > 0
    assert played[1] == pytest.approx(film["length_s"], abs=0.3)
    assert played[2] is None
    begun_s = max(0.0, film["moments"][0]["film_s"] - 2.0)
    until(page, f"{VIDEO}.currentTime > {begun_s + 0.5}")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "no way sideways"


def test_the_whole_job_in_short_is_still_to_come(look: Look, filmed: RunningService) -> None:
    page = _open(look, filmed, 390)
    page.get_by_role("button", name="The whole job in short").click()
    expect(page.get_by_text("It is made when the job is over.")).to_be_visible()
    expect(page.locator("section.films video")).to_have_count(0)
