"""Every page at every width, light and dark, by keyboard, and on paper: nothing is amiss."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Literal

import pytest
from playwright.sync_api import Page, expect

from running import RunningService

from .conftest import NORTH, Look, chamber_files, until
from .test_jobs_page import fits
from .test_report_page import shot as keep_picture

AXE = (
    Path(__file__).parents[2] / "deploy" / "page-tools" / "node_modules" / "axe-core" / "axe.min.js"
)
# What is found, for a reader: the rule, and each place with what is wrong there.
FOUND = """
async (tags) => (await axe.run(document, { runOnly: tags })).violations.flatMap(
  ({ id, nodes }) => nodes.map((n) => `${id}: ${n.html.slice(0, 160)}: ${n.failureSummary}`))
"""
STOP = """
() => {
  const e = document.activeElement;
  if (!e || e === document.body) return { is: "" };
  const box = e.getBoundingClientRect();
  const marked = [e, ...e.children].some((each) => getComputedStyle(each).outlineStyle !== "none");
  const in_sight = box.width > 1 && box.height > 1 && box.bottom > 0 && box.right > 0
    && box.top < innerHeight && box.left < innerWidth;
  // The same words may stand on several stops: which of them it is counts as well.
  const nth = [...document.querySelectorAll(e.localName)].indexOf(e);
  return { is: `${nth} ${e.outerHTML.slice(0, 90)}`, outlined: marked, in_sight };
}
"""
MOST_STOPS = 250
WHITE = "rgb(255, 255, 255)"
UNFOLDED = "/#/jobs/{job}?open=layers.height.toolpath.pictures.films.box.what-if.take"
AA = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa")
STEPS = ("box", "sensors", "places", "switches", "camera", "people", "done")
WIDTHS_PX = (360, 390, 768, 1280)
LIGHTS: tuple[Literal["light", "dark"], ...] = ("light", "dark")


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    """A service over the simulated chamber, with a season of jobs that are over."""
    with RunningService(tmp_path_factory.mktemp("season"), "--season") as service:
        yield service


@pytest.fixture(scope="module")
def benches(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    """A service over two chambers."""
    folder = tmp_path_factory.mktemp("benches")
    words: list[str] = []
    for name in (NORTH, "Boat shed, south bench"):
        chamber = chamber_files(folder / name, "", name=name, frames_per_s=1)
        words += ["--chamber", str(chamber)]
    with RunningService(folder / "data", *words) as service:
        yield service


def newest_flawed(service: RunningService) -> str:
    items = service.get("/api/jobs", limit=100)["items"]
    return next(str(job["id"]) for job in reversed(items) if job["state"] == "finished")


@pytest.mark.parametrize(
    ("where", "there"),
    [
        pytest.param("/", ".sentence", id="now"),
        pytest.param("/#/jobs", ".jobs li", id="jobs"),
        pytest.param(UNFOLDED, ".line-of-time .lane.events", id="a job looked back on"),
        pytest.param("/#/jobs/{job}/paper", "h1", id="a job for paper"),
        pytest.param("/#/toolpaths", "main h1, main h2", id="toolpaths"),
        pytest.param("/#/people", "main h1, main h2", id="people"),
        pytest.param("/#/telephones", "main h1, main h2", id="telephones"),
        pytest.param("/#/setting-up", "main h1, main h2", id="setting up"),
        pytest.param("/#/watch", ".watch-lines li", id="how the watch itself is"),
        *(
            pytest.param(f"/#/setting-up/{step}", "text=/^Step . of /", id=f"setting up, {step}")
            for step in STEPS
        ),
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
    looked_through(page, there)


@pytest.mark.parametrize(
    ("where", "there"),
    [
        pytest.param("/", ".side-by-side article", id="all"),
        pytest.param("/#/chambers/{key}", ".meanwhile li", id="one of them"),
    ],
)
def test_nothing_is_amiss_where_there_are_several_chambers(
    benches: RunningService, look: Look, where: str, there: str
) -> None:
    key = benches.get("/api/now")["chambers"][1]["chamber"]
    looked_through(look(benches, where.format(key=key), width_px=WIDTHS_PX[0]), there)


def test_nothing_is_amiss_where_the_service_is_out_of_reach(
    season: RunningService, look: Look
) -> None:
    """What stays awake in the telephone says so, on a page of its own."""
    page = look(season, "/", width_px=WIDTHS_PX[0], expected="Failed to load resource")
    page.locator(".sentence").wait_for()
    until(page, "navigator.serviceWorker.ready.then((r) => r.active.state === 'activated')")
    page.reload()  # through the worker, which keeps how pages look
    page.locator(".sentence").wait_for()
    page.context.set_offline(True)
    page.reload()
    looked_through(page, "#since")


def looked_through(page: Page, there: str) -> None:
    """Nothing hangs over, axe finds nothing, and by Tab everything is reached."""
    page.locator(there).first.wait_for()
    page.evaluate(AXE.read_text("utf-8"))
    for width_px in WIDTHS_PX:
        page.set_viewport_size({"width": width_px, "height": 844})
        assert fits(page), width_px
        ends = width_px in (WIDTHS_PX[0], WIDTHS_PX[-1])
        for light in LIGHTS if ends else LIGHTS[:1]:  # between them no colour is another
            assert found(page, light) == []
    assert page.locator(".act.must:visible").count() <= 1, "one button stands out"
    assert walked(page) == []


def walked(page: Page) -> list[str]:
    """What a person with nothing but Tab finds amiss: stops that aren't seen, and traps."""
    page.emulate_media(reduced_motion="reduce")  # it scrolls there at once
    page.keyboard.press("Tab")
    amiss: list[str] = []
    first = page.evaluate(STOP)
    assert first["is"], "there is something to press"
    for _ in range(MOST_STOPS):
        page.keyboard.press("Tab")
        here = page.evaluate(STOP)
        if not here["is"] or here["is"] == first["is"]:
            return amiss
        if not (here["outlined"] and here["in_sight"]):
            amiss.append(here["is"])
    return [*amiss, f"no end after {MOST_STOPS} stops"]


def found(page: Page, light: Literal["light", "dark"]) -> list[str]:
    page.emulate_media(color_scheme=light)
    return list(page.evaluate(FOUND, list(AA)))


def tab_until(page: Page, what: str) -> None:
    """Press Tab until an element that fits the selector `what` has the focus."""
    for _ in range(MOST_STOPS):
        page.keyboard.press("Tab")
        if page.evaluate("(what) => document.activeElement.matches(what)", what):
            return
    raise AssertionError(f"Tab never reaches {what}")


def test_a_job_is_looked_back_on_by_keyboard_and_a_link_keeps_its_moment(
    season: RunningService, look: Look
) -> None:
    job = newest_flawed(season)
    page = look(season, "/", width_px=1280)
    page.locator(".sentence").wait_for()
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="To what stands here")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_role("main")).to_be_focused()
    assert "#" not in page.url, "it turns no page"
    page.keyboard.press("Shift+Tab")  # back among the ways
    page.keyboard.press("Home")
    tab_until(page, "body, .skip")
    tab_until(page, "a[href='#/jobs']")
    page.keyboard.press("Enter")
    page.locator(".jobs li").first.wait_for()
    tab_until(page, f"a[href='#/jobs/{job}']")
    page.keyboard.press("Enter")

    ruler = page.locator(".weather-ruler")
    ruler.wait_for(state="attached", timeout=60_000)
    tab_until(page, ".line-of-time")
    page.keyboard.press("ArrowRight")
    expect(page.locator(".along .moment p")).to_contain_text("°C")
    page.keyboard.press("+")
    until(page, "/from=\\d+&to=\\d+&at=\\d+/.test(location.hash)")
    tab_until(page, ".layer-weather summary")
    page.keyboard.press("Enter")
    until(page, "/open=layers/.test(location.hash)")
    tab_until(page, ".weather-ruler")
    before = ruler.get_attribute("aria-valuenow")
    page.keyboard.press("PageDown")
    page.keyboard.press("ArrowDown")
    expect(ruler).not_to_have_attribute("aria-valuenow", before or "")
    layer = ruler.get_attribute("aria-valuetext") or ""
    marked = page.evaluate("location.hash")
    until(page, f"location.hash !== {marked!r}")
    page.reload()
    expect(ruler).to_have_attribute("aria-valuetext", layer, timeout=60_000)


@pytest.mark.parametrize(
    ("where", "there"),
    [
        *(
            pytest.param(f"/#/setting-up/{step}", f"text=Step {n} of ", id=f"setting up, {step}")
            for n, step in enumerate(STEPS, 1)
        ),
        pytest.param(
            "/#/jobs/{job}?beside=last",
            ".along >> text=/Dotted|No other job/",
            id="beside another",
        ),
        pytest.param("/#/jobs/{job}?at={at_s}", ".along .moment b", id="a moment"),
    ],
)
def test_a_link_leads_to_the_same_after_reloading_and_on_another_telephone(
    season: RunningService, look: Look, where: str, there: str
) -> None:
    job = newest_flawed(season)
    began = datetime.fromisoformat(season.get(f"/api/jobs/{job}")["started_at"])
    address = where.format(job=job, at_s=round(began.timestamp()) + 7200)
    page = look(season, address)
    page.locator(there).first.wait_for(timeout=50_000)  # another job may have to be worked out
    hash_before = page.evaluate("location.hash")
    page.reload()
    page.locator(there).first.wait_for(timeout=50_000)
    assert page.evaluate("location.hash") == hash_before == address[1:]


# Of what a person sees on paper: what is there to be pressed, what hangs over, dark grounds and
# pale ink. A button that says something (a height, a minute) is words there, without an edge.
ON_PAPER = """
() => {
  const seen = [...document.querySelectorAll("body *")].filter((e) => e.checkVisibility());
  const brief = (e) => e.outerHTML.slice(0, 90);
  const style = (e) => getComputedStyle(e);
  const dark = (colour) => {
    const [r, g, b, a = 1] = colour.match(/[\\d.]+/g).map(Number);
    return a > 0 && (r + g + b) / 3 < 128;
  };
  const pictured = ".picture .frame, .picture .frame *";
  return {
    press: seen.filter((e) => e.matches("button, select, nav, form, .act")
      && !(e.matches("button") && style(e).borderStyle === "none" && e.innerText.trim()
        || e.closest(".lane"))).map(brief),
    over: seen.filter((e) => !e.closest(".uplot, .unseen, svg, .lane")
      && e.getBoundingClientRect().right > innerWidth + 1).map(brief),
    dark: seen.filter((e) => !e.closest("svg, .uplot") && !e.matches(pictured)
      && dark(style(e).backgroundColor)).map(brief),
    pale: seen.filter((e) => e.innerText?.trim() && !e.closest("svg") && !e.matches(pictured)
      && !dark(style(e).color)).map(brief),
    ground: style(document.documentElement).backgroundColor,
  };
}
"""
AS_IT_GOES = """
addEventListener("beforeprint", () => {
  const root = getComputedStyle(document.documentElement);
  window.gone = {
    ink: root.getPropertyValue("--ink"),
    folded: document.querySelectorAll(".chapter > details:not([open])").length,
    wide: Math.max(0, ...[...document.querySelectorAll(".uplot")].map((e) => e.offsetWidth)),
  };
});
"""
A4_PX = (718, 1047)  # between the margins that a browser leaves
SHEET_MM = 180


@pytest.mark.parametrize(
    ("where", "there", "says"),
    [
        pytest.param("/", ".hour canvas", "What happened", id="now"),
        pytest.param("/#/jobs", ".jobs li", "Fin box", id="jobs"),
        pytest.param(
            "/#/jobs/{job}?open=layers.height",
            ".weather-ruler svg",
            "Where it went wrong",
            id="a job",
        ),
        pytest.param("/#/jobs/{job}/paper", ".report canvas", "Temperatures", id="a job for paper"),
        pytest.param("/#/setting-up", ".found li", "Sensor top:", id="what was found"),
        pytest.param("/#/people", "main h1", "Nobody owns this", id="people"),
        pytest.param("/#/alarm-test", "main h1", "the whole way of an alarm", id="alarm test"),
    ],
)
def test_on_paper_is_ink_on_white_and_nothing_to_press(
    season: RunningService, look: Look, where: str, there: str, says: str
) -> None:
    """From a dark screen as well, with its address, the time and the zone."""
    address = where.format(job=newest_flawed(season))
    page = look(season, address, width_px=1280, scheme="dark")
    page.locator(there).first.wait_for(timeout=60_000)
    page.evaluate(AS_IT_GOES)
    assert page.pdf(format="A4").startswith(b"%PDF")
    gone = page.evaluate("window.gone")
    assert gone["ink"] == "#111", "drawn in dark ink before the sheets are laid out"
    assert gone["folded"] == 0, "all chapters go along"
    assert gone["wide"] <= SHEET_MM / 25.4 * 96 + 1, "and no wider than they are"

    page.emulate_media(media="print", color_scheme="dark")
    page.set_viewport_size({"width": A4_PX[0], "height": A4_PX[1]})
    found = page.evaluate(ON_PAPER)
    assert found == {"press": [], "over": [], "dark": [], "pale": [], "ground": WHITE}
    assert fits(page)
    said = page.locator("body").inner_text()
    assert says in said
    assert f"from http://127.0.0.1:{season.port}{address}." in said
    assert "Europe/Berlin." in said
    keep_picture(page, "paper" + re.sub(r"\W+", "-", where))
