"""A real service, and real browsers that look at it.

browser   Debian's Chromium, one for each file of tests
serve     starts services of a test's own
sums      reckons with the page's modules, without a service
look      opens the page as a telephone or a desk would, and fails the test
          for anything the browser complained of
shed      a service over a simulated chamber: a job runs, and the door is open
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import (
    Browser,
    BrowserContext,
    Error,
    Page,
    Route,
    expect,
    sync_playwright,
)

from running import RunningService

CHROMIUM = "/usr/bin/chromium"
# What of the browser is switched off: the first two would open pages of its own with each of
# ours, a third of the work. Of several lists Chromium heeds the last alone, so that playwright's
# is said again.
LEFT_OUT = (
    *("WebUIOmniboxPopup", "WebUIOmniboxAimPopup"),
    *("AvoidUnnecessaryBeforeUnloadCheckSync", "DestroyProfileOnBrowserClose", "HttpsUpgrades"),
    *("HttpsFirstBalancedModeAutoEnable", "LensOverlay", "MediaRouter", "PaintHolding"),
    *("ThirdPartyStoragePartitioning", "AvoidCorsURLLoaderRestartOnRedirect", "AimEnabled"),
    *("OptimizationHints", "NetworkTimeServiceQuerying", "PreconnectToSearch"),
)
# Headless, and quiet: nothing but the page under test is asked for anything.
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    f"--disable-features={','.join(LEFT_OUT)}",
]
HEIGHT_PX = 844
ZONE = "Europe/Berlin"
NORTH = "Boat shed, north bench"
WEB = Path(__file__).resolve().parents[2] / "web"
NOWHERE = "http://localhost:9"
WITHIN_S = 30.0  # of a computer that does other things as well; only what fails takes that long
expect.set_options(timeout=WITHIN_S * 1000.0)

CHAMBER = """
[chamber]
name = "{name}"
enclosure = ["plywood", "foam"]
target_c = 45
limit_c = 70

[[sensor]]
name = "top"
driver = "simulated"

[[sensor]]
name = "low"
driver = "simulated"

[[sensor]]
name = "bed"
place = "bed"
driver = "simulated"

[[sensor]]
name = "room"
place = "room"
driver = "simulated"

[[contact]]
name = "door"
kind = "door"
driver = "simulated"

[simulation]
scenario = "day.toml"
speed = {speed}
"""

CAMERA = """
[camera]
source = "simulated"
frames_per_s = {frames_per_s}
"""

SCENARIO = """
summary = "{summary}"
warm_start_s = 7200

[enclosure]
walls = ["plywood"]
width_m = 0.6
depth_m = 0.6
height_m = 0.65
door_width_m = 0.5
door_height_m = 0.55

[room]
mean_c = 17.0

[bed]
power_w = 350
target_c = 95

[heater]
power_w = 280
capacity_j_per_k = 80
conductance_w_per_k = 4
hysteresis_k = 0.3
thermostat_tau_s = 8
target_c = 46

[[sensor]]
name = "top"
height = 0.9

[[sensor]]
name = "low"
height = 0.2

[[sensor]]
name = "bed"
place = "bed"
kind = "bead"

[[sensor]]
name = "room"
place = "room"

[[contact]]
name = "door"
kind = "door"
"""

JOB = """
[[step]]
at_s = 2
do = "job_start"
name = "Twelve oarlock bushings"
material = "ASA"
machine = "the left bench"
height_mm = 60
build_s = 7200
pieces = 12
"""

DOOR = """
[[step]]
at_s = {at_s}
do = "open_door"
for_s = {for_s}
"""


def chamber_files(
    folder: Path, steps: str, *, speed: float = 1, name: str = NORTH, frames_per_s: float = 0
) -> Path:
    """A chamber file in `folder` whose scenario does `steps`; returns its path.

    Without `frames_per_s` there is no camera: to draw four pictures a second and look at them
    takes ten times what the rest of a service does. Four are enough for a view that is fit,
    and where time runs fast one.
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "day.toml").write_text(SCENARIO.format(summary="A day for a test") + steps)
    chamber = folder / "chamber.toml"
    camera = CAMERA.format(frames_per_s=frames_per_s) if frames_per_s else ""
    chamber.write_text(CHAMBER.format(name=name, speed=speed) + camera)
    return chamber


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    folder = tmp_path_factory.mktemp("shed")
    # At six times life's speed the door's alarm comes within seconds.
    steps = JOB + DOOR.format(at_s=12, for_s=36_000)
    chamber = chamber_files(folder, steps, speed=6, frames_per_s=1)
    with RunningService(folder / "data", "--chamber", str(chamber)) as running:
        yield running


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def sums(browser: Browser) -> Iterator[Page]:
    """A page that reckons with the page's modules; no service stands behind it."""
    context = browser.new_context(timezone_id=ZONE)
    page = context.new_page()

    def give(route: Route) -> None:
        path = urlsplit(route.request.url).path
        if path.startswith("/web/"):
            route.fulfill(path=WEB / path.removeprefix("/web/"))
        else:
            route.fulfill(body="<!doctype html><title>Sums</title>", content_type="text/html")

    page.route(f"{NOWHERE}/**", give)
    page.goto(f"{NOWHERE}/")
    yield page
    context.close()


Look = Callable[..., Page]
Serve = Callable[..., RunningService]


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Serve]:
    with ExitStack() as running:

        def start(
            steps: str = "",
            *,
            speed: float = 1,
            names: tuple[str, ...] = (NORTH,),
            frames_per_s: float = 0,
        ) -> RunningService:
            """A service over simulated chambers of those names, in which `steps` happen."""
            words: list[str] = []
            for number, name in enumerate(names):
                chamber = chamber_files(
                    tmp_path / f"chamber-{number}",
                    steps,
                    speed=speed,
                    name=name,
                    frames_per_s=frames_per_s,
                )
                words += ["--chamber", str(chamber)]
            return running.enter_context(RunningService(tmp_path / "data", *words))

        yield start


COUNT_TONES = """
window.tones = [];
const make = AudioContext.prototype.createOscillator;
AudioContext.prototype.createOscillator = function () {
  const tone = make.call(this);
  const start = tone.start;
  tone.start = function (at_s) {
    window.tones.push({ pitch_hz: tone.frequency.value, at_s });
    return start.call(tone, at_s);
  };
  return tone;
};
"""


@pytest.fixture
def look(browser: Browser, serve: Serve) -> Iterator[Look]:
    # Asks for `serve` so that pages are closed before the services they look at.
    contexts: list[BrowserContext] = []
    complaints: list[str] = []

    def open_page(
        service: RunningService,
        path: str = "/",
        *,
        width_px: int = 390,
        scheme: str = "light",
        expected: str | tuple[str, ...] = "",
        before: Callable[[BrowserContext], object] = lambda _: None,
    ) -> Page:
        """The page at that width; complaints with a word of `expected` are no fault.

        `before` may do something to the browser before the page is opened in it.
        """
        context = browser.new_context(
            viewport={"width": width_px, "height": HEIGHT_PX},
            color_scheme="dark" if scheme == "dark" else "light",
            timezone_id=ZONE,
        )
        contexts.append(context)
        context.add_init_script(COUNT_TONES)
        before(context)
        page = context.new_page()
        page.set_default_timeout(WITHIN_S * 1000.0)

        def complain(words: str) -> None:
            known = (expected,) if isinstance(expected, str) else expected
            if not any(part and part in words for part in known):
                complaints.append(words)

        page.on(
            "console",
            lambda said: complain(said.text) if said.type in ("error", "warning") else None,
        )
        page.on("pageerror", lambda error: complain(str(error)))
        page.goto(f"http://127.0.0.1:{service.port}{path}")
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert complaints == []


def unfold(page: Page, *headings: str) -> None:
    """Open those chapters of a job's page."""
    for heading in headings:
        page.locator(f'.chapter[aria-label^="{heading}"] > details > summary').click()


def until(page: Page, expression: str, *, within_s: float = WITHIN_S) -> None:
    """Wait until JavaScript `expression` is true on the page.

    Not playwright's own waiting: that evaluates text inside the page, which the
    page's Content-Security-Policy rightly forbids.
    """
    give_up_s = time.monotonic() + within_s

    def so() -> bool:
        try:
            return bool(page.evaluate(expression))
        except Error as error:
            if "context was destroyed" not in error.message:
                raise
            return False  # the page was just being loaded again

    while not so():
        assert time.monotonic() < give_up_s, f"never true: {expression}"
        page.wait_for_timeout(50)
