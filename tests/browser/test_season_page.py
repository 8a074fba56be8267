"""The simulated season as a newcomer meets it: offered, looked at, a flaw explained, removed."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from running import RunningService
from stillair.model import JobOutcome
from stillair.simulation.season import Cause, shed_jobs

from .conftest import Look, unfold
from .pictures import drawn_anew, for_the_readme
from .test_jobs_page import fits

SEASON = shed_jobs()
# A hand that sweeps along the line of time; what waits until it rests is held back.
SWEEP = """
async ([from, to, y]) => {
  const [begin, end] = [window.setTimeout, window.clearTimeout];
  window.held = new Map();
  let last = 1e9;
  window.setTimeout = (work, ms, ...more) =>
    ms === 200 ? (held.set(++last, work), last) : begin(work, ms, ...more);
  window.clearTimeout = (id) => held.delete(id) || end(id);
  const line = document.querySelector(".line-of-time");
  for (let x = from; x < to; x += (to - from) / 40) {
    line.dispatchEvent(new PointerEvent("pointermove", { pointerType: "mouse", pointerId: 1,
      bubbles: true, clientX: x, clientY: y }));
    await new Promise(requestAnimationFrame);
  }
}
"""
RESTS = "held.forEach((work) => work())"
Begin = Callable[..., RunningService]


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    """A service with the season, which is only looked at."""
    with RunningService(tmp_path_factory.mktemp("season"), "--season") as service:
        yield service


@pytest.fixture
def begin(tmp_path: Path) -> Iterator[Begin]:
    """Starts a service without a chamber file; it ends after the pages that look at it."""
    with ExitStack() as running:
        yield lambda *words: running.enter_context(RunningService(tmp_path, *words))


def newest(cause: Cause) -> int:
    """The number of the newest flawed job with that cause."""
    return max(
        job.number for job in SEASON if job.cause is cause and job.outcome is not JobOutcome.SOUND
    )


def a_sweep_asks_for_one_picture(page: Page) -> None:
    """The picture nearest to a moment stands beside it once the hand rests, and none before."""
    line = page.locator(".line-of-time")
    page.locator(".lane.pictures button").first.wait_for()
    line.locator(".plot").scroll_into_view_if_needed()
    box = line.locator(".plot").bounding_box()
    assert box is not None
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.evaluate(SWEEP, [box["x"] + 60, box["x"] + box["width"] - 120, box["y"] + 60])
    expect(page.locator(".along .moment b")).to_be_visible()
    assert pictures_of_the_moment(page, asked) == []
    page.evaluate(RESTS)
    nearest = page.locator(".along .moment .nearest")
    expect(nearest).to_contain_text("nearest picture")
    expect(nearest.locator("img")).to_be_visible()
    # None where the page has it already.
    assert len(pictures_of_the_moment(page, asked)) <= 1


def pictures_of_the_moment(page: Page, asked: list[str]) -> list[str]:
    """Pictures that were asked for, but for those elsewhere on the page, which may come late."""
    elsewhere = page.evaluate(
        "[...document.images].filter((e) => !e.closest('.moment')).map((e) => e.src)"
    )
    return [url for url in asked if "/api/pictures/" in url and url not in elsewhere]


def all_of_it_shows_one_height(page: Page) -> None:
    """What is chosen on the part's ruler is what toolpath and pictures show, and the reverse."""
    ruler = page.locator(".weather-ruler")
    ruler.wait_for(timeout=120_000)
    page.locator(".of-toolpath details summary").last.click()
    layers = page.locator(".of-toolpath .layers b")
    choice = page.locator(".stills select")
    expect(choice.locator("option").nth(1)).to_be_attached()
    last = choice.locator("option").count() - 1
    for key, layer, picture in (("End", "200", last), ("Home", "1", 0)):
        ruler.press(key)
        expect(layers).to_have_text(re.compile(rf"Layer {layer} of 200"))
        expect(choice).to_have_js_property("selectedIndex", picture)
    choice.select_option(index=last)
    expect(ruler).not_to_have_attribute("aria-valuenow", "1")
    expect(layers).not_to_have_text(re.compile("Layer 1 of"))


@pytest.mark.timeout(600 if drawn_anew() else 240)
@pytest.mark.parametrize("width_px", [360, 1280])
def test_a_flaw_leads_to_its_minute_and_its_cause(
    season: RunningService, look: Look, width_px: int
) -> None:
    page = look(season, "/#/jobs", width_px=width_px)
    entries = page.locator(".jobs li")
    expect(entries.first).to_contain_text("Running")
    expect(entries.filter(has_text="Simulated. ")).to_have_count(12)
    expect(page.locator(".season")).to_contain_text(
        f"{len(SEASON)} of these jobs are a simulated season"
    )
    assert fits(page)
    door = newest(Cause.DOOR)
    entry = entries.filter(has=page.locator(f'a[href$="-{door}"]'))
    expect(entry).to_contain_text("door open")
    entry.get_by_role("heading").get_by_role("link").click()

    # The height, the minute and what happened then come before all that was measured.
    wrong = page.locator(".wrong")
    expect(wrong).to_contain_text(re.compile(r"Crack between layers at \d.*Laid at \d\d:\d\d"))
    expect(wrong).to_contain_text("Door open for")
    good = page.locator("section").filter(has_text="What good jobs had")
    expect(good.first).to_contain_text("by more than chance explains")
    line = page.locator(".line-of-time")
    tops = [part.bounding_box() for part in (wrong, good, line)]
    assert [box["y"] for box in tops if box] == sorted(box["y"] for box in tops if box)
    assert None not in tops
    a_sweep_asks_for_one_picture(page)

    unfold(page, "At which height?", "Each layer's own weather", "Toolpath", "Pictures, by")
    page.get_by_role("button", name=re.compile("^crack between layers at")).first.click()
    laid = page.locator(".at-height .laid")
    expect(laid).to_contain_text("Found by the job's toolpath")
    expect(laid).to_contain_text("Door open")
    expect(laid.locator("img")).to_be_visible()
    expect(page.locator(".sub, .story, main").first).to_contain_text("Simulated")
    assert fits(page)

    all_of_it_shows_one_height(page)
    if drawn_anew() and width_px == 1280:
        page.set_viewport_size({"width": 900, "height": 844})
        page.goto(f"{page.url.split('?')[0]}?open=layers")
        page.reload()
        ruler = page.locator(".layer-weather")
        ruler.locator(".weather-ruler").wait_for(timeout=120_000)
        for_the_readme(page, "went-wrong", last=page.locator(".along"))
        for_the_readme(page, "ruler", first=ruler, last=ruler.locator(".weather-drawn"))
    page.goto(page.url.replace(f"-{door}", f"-{newest(Cause.DAMP)}"))
    expect(page.locator("main")).to_contain_text(re.compile(r"Drying of the filament: \d+\sh here"))


def test_the_season_is_filled_in_and_removed_with_one_button_each(begin: Begin, look: Look) -> None:
    service = begin()
    # While the service begins anew nobody answers.
    page = look(service, "/#/jobs", width_px=360, expected="net::ERR")
    season = page.locator(".season")
    expect(season).to_contain_text("Nothing has been built here yet")
    season.get_by_role("button", name="Fill with a season").click()
    season.get_by_role("button", name="Fill it").click()
    expect(season).to_contain_text("begins anew")
    expect(season).to_contain_text(f"{len(SEASON)} of these jobs", timeout=150_000)
    expect(page.locator(".jobs li")).to_have_count(12)

    season.get_by_role("button", name="Remove the season").click()
    season.get_by_role("button", name="Remove it").click()
    expect(season).to_contain_text("The season is gone.", timeout=30_000)
    expect(page.locator(".jobs li")).to_have_count(1)
    assert fits(page)
