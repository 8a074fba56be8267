"""One line of time for a whole job: closer, along it, a moment, a link, another job beside."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, expect

from long_jobs import built
from running import RunningService, wait_until
from stillair.config.reading import load_chamber
from stillair.runtime.marks import box_mark
from stillair.storage.archive import Archive
from stillair.storage.journal import Journal

from .conftest import Look, chamber_files, unfold
from .test_jobs_page import fits
from .test_page_parts import ask

NAME = "Six rigger spacers"
WHOLE = {"from_s": 0, "to_s": 1000}
WHEEL = """
([down, ctrl]) => {
  const place = document.querySelector(".line-of-time");
  const box = place.getBoundingClientRect();
  return place.dispatchEvent(new WheelEvent("wheel", { deltaY: down, ctrlKey: ctrl, bubbles: true,
    cancelable: true, clientX: box.left + box.width / 2, clientY: box.top + 60 }));
}
"""


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[RunningService, str]]:
    """A job of an hour that is over; in it the door was opened twice. And its id."""
    folder = tmp_path_factory.mktemp("past")
    chamber = chamber_files(folder, "", speed=120)
    data = folder / "data"
    data.mkdir()
    journal, archive = Journal.open(data / "journal.db"), Archive.open(data / "archive.db")
    begun_s = time.time() - 3.0 * 3600.0
    box = box_mark(load_chamber(chamber))
    job = built(journal, archive, 1, begun_s, 1.2, box, mm_per_s=1 / 120, said=None)
    journal.close()
    archive.close()
    with RunningService(data, "--chamber", str(chamber)) as service:
        assert service.get(f"/api/jobs/{job}")["state"] == "finished"
        yield service, job


def length_s(service: RunningService, job: str) -> float:
    """How long a job's readings last by now."""
    times_s = service.get(f"/api/jobs/{job}/readings", points=10)["time_s"]
    return float(times_s[-1] - times_s[0]) if times_s else 0.0


def opened(look: Look, past: tuple[RunningService, str], end: str = "", **how: Any) -> Page:
    service, job = past
    page = look(service, f"/#/jobs/{job}{end}", **how)
    page.locator(".line-of-time .lane.events").wait_for()
    # What stands above is there as well, and moves nothing any more.
    page.locator(".job-log:not([open]), .job-log .log-fields").wait_for()
    return page


def stretch(page: Page) -> tuple[int, int] | None:
    """What the address says is seen; None for the whole job."""
    # By the page's own clock, however slow it is: once all is drawn, its timer is done first.
    page.evaluate(
        "new Promise(done => requestAnimationFrame(() => requestAnimationFrame("
        "() => setTimeout(done, 400))))"
    )
    found = re.search(r"from=(\d+)&to=(\d+)", str(page.evaluate("location.hash")))
    return (int(found[1]), int(found[2])) if found else None


def resting_px(page: Page) -> tuple[float, float]:
    """Left and top of the line of time, in sight, once nothing moves it any more."""

    def corner() -> tuple[float, float]:
        axis(page).scroll_into_view_if_needed()
        stretch(page)
        found = axis(page).bounding_box()
        assert found is not None
        return found["x"], found["y"]

    return wait_until(lambda: here if (here := corner()) == corner() else None, within_s=60)


def axis(page: Page) -> Locator:
    return page.get_by_role("group", name="The job along its time")


def button(page: Page, name: str) -> Locator:
    return page.locator(".along .moves").get_by_role("button", name=name)


def test_buttons_come_closer_and_move_and_show_the_whole(
    past: tuple[RunningService, str], look: Look
) -> None:
    page = opened(look, past, width_px=390)
    assert stretch(page) is None
    expect(button(page, "Farther")).to_have_attribute("aria-disabled", "true")
    button(page, "Closer").click()
    button(page, "Closer").click()
    first = stretch(page)
    assert first is not None
    button(page, "Later").click()
    later = stretch(page)
    assert later is not None
    assert first[0] < later[0]
    assert abs((first[1] - first[0]) - (later[1] - later[0])) <= 1
    button(page, "Earlier").click()
    button(page, "Earlier").click()
    earlier = stretch(page)
    assert earlier is not None
    assert earlier[0] < first[0]
    assert fits(page)
    button(page, "Whole job").click()
    assert stretch(page) is None
    for name in ("Closer", "Later"):
        box = button(page, name).bounding_box()
        assert box is not None
        assert min(box["width"], box["height"]) >= 44


def test_keys_move_the_moment_and_what_is_known_of_it_is_told(
    past: tuple[RunningService, str], look: Look
) -> None:
    page = opened(look, past)
    axis(page).focus()
    keys = page.keyboard
    keys.press("ArrowRight")
    told = page.locator(".along .moment p")
    expect(told).to_have_attribute("aria-live", "polite")
    expect(told).to_contain_text(re.compile(r"top\s\d+\.\d\s°C"))
    expect(told).to_contain_text(re.compile(r"building|warming up|soaking|cooling"))
    expect(told).to_contain_text(re.compile(r"\d\smm"))
    before = told.inner_text()
    keys.press("ArrowRight")
    expect(told).not_to_have_text(before)
    keys.press("+")
    keys.press("+")
    near = stretch(page)
    assert near is not None
    at = re.search(r"at=(\d+)", str(page.evaluate("location.hash")))
    assert at is not None
    assert near[0] < int(at[1]) < near[1]
    keys.press("Shift+ArrowRight")
    later = stretch(page)
    assert later is not None
    assert later[0] > near[0]
    keys.press("-")
    wider = stretch(page)
    assert wider is not None
    assert wider[1] - wider[0] > later[1] - later[0]
    keys.press("0")
    assert stretch(page) is None
    keys.press("Escape")
    expect(told).to_contain_text("Point at a moment")


def test_a_plain_wheel_scrolls_the_page_and_one_with_ctrl_comes_closer(
    past: tuple[RunningService, str], look: Look
) -> None:
    page = opened(look, past, width_px=1280)
    assert page.evaluate(WHEEL, [300, False]) is True, "the page may scroll"
    assert stretch(page) is None
    assert page.evaluate(WHEEL, [-400, True]) is False, "the browser's own zoom stays away"
    near = stretch(page)
    assert near is not None
    page.evaluate(WHEEL, [4000, True])
    assert stretch(page) is None


def test_it_is_dragged_along_and_a_press_marks_the_moment(
    past: tuple[RunningService, str], look: Look
) -> None:
    page = opened(look, past, width_px=1280)
    button(page, "Closer").click()
    before = stretch(page)
    assert before is not None
    axis(page).scroll_into_view_if_needed()
    box = axis(page).bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + 60
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 150, y, steps=5)
    page.mouse.up()
    after = stretch(page)
    assert after is not None
    assert after[0] > before[0]
    assert "at=" not in str(page.evaluate("location.hash")), "what was dragged was not pressed"
    page.mouse.click(x, y)
    page.mouse.move(x, box["y"] - 40)
    expect(page.locator(".moment-line")).to_have_count(1)
    stretch(page)
    assert "at=" in str(page.evaluate("location.hash"))
    page.mouse.dblclick(x, y)
    nearer = stretch(page)
    assert nearer is not None
    assert nearer[1] - nearer[0] < after[1] - after[0]


def test_two_fingers_bring_it_closer_and_one_moves_along(
    past: tuple[RunningService, str], look: Look
) -> None:
    page = opened(look, past, width_px=390)
    told = page.context.new_cdp_session(page)
    told.send("Emulation.setTouchEmulationEnabled", {"enabled": True, "maxTouchPoints": 2})

    # Fingers keep their height: one that followed the line, pushed down by what is still fetched
    # above it, would scroll the page.
    y = resting_px(page)[1] + 80

    def touch(kind: str, *at_px: float) -> None:
        points = [{"x": x, "y": y, "id": n} for n, x in enumerate(at_px)]
        told.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    touch("touchStart", 150, 190)
    for step in range(1, 7):
        touch("touchMove", 150 - 10 * step, 190 + 10 * step)
    touch("touchEnd")
    near = stretch(page)
    assert near is not None
    touch("touchStart", 200)
    for step in range(1, 7):
        touch("touchMove", 200 - 15 * step)
    touch("touchEnd")
    later = stretch(page)
    assert later is not None
    assert later[0] > near[0]
    assert abs((later[1] - later[0]) - (near[1] - near[0])) <= 2


def test_a_link_shows_the_same_stretch_and_a_broken_one_the_whole_job(
    past: tuple[RunningService, str], look: Look
) -> None:
    page = opened(look, past)
    button(page, "Closer").click()
    here = stretch(page)
    assert here is not None
    said = page.locator(".along .seen").inner_text()
    address = page.url
    page.reload()
    expect(page.locator(".along .seen")).to_have_text(said)
    assert stretch(page) == here
    for end in ("?from=9&to=3", "?from=x&to=%00", "?from=1&to=2", "?at=99999999999999"):
        page.goto("about:blank")  # else nothing is loaded again, and the page minds its hash alone
        page.goto(f"{address.partition('?')[0]}{end}")
        expect(page.locator(".along .seen")).to_contain_text(re.compile(r"\d\s(s|min|h)"))
        expect(page.locator(".lane.stages")).to_be_visible()


def test_finer_readings_come_when_it_is_looked_at_closely(
    past: tuple[RunningService, str], look: Look
) -> None:
    page = opened(look, past)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    with page.expect_request(lambda request: "/readings?from=" in request.url):
        page.evaluate(
            "for (let n = 0; n < 3; n++) document.querySelector('.along .moves button').click()"
        )
    finer = [url for url in asked if "/readings?from=" in url]
    assert len(finer) == 1, "who presses three times asks once"
    page.wait_for_timeout(1000)
    assert len([url for url in asked if "/readings?from=" in url]) == 1


def test_what_happened_and_its_height_lead_to_their_moment(
    past: tuple[RunningService, str], look: Look
) -> None:
    page = opened(look, past, width_px=390)
    line = page.locator(".rule li").filter(has_text=re.compile("door", re.IGNORECASE)).first
    line.get_by_role("button", name=re.compile("Show .* on the line of time")).click()
    near = stretch(page)
    assert near is not None
    assert near[1] - near[0] <= 1800
    expect(page.locator(".moment-line")).to_have_count(1)
    expect(page.locator(".line-of-time .plot")).to_be_in_viewport()
    unfold(page, "At which height?")
    field = page.get_by_label("Height above the bed, in mm")
    field.fill("12")
    page.get_by_role("button", name="Find its minute").click()
    found = page.locator(".laid").get_by_role("button", name=re.compile("Show .* on the line"))
    found.click()
    other = stretch(page)
    assert other is not None
    assert other != near
    event = page.locator(".lane.events button").first
    assert event.get_attribute("aria-label")
    assert fits(page)


@pytest.mark.timeout(300)
def test_the_last_sound_job_and_the_band_stand_beside_it_in_words(
    past: tuple[RunningService, str], look: Look
) -> None:
    service, job = past
    page = opened(look, past)
    besides = page.get_by_role("group", name="Beside it")
    besides.get_by_label("the last sound job of this part").check()
    expect(page.get_by_text("No other job of this part is known")).to_be_visible(timeout=100_000)
    besides.get_by_label("the sound jobs of its material").check()
    expect(page.get_by_text("It takes three jobs of this material")).to_be_visible(timeout=100_000)
    service.post(f"/api/jobs/{job}/outcome", {"outcome": "sound"})
    told = service.get(f"/api/jobs/{job}")
    begun = service.post("/api/jobs", {"name": told["name"], "material": told["material"]})["id"]
    wait_until(lambda: length_s(service, begun) > 300 or None, within_s=60)
    service.post(f"/api/jobs/{begun}/finish")
    page = opened(look, (service, begun))
    page.get_by_label("the last sound job of this part").check()
    expect(page.get_by_text(re.compile("Dotted: the last sound job of this part"))).to_be_visible(
        timeout=100_000
    )
    expect(page.locator(".along")).to_contain_text("Drawn")
    moment = page.locator(".along .moment p")
    axis(page).press("ArrowRight")
    for _ in range(60):  # on a busy computer this job became longer than the one beside it
        if "then" in moment.inner_text():
            break
        axis(page).press("ArrowLeft")
    expect(moment).to_contain_text(re.compile(r"C \(\d+\.\d then\)"))
    stretch(page)
    assert "beside=last" in str(page.evaluate("location.hash"))


@pytest.mark.parametrize(
    ("expression", "wanted"),
    [
        pytest.param("m.within({from_s: -50, to_s: 50}, a)", [0, 100], id="before the job"),
        pytest.param("m.within({from_s: 950, to_s: 1100}, a)", [850, 1000], id="after it"),
        pytest.param("m.within({from_s: -9, to_s: 2000}, a)", [0, 1000], id="longer than it"),
        pytest.param("m.within({from_s: 500, to_s: 501}, a)", [500, 520], id="too near"),
        pytest.param("m.zoomed(a, a, 0.5)", [250, 750], id="closer about the middle"),
        pytest.param("m.zoomed(a, a, 0.5, 100)", [50, 550], id="closer about a moment"),
        pytest.param(
            "m.zoomed({from_s: 0, to_s: 100}, a, 4, 50)", [0, 400], id="farther at the edge"
        ),
        pytest.param("m.panned({from_s: 0, to_s: 100}, a, 0.5)", [50, 150], id="later"),
        pytest.param("m.panned({from_s: 0, to_s: 100}, a, -1)", [0, 100], id="no earlier"),
        pytest.param("m.around({from_s: 0, to_s: 100}, a, 50)", [0, 100], id="seen already"),
        pytest.param("m.around({from_s: 0, to_s: 100}, a, 500)", [450, 550], id="brought in"),
    ],
)
def test_stretches(sums: Page, expression: str, wanted: list[float]) -> None:
    view = ask(sums, "axis_view", expression, WHOLE)
    assert [round(view["from_s"]), round(view["to_s"])] == wanted


HEIGHTS = {
    "by": "toolpath",
    "height_mm": [round(0.2 * n, 1) for n in range(1, 51)],
    "start_at": [20 * n for n in range(50)],
    "end_at": [20 * (n + 1) for n in range(50)],
    "piece": [0] * 50,
}


def test_lanes_keep_what_has_no_room_together(sums: Page) -> None:
    groups = ask(
        sums,
        "axis_layout",
        "m.gathered(a.at, (n) => [n, n], a.view, 500, 30).map((g) => [g.x, g.items, g.room])",
        {"at": [-5, 0, 10, 40, 400, 1000, 1001], "view": WHOLE},
    )
    assert groups == [[0, [0, 10, 40], 200], [200, [400], 300], [500, [1000], 0]]


def test_round_heights_stand_where_the_part_first_had_them(sums: Page) -> None:
    expression = "m.ruled(a.heights, a.view, 600).map((t) => [t.height_mm, Math.round(t.x)])"
    whole = ask(sums, "axis_layout", expression, {"heights": HEIGHTS, "view": WHOLE})
    assert [tick[0] for tick in whole] == [1, 2, 3, 4, 5, 6, 7, 8, 9, 10]
    assert whole[0] == [1, round(600 * 80 / 1000)]
    near = ask(
        sums,
        "axis_layout",
        expression,
        {"heights": HEIGHTS, "view": {"from_s": 0, "to_s": 99}},
    )
    assert [round(tick[0], 1) for tick in near] == [0.2, 0.4, 0.6, 0.8, 1.0]


def test_heights_of_a_short_while_are_told_in_even_steps(sums: Page) -> None:
    expression = "m.ruled(a.heights, {from_s: 0, to_s: 4000}, 600).map((t) => t.height_mm)"
    assert ask(sums, "axis_layout", expression, {"heights": HEIGHTS}) == [5, 10]


@pytest.mark.parametrize(
    ("end", "beside"),
    [
        pytest.param("?beside=band", "band", id="alone"),
        pytest.param("?from=10&to=90&at=30&beside=last", "last", id="beside a stretch"),
        pytest.param("?beside=everything", "", id="what there isn't"),
        pytest.param("?beside=%00", "", id="broken"),
        pytest.param("", "", id="not said"),
    ],
)
def test_the_address_says_what_a_job_is_held_against(sums: Page, end: str, beside: str) -> None:
    assert ask(sums, "axis_view", "m.readBeside('#/jobs/a-1' + a)", end) == beside
    again = "m.written(m.read('#/jobs/a-1' + a), m.readBeside('#/jobs/a-1' + a))"
    assert ask(sums, "axis_view", again, end) == (end if beside else "")


def test_layers_are_drawn_only_where_they_can_be_seen(sums: Page) -> None:
    expression = "m.layered(a.heights, a.view, a.width, 10)"
    far = {"heights": HEIGHTS, "view": WHOLE, "width": 100}
    assert ask(sums, "axis_layout", expression, far) == ""
    near = ask(sums, "axis_layout", expression, {**far, "width": 600})
    assert near.count("M") == 25
