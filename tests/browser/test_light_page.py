"""The page stays light: parts when they are asked for, pictures when they are seen, no storms."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from running import RunningService
from stillair.api.linking import linked

from .conftest import WEB, Look

ALARM = {
    "class": "alarm",
    "priority": "high",
    "annunciation": "unacknowledged",
    "suppression": "none",
    "condition": True,
}
FAULT = {**ALARM, "class": "trouble"}
# A picture is asked for of a camera that is there; what the browser sees is said by the test.
PICTURE = """() => {
window.asked = 0;
window.fetch = async () => {
  window.asked += 1;
  return new Response(new Blob(["x"]), { headers: { Age: "1" } });
};
window.IntersectionObserver = class {
  constructor(told) { window.seen = (is) => told([{ isIntersecting: is }]); }
  observe() {}
  disconnect() {}
};
}"""
SHOW = """async () => {
  const { Picture } = await import("/web/js/picture.js");
  const { html } = await import("/web/js/html.js");
  const { render } = await import("/web/vendor/preact.js");
  const camera = { watched: true, condition: "fit", reason: "", since_at: null,
    paused_until_at: null };
  const chamber = { chamber: "north", at: new Date().toJSON(), speed: 1, camera };
  render(html`<${Picture} chamber=${chamber} in_touch=${true} may=${false} />`, document.body);
}"""
HOLD = """async ([first, second]) => {
  const asked = [];
  Object.defineProperty(navigator, "wakeLock", { configurable: true, value: {
    request: async () => {
      const release = async () => { window.held.released = true; asked.push("let go"); };
      const held = { released: false, release };
      asked.push("held");
      window.held = held;
      return held;
    },
  } });
  const { Screen } = await import("/web/js/screen.js");
  const screen = new Screen();
  const mind = async (alarms) => {
    screen.mind({ now: { chambers: [{ alarms: [alarms].flat() }] } });
    await new Promise((go) => setTimeout(go));
  };
  await mind([]);
  await mind([first]);
  await mind([first]);
  window.held.released = true; // the browser took it back while the page was hidden
  await mind([first]);
  await mind([second]);
  return asked;
}"""
AWAY = """async () => {
  const asked = [];
  window.fetch = async () => {
    asked.push(performance.now());
    throw new TypeError("nobody is there");
  };
  window.apart = () => asked.slice(1).map((at, n) => (at - asked[n]) / 1000);
  const { Live } = await import("/web/js/live.js");
  new Live(() => undefined).start();
}"""
LIVE = """async () => {
  const { Live } = await import("/web/js/live.js");
  window.told = [];
  window.live = new Live(({ told, joined }) => window.told.push([told, joined]));
}"""


@pytest.fixture
def timed(sums: Page) -> Iterator[Page]:
    """A page without a service, whose time goes on as the test says."""
    sums.clock.install()
    sums.goto(sums.url)
    sums.clock.pause_at(datetime.now(UTC) + timedelta(hours=1))
    yield sums
    sums.clock.resume()
    sums.goto(sums.url)


def goes_on(page: Page, seconds: int) -> None:
    """Time goes on, and what waits for it has its turn."""
    for _ in range(seconds):
        page.clock.run_for(1000)
        page.evaluate("Promise.resolve().then(() => 0)")


def test_pictures_come_only_while_they_are_in_sight(timed: Page) -> None:
    # The stand-ins are of the page itself, as is what it asks.
    timed.evaluate(PICTURE)
    timed.evaluate(SHOW)
    goes_on(timed, 8)
    asked = timed.evaluate("window.asked")
    assert asked >= 3
    timed.evaluate("window.seen(false)")
    goes_on(timed, 4)
    away = timed.evaluate("window.asked")
    goes_on(timed, 60)
    assert timed.evaluate("window.asked") == away <= asked + 1
    timed.evaluate("window.seen(true)")
    goes_on(timed, 1)
    assert timed.evaluate("window.asked") == away + 1, "at once"


@pytest.mark.parametrize(
    ("took_ms", "saving", "pause_ms"),
    [
        pytest.param(80, False, 2000, id="a quick link"),
        pytest.param(2500, False, 7500, id="three times as long as it took"),
        pytest.param(60_000, False, 30_000, id="but no longer than half a minute"),
        pytest.param(80, True, 15_000, id="who saves data"),
        pytest.param(8000, True, 24_000, id="and has a slow link"),
    ],
)
def test_pictures_come_as_often_as_the_link_bears(
    sums: Page, took_ms: float, saving: bool, pause_ms: float
) -> None:
    after = "async (a) => (await import('/web/js/picture.js')).pauseAfter(...a)"
    assert sums.evaluate(after, [took_ms, saving]) == pause_ms


NARROW = {"box_px": 358, "dense": 3, "closer": False, "slow": False, "small_ms": None}
WIDE = {**NARROW, "box_px": 620, "dense": 1}


@pytest.mark.parametrize(
    ("how", "width"),
    [
        pytest.param(NARROW, 320, id="a telephone's first"),
        pytest.param({**NARROW, "small_ms": 180}, 0, id="whose link is quick"),
        pytest.param({**NARROW, "small_ms": 180, "dense": 1}, 640, id="no larger than is seen"),
        pytest.param({**NARROW, "small_ms": 500}, 320, id="or isn't"),
        pytest.param({**NARROW, "small_ms": 500, "closer": True}, 0, id="drawn larger by fingers"),
        pytest.param({**NARROW, "small_ms": 180, "slow": True}, 320, id="slow, by what is known"),
        pytest.param(WIDE, 640, id="a large screen's first"),
        pytest.param({**WIDE, "box_px": 900}, 0, id="larger than any that is made"),
        pytest.param({**WIDE, "slow": True}, 320, id="a large screen on a slow link"),
    ],
)
def test_a_picture_is_as_wide_as_screen_and_link_want_it(
    sums: Page, how: dict[str, Any], width: int
) -> None:
    wanted = "async (how) => (await import('/web/js/picture.js')).widthFor(how)"
    assert sums.evaluate(wanted, how) == width


@pytest.mark.parametrize(
    ("alarm", "held"),
    [
        pytest.param(ALARM, True, id="an alarm that nobody has seen"),
        pytest.param({**ALARM, "annunciation": "acknowledged"}, True, id="seen, and it stands"),
        pytest.param(
            {**ALARM, "condition": False, "annunciation": "returned_unacknowledged"},
            True,
            id="over, and nobody has seen it",
        ),
        pytest.param({**ALARM, "condition": False, "annunciation": "latched"}, False, id="over"),
        pytest.param({**ALARM, "suppression": "shelved"}, False, id="put aside"),
        pytest.param(FAULT, True, id="a high fault that nobody has seen"),
        pytest.param({**FAULT, "annunciation": "acknowledged"}, False, id="a fault that was seen"),
        pytest.param({**FAULT, "priority": "medium"}, False, id="a fault that can wait"),
    ],
)
def test_the_screen_stays_on_while_an_alarm_stands(
    sums: Page, alarm: dict[str, Any], held: bool
) -> None:
    wanted = """async (alarm) => (await import('/web/js/screen.js'))
      .isWanted({ now: { chambers: [{ alarms: [] }, { alarms: [alarm] }] } })"""
    assert sums.evaluate(wanted, alarm) is held


def test_the_screen_is_held_once_again_after_a_while_away_and_let_go(sums: Page) -> None:
    over = {**ALARM, "condition": False, "annunciation": "normal"}
    assert sums.evaluate(HOLD, [ALARM, over]) == ["held", "held", "let go"]


def test_news_in_one_second_are_one_and_history_is_asked_for_once(timed: Page) -> None:
    timed.evaluate(LIVE)
    timed.evaluate("for (let n = 0; n < 5; n++) window.live.news()")
    assert timed.evaluate("window.told") == [[1, 0]], "the first at once"
    goes_on(timed, 2)
    assert timed.evaluate("window.told") == [[1, 0], [2, 0]], "what followed together"
    goes_on(timed, 3)
    timed.evaluate("for (let n = 0; n < 3; n++) window.live.rejoin()")
    assert len(timed.evaluate("window.told")) == 2, "not in the instant in which others do"
    goes_on(timed, 5)
    assert timed.evaluate("window.told.at(-1)") == [2, 1]


@pytest.mark.parametrize(
    ("address", "module"),
    [
        ("#/jobs", "jobs"),
        ("#/jobs/boat-shed-1", "look_back"),
        ("#/jobs/boat-shed-1/paper", "report"),
        ("#/people", "people"),
        ("#/telephones", "telephones"),
        ("#/toolpaths", "toolpaths"),
        ("#/watch", "how_it_watches"),
        ("#/setting-up", "setting_up"),
        ("#/setting-up/sensors", "setup_steps"),
    ],
)
def test_what_a_page_needs_is_asked_for_before_the_program_is_there(
    sums: Page, address: str, module: str
) -> None:
    program = linked(WEB / "js")["program.js"]
    line = next(each for each in program.splitlines() if f"=> m_{module})" in each)
    parts = "async (page) => (await import('/web/js/ahead.js')).partsOf(page)"
    assert sorted(sums.evaluate(parts, address)) == sorted(re.findall(r'import\("./(.*?)"\)', line))


def test_who_finds_nobody_asks_less_and_less_often_and_never_in_step(timed: Page) -> None:
    """What a page asks while the service is away: by chance a little more or less apart."""
    timed.evaluate(AWAY)
    goes_on(timed, 120)
    apart_s = timed.evaluate("apart()")
    later_s = apart_s[6:]
    assert max(apart_s[:4]) < 2.5, "soon at first"
    assert min(later_s) >= 4.0, "at last between four and eight seconds"
    assert max(later_s) <= 9.0, "in steps of a second, as the test's time goes on"
    assert len({round(each_s) for each_s in later_s}) > 1, "and not like clockwork"


def test_a_page_that_cannot_be_fetched_says_so_and_comes_when_it_can(
    shed: RunningService, look: Look
) -> None:
    asked: list[str] = []
    page = look(
        shed,
        expected="Failed to load resource",
        before=lambda context: context.route("**/list.js", lambda route: route.abort()),
    )
    page.on("request", lambda request: asked.append(request.url))
    page.locator(".sentence").wait_for()
    page.get_by_role("link", name="Jobs").click()
    failed = page.get_by_role("alert")
    expect(failed).to_contain_text("This page can't be fetched just now")
    expect(page.get_by_role("button", name="Load it all again")).to_be_visible()
    page.context.unroute("**/list.js")
    expect(page.locator("h1#jobs")).to_be_visible(timeout=20_000)
    expect(failed).to_have_count(0)
    assert sum(url.endswith("/api/live") for url in asked) <= 1, "one stream a page"


def test_a_program_that_never_comes_leaves_no_calm_page(shed: RunningService, look: Look) -> None:
    page = look(
        shed,
        expected="Failed to load resource",
        before=lambda context: context.route("**/program.js", lambda route: route.abort()),
    )
    late = page.get_by_text("nothing is known here so far: look at the chamber yourself")
    late.wait_for(state="attached")
    # What takes eight seconds is told to have just begun, however long the browser took.
    page.evaluate("document.getAnimations().forEach((e) => (e.pause(), (e.currentTime = 0)))")
    assert page.evaluate("getComputedStyle(document.querySelector('.late')).visibility") == "hidden"
    page.evaluate("document.getAnimations().forEach((each) => each.finish())")
    expect(late).to_be_visible()
