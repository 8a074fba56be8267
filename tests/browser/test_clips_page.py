"""A job's films on its page: what happened is played, and a pause is said."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, expect

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
    chamber = chamber_files(folder, JOB, speed=10, frames_per_s=15)
    with running_with_smoke(folder / "data", "--chamber", str(chamber)) as running:
        wait_until(lambda: _films(running, "kept"), within_s=ENOUGH_S)
        yield running


def _job(running: RunningService) -> str:
    return str(wait_until(lambda: running.now()["job"], within_s=ENOUGH_S)["id"])


def _films(running: RunningService, state: str) -> list[dict[str, Any]]:
    items = running.get(f"/api/jobs/{_job(running)}/clips")["items"]
    return [item for item in items if item["state"] == state and item["part"] == "clip"]


def _open(look: Look, running: RunningService, width_px: int) -> Page:
    page = look(running, f"/#/jobs/{_job(running)}?open=films", width_px=width_px)
    expect(page.get_by_role("heading", name="Films")).to_be_visible()
    return page


@WIDTHS
def test_a_film_plays_and_jumps_to_what_happened(
    look: Look, filmed: RunningService, width_px: int
) -> None:
    page = _open(look, filmed, width_px)
    section = page.locator("section.films")
    film = _films(filmed, "kept")[0]
    # Beside what happened there is the whole job in short: so there is a choice, once both came.
    choice = section.get_by_role("group", name="Which film")
    choice.get_by_role("button", name="Smoke", exact=False).first.click()
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
    expect(page.get_by_text("A film of the whole job is made when it is over.")).to_be_visible()
    expect(page.locator("section.films video")).to_have_count(0)


def told(**other: Any) -> dict[str, Any]:
    """A film as the service would tell of it."""
    at = "2026-11-29T14:{}:00.000Z".format
    film = {
        "id": "0" * 32,
        "chamber": "x",
        "part": "clip",
        "kind": "door_open",
        "event": 7,
        "events": [7],
        "moments": [{"event": 7, "kind": "door_open", "at": at("03"), "film_s": 30.0}],
        "start_at": at("02"),
        "end_at": at("04"),
        "length_s": 90.0,
        "size_bytes": 1,
        "paused": [],
        "state": "kept",
        "why": "",
        "origin": "real",
    }
    return film | other


@pytest.mark.parametrize(
    ("film", "words", "plays"),
    [
        pytest.param(
            told(state="paused", paused=[{"start_at": told()["start_at"], "end_at": None}]),
            ["There is no film of it: the camera was paused.", "The camera was paused at 15:02"],
            False,
            id="paused all the while",
        ),
        pytest.param(
            told(paused=[{"start_at": told()["start_at"], "end_at": told()["end_at"]}]),
            ["The camera was paused from 15:02 to 15:04: nothing was recorded."],
            True,
            id="ended by a pause",
        ),
        pytest.param(told(state="making"), ["It is still being made."], False, id="being made"),
        pytest.param(
            told(state="lost", why="No film is kept: the disk is nearly full."),
            ["There is no film of it. No film is kept: the disk is nearly full."],
            False,
            id="lost",
        ),
    ],
)
def test_a_pause_and_a_film_that_is_not_there_are_said(
    look: Look, filmed: RunningService, film: dict[str, Any], words: list[str], plays: bool
) -> None:
    def instead(context: BrowserContext) -> None:
        answer = {"items": [film], "next": None}
        context.route("**/api/jobs/*/clips", lambda route: route.fulfill(json=answer))
        none: dict[str, object] = {"items": [], "next": None}  # of an event that there is not
        context.route("**/api/events/7/pictures*", lambda route: route.fulfill(json=none))

    page = look(filmed, f"/#/jobs/{_job(filmed)}?open=films", before=instead)
    section = page.locator("section.films")
    for each in words:
        expect(section.get_by_text(each, exact=False)).to_be_visible()
    expect(section.locator("video")).to_have_count(1 if plays else 0)
