"""The first page on telephone and desk, by day and night: whole, quiet and within its width."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, Route, expect

import ordered
from running import RunningService, wait_until

from .conftest import DOOR, JOB, NORTH, Look, Serve, chamber_files, until
from .pictures import LARGEST_BYTES, PICTURES, drawn_anew, for_the_readme

PICTURE_SHOWN = "document.querySelector('.picture img')?.naturalWidth > 0"


def is_whole(page: Page) -> None:
    """Everything that a chamber with a job and a camera shows is there."""
    expect(page.locator(".sentence")).not_to_be_empty()
    expect(page.locator(".place .unreal")).to_contain_text("Simulated: nothing here is real.")
    expect(
        page.get_by_text("Time runs at 6 times its speed, so the times shown here")
    ).to_be_visible()
    expect(page.get_by_text("No listed smoke or heat detector is connected.")).to_be_visible()
    expect(page.locator(".section svg")).to_be_visible()
    expect(page.locator(".section .value")).to_have_count(2)
    expect(page.get_by_role("heading", name="Twelve oarlock bushings")).to_be_visible()
    expect(page.locator(".plot canvas")).to_be_visible()
    expect(page.get_by_text("an aid, not a listed fire or smoke alarm")).to_be_visible()
    expect(page.locator(".foot").get_by_role("link", name="People")).to_be_visible()
    until(page, PICTURE_SHOWN)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width_px", [360, 390, 768, 1280])
def test_the_page_is_whole_and_no_wider_than_the_screen(
    shed: RunningService, look: Look, width_px: int, scheme: str
) -> None:
    page = look(shed, width_px=width_px, scheme=scheme)
    page.locator(".sentence").wait_for()
    is_whole(page)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    small = page.evaluate(
        """[...document.querySelectorAll('button')]
             .filter((b) => b.getBoundingClientRect().height < 44).map((b) => b.innerText)"""
    )
    assert small == [], "too small for a thumb"
    if width_px < 768:
        order = page.evaluate(
            """['.sentence', '.section', '.picture', '.spread .job', '.opening', '.first-steps',
              '.hour']
                 .map((part) => [document.querySelector(part).getBoundingClientRect().top, part])
                 .sort((a, b) => a[0] - b[0]).map(([, part]) => part).join(' ')"""
        )
        assert order == ".sentence .section .picture .spread .job .opening .first-steps .hour"


def test_the_door_opens_in_the_drawing(shed: RunningService, look: Look) -> None:
    page = look(shed)
    expect(page.locator(".section .door.open")).to_contain_text("open")


def test_fahrenheit_is_used_throughout_and_remembered(shed: RunningService, look: Look) -> None:
    page = look(shed)
    page.get_by_role("button", name="°F").click()
    expect(page.locator(".sentence, .sub").first).not_to_contain_text("°C")
    expect(page.locator(".hour h2")).to_contain_text("°F")
    page.reload()
    expect(page.locator(".hour h2")).to_contain_text("°F")
    expect(page.locator("main")).not_to_contain_text("°C")


def test_the_last_hour_goes_on_without_being_fetched_again(
    shed: RunningService, look: Look
) -> None:
    page = look(shed)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.locator(".plot canvas").wait_for()
    page.wait_for_timeout(300)
    asked.clear()
    before = page.locator(".plot").get_attribute("aria-label")
    expect(page.locator(".plot")).not_to_have_attribute("aria-label", before or "", timeout=15_000)
    assert not [url for url in asked if "/api/readings" in url]


READINGS = re.compile("/api/readings")


@pytest.fixture
def unread(shed: RunningService, look: Look) -> Page:
    """A page whose last hour couldn't be fetched, though it can be from now on."""
    page = look(
        shed,
        expected="Failed to load resource",
        before=lambda context: context.route(READINGS, lambda route: route.abort()),
    )
    page.locator(".hour").get_by_text("The last hour couldn't be fetched").wait_for()
    return page


def test_a_last_hour_that_could_not_be_fetched_comes_when_it_can(unread: Page) -> None:
    unread.context.unroute(READINGS)
    expect(unread.locator(".hour")).not_to_contain_text("couldn't be fetched", timeout=25_000)


def test_the_last_hour_waits_for_somebody_who_looks(unread: Page) -> None:
    unread.evaluate("Object.defineProperty(document, 'hidden', {value: true, writable: true})")
    unread.wait_for_timeout(11_000)  # the pause is over, be it the second one
    unread.context.unroute(READINGS)
    asked: list[str] = []
    unread.on("request", lambda request: asked.append(request.url))
    unread.wait_for_timeout(500)
    assert not [url for url in asked if READINGS.search(url)], "nobody looks"
    unread.evaluate(
        "document.hidden = false; document.dispatchEvent(new Event('visibilitychange'))"
    )
    expect(unread.locator(".hour")).not_to_contain_text("couldn't be fetched")


def test_names_are_shown_as_they_are_written(serve: Serve, look: Look) -> None:
    """What people type is text on the page, never markup."""
    service = serve()
    evil = "<img src=x onerror=alert(1)>"
    service.post("/api/jobs", {"name": evil, "material": "<b>PA</b>", "notes": "</script>"})
    page = look(service)
    expect(page.locator(".job h2")).to_have_text(evil)
    expect(page.locator(".job")).to_contain_text("<b>PA</b>")
    assert page.locator(".job img, .job b").count() == 0


def test_several_chambers_are_seen_at_a_glance_and_each_is_opened(serve: Serve, look: Look) -> None:
    south = "Boat shed, south bench"
    page = look(serve(names=(NORTH, south), frames_per_s=4), width_px=1280)
    glance = page.locator(".side-by-side article")
    expect(glance).to_have_count(2)
    for each in glance.all():
        expect(each.locator(".sentence")).not_to_be_empty()
        expect(each.locator("svg").last).to_be_in_viewport(ratio=1)
    page.set_viewport_size({"width": 390, "height": 844})
    expect(glance.last.locator(".sentence")).to_be_in_viewport()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    expect(page.locator(".unreal")).to_have_count(1)  # of both, so it is said once
    ids = page.evaluate("[...document.querySelectorAll('[id]')].map((e) => e.id)")
    assert len(ids) == len(set(ids)), "what one box refers to must not be found in the other"
    page.get_by_role("link", name=f"All of {south}").click()
    for _ in range(2):
        expect(page.locator(".chamber")).to_have_count(1)
        expect(page.locator(".chamber .place")).to_contain_text(south)
        expect(page.locator(".meanwhile li")).to_have_count(1)
        expect(page.locator(".meanwhile")).to_contain_text(NORTH)
        page.reload()  # or sent on
    page.locator(".meanwhile a").click()
    expect(page.locator(".chamber .place")).to_contain_text(NORTH)
    ids = page.evaluate("[...document.querySelectorAll('[id]')].map((e) => e.id)")
    assert len(ids) == len(set(ids)), "what one box refers to must not be found in the other"


BED_LOST = """
[[step]]
at_s = 1
do = "sensor_fault"
sensor = "bed"
fault = "open"
"""


def test_on_a_telephone_the_card_that_needs_somebody_keeps_its_figures(
    serve: Serve, look: Look
) -> None:
    page = look(serve(BED_LOST, names=(NORTH, "South bench")), width_px=390)
    card = page.locator(".side-by-side li").first
    expect(card.locator(".needs > *").first).to_be_visible(timeout=30_000)
    expect(card.locator(".section")).to_be_hidden()
    expect(card.locator(".figures")).to_be_visible()
    expect(card.locator(".figures")).to_contain_text(re.compile(r"top -?\d+\.\d °C.*, bed –"))
    page.set_viewport_size({"width": 1280, "height": 800})
    expect(card.locator(".section")).to_be_visible()
    expect(card.locator(".figures")).to_be_hidden()


LAMP_OFF = """
[[step]]
at_s = 3
do = "lamp_off"
for_s = 3600
"""


def test_a_picture_that_is_not_to_be_trusted_says_so(serve: Serve, look: Look) -> None:
    service = serve(LAMP_OFF, frames_per_s=4)
    page = look(service)
    expect(page.locator(".picture .over")).to_contain_text(
        "Don't go by this picture.", timeout=30_000
    )


NO_ASKING_BY_THE_CLOCK = """
const real = window.setInterval;
window.setInterval = (what, every_ms, ...more) =>
  every_ms === 30000 ? 0 : real(what, every_ms, ...more);
"""


def test_how_the_watch_is_is_asked_anew_when_the_chamber_is_otherwise(
    tmp_path: Path, look: Look
) -> None:
    chamber = chamber_files(tmp_path, "", frames_per_s=4)
    with RunningService(
        tmp_path / "data",
        *("--chamber", str(chamber)),
        before=ordered.BEFORE,
        loaded=True,
        environment=ordered.environment(tmp_path),
    ) as service:
        page = look(service, before=lambda context: context.add_init_script(NO_ASKING_BY_THE_CLOCK))
        page.evaluate("location.hash = '#/watch'")
        page.locator(".watch-lines").wait_for()
        dark = page.locator(".watch-lines li.wrong").filter(has_text="amera")
        expect(dark).to_have_count(0)
        ordered.order(tmp_path, "lamp_off", for_s=3600.0)
        expect(dark).to_have_count(1, timeout=45_000)
        page.close()  # before what it looks at


def test_an_address_that_names_no_page_says_so(shed: RunningService, look: Look) -> None:
    page = look(shed)
    page.locator(".sentence").wait_for()
    said = page.get_by_text("There is no page at this address")
    for address in ("#/nowhere", "#/setting-up/zzz", "#/chambers/none"):
        page.evaluate("(address) => { location.hash = address; }", address)
        expect(said).to_be_visible()
        page.evaluate("location.hash = '#/'")
        expect(said).to_have_count(0)


def test_the_first_picture_moves_nothing_away_from_under_a_finger(
    shed: RunningService, look: Look
) -> None:
    held: list[Route] = []
    may = False

    def hold(route: Route) -> None:
        route.continue_() if may else held.append(route)

    page = look(shed, before=lambda context: context.route("**/api/picture*", hold))
    page.locator(".picture").scroll_into_view_if_needed()
    expect(page.locator(".picture .frame")).to_have_text("No picture yet.")
    height = "document.querySelector('.picture .frame').offsetHeight"
    before = page.evaluate(height)
    may = True
    for route in held:
        route.continue_()
    until(page, PICTURE_SHOWN)
    assert page.evaluate(height) == before


def test_nobody_looks_and_no_picture_is_fetched(shed: RunningService, look: Look) -> None:
    page = look(shed)
    until(page, PICTURE_SHOWN)
    page.locator(".picture img").scroll_into_view_if_needed()
    hide = "Object.defineProperty(document, 'hidden', {{ configurable: true, value: {} }});"
    page.evaluate(hide.format("true"))
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.wait_for_timeout(2_600)  # longer than a page that is looked at waits
    assert not [url for url in asked if "/api/picture" in url]
    with page.expect_request("**/api/picture*"):
        page.evaluate(
            hide.format("false") + "document.dispatchEvent(new Event('visibilitychange'))"
        )


def test_a_page_from_before_an_update_says_so_and_loads_itself_again_unseen(
    serve: Serve, look: Look
) -> None:
    def updated(route: Route) -> None:
        answer = route.fetch()
        route.fulfill(response=answer, json={**answer.json(), "page": "v-0123456789abcdef"})

    page = look(serve(), before=lambda context: context.route("**/api/session", updated))
    told = page.get_by_text("Stillair was updated; load this page again.")
    expect(told).to_be_visible()
    page.evaluate("window.before = true")
    page.get_by_role("button", name="Load it again").click()
    until(page, "window.before === undefined")
    expect(told).to_be_visible()
    page.evaluate("window.before = true")
    hide = "Object.defineProperty(document, 'hidden', { configurable: true, value: true })"
    page.evaluate(hide)
    until(page, "window.before === undefined")
    expect(told).to_be_visible()
    # It can't become newer by that: once is enough.
    page.evaluate(f"window.before = true, {hide}")
    page.wait_for_timeout(2500)
    assert page.evaluate("window.before")


@pytest.mark.timeout(300)
def test_the_first_page_is_drawn_for_the_readme(serve: Serve, look: Look) -> None:
    """An hour of a job at sixty times life's speed, the door open once."""
    if drawn_anew():
        service = serve(JOB + DOOR.format(at_s=1500, for_s=90), speed=60, frames_per_s=15)
        wait_until(
            lambda: ((service.now()["job"] or {}).get("height_mm") or 0) > 29,
            within_s=100,
            every_s=1,
        )
        for alarm in service.now()["alarms"]:
            if alarm["kind"] != "door_open":
                service.post(f"/api/alarms/{alarm['id']}/acknowledge")
        page = look(service, width_px=960)
        page.locator(".picture img").wait_for()
        expect(page.get_by_text("Fetching the last hour")).to_have_count(0, timeout=30_000)
        for_the_readme(page, "now", last=page.locator(".hour"))
    kept = {file.stem: file.stat().st_size for file in PICTURES.iterdir()}
    assert set(kept) == {"now", "alarm", "went-wrong", "ruler", "setting-up"}
    assert {name: size for name, size in kept.items() if not 5_000 < size <= LARGEST_BYTES} == {}


def test_figures_of_the_drawing_are_those_of_the_service(shed: RunningService, look: Look) -> None:
    page = look(shed)
    values = page.locator(".section .value .big")
    expect(values.first).to_have_text(re.compile(r"^\d+\.\d°$"))
    bed_c = next(s["temperature_c"] for s in shed.now()["sensors"] if s["name"] == "bed")
    shown = (page.locator(".section .bed text").text_content() or "").removesuffix("°")
    assert abs(float(shown.split()[-1]) - bed_c) < 8.0, "six seconds of a cooling bed at most"


def test_what_is_less_than_an_hour_is_not_called_one(shed: RunningService, look: Look) -> None:
    hour = look(shed).locator(".hour")
    expect(hour.get_by_text("so this is less than an hour")).to_be_visible()
    expect(hour.get_by_role("heading")).to_have_text(re.compile(r"^Last \d+\smin, °C$"))
