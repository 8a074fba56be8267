"""Every page at every width, light and dark: nothing hangs over, and axe finds nothing at AA."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import pytest
from playwright.sync_api import Page

from running import RunningService

from .conftest import Look
from .test_jobs_page import fits

AXE = (
    Path(__file__).parents[2] / "deploy" / "page-tools" / "node_modules" / "axe-core" / "axe.min.js"
)
# What is found, for a reader: the rule, and each place with what is wrong there.
FOUND = """
async (tags) => (await axe.run(document, { runOnly: tags })).violations.flatMap(
  ({ id, nodes }) => nodes.map((n) => `${id}: ${n.html.slice(0, 160)}: ${n.failureSummary}`))
"""
AA = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa")
WIDTHS_PX = (360, 390, 768, 1280)
LIGHTS: tuple[Literal["light", "dark"], ...] = ("light", "dark")


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    """A service over the simulated chamber, with a season of jobs that are over."""
    with RunningService(tmp_path_factory.mktemp("season"), "--season") as service:
        yield service


def newest_flawed(service: RunningService) -> str:
    items = service.get("/api/jobs", limit=100)["items"]
    return next(str(job["id"]) for job in reversed(items) if job["state"] == "finished")


@pytest.mark.parametrize(
    ("where", "there"),
    [
        pytest.param("/", ".sentence", id="now"),
        pytest.param("/#/jobs", ".jobs li", id="jobs"),
        pytest.param("/#/jobs/{job}", ".line-of-time .lane.events", id="a job looked back on"),
        pytest.param("/#/jobs/{job}/paper", "h1", id="a job for paper"),
        pytest.param("/#/toolpaths", "main h1, main h2", id="toolpaths"),
        pytest.param("/#/people", "main h1, main h2", id="people"),
        pytest.param("/#/telephones", "main h1, main h2", id="telephones"),
        pytest.param("/#/setting-up", "main h1, main h2", id="setting up"),
        pytest.param("/#/alarm-test", "main h1, main h2", id="alarm test"),
        pytest.param("/sign-in", "h1", id="sign in"),
        pytest.param("/answer/of-no-alarm", "h1", id="an answer to nothing"),
        pytest.param("/nowhere", "h1", id="an address where nothing is"),
    ],
)
def test_nothing_hangs_over_and_axe_finds_nothing(
    season: RunningService, look: Look, where: str, there: str
) -> None:
    address = where.format(job=newest_flawed(season))
    page = look(season, address, width_px=WIDTHS_PX[0], expected="404")
    page.locator(there).first.wait_for()
    page.evaluate(AXE.read_text("utf-8"))
    for width_px in WIDTHS_PX:
        page.set_viewport_size({"width": width_px, "height": 844})
        assert fits(page), width_px
        if width_px in (WIDTHS_PX[0], WIDTHS_PX[-1]):
            for light in LIGHTS:
                assert found(page, light) == []


def found(page: Page, light: Literal["light", "dark"]) -> list[str]:
    page.emulate_media(color_scheme=light)
    return list(page.evaluate(FOUND, list(AA)))
