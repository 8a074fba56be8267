"""What can be said and asked of a job that is over: how it came out, its box, other settings."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from running import RunningService, wait_until

from .conftest import Look, Serve
from .test_job_page import tab_to
from .test_jobs_page import fits, job_of
from .test_page_parts import ask

NAME = "Six rigger spacers"
ANSWERED = re.compile("would differ|would be told alike|would anything have been told")


def build(service: RunningService, name: str = NAME, *, minutes: float = 10.0) -> str:
    """A job of some minutes of the chamber's own time, done."""
    job = str(service.post("/api/jobs", {"name": name, "material": "PA"})["id"])
    wait_until(
        lambda: len(service.get(f"/api/jobs/{job}/readings")["time_s"]) > 60 * minutes,
        within_s=60,
    )
    service.post(f"/api/jobs/{job}/finish")
    return job


def test_how_a_part_came_out_is_said_with_one_tap_and_the_next_is_held_against_it(
    serve: Serve, look: Look
) -> None:
    service = serve(speed=60)
    job = build(service, minutes=20)
    page = look(service, "/#/jobs", width_px=360)
    entry = page.locator(".jobs li").filter(has_text=NAME)
    expect(entry).to_contain_text("Simulated. PA")
    sound = entry.get_by_role("button", name="sound")
    expect(sound).to_have_attribute("aria-pressed", "false")
    box = sound.bounding_box()
    assert box is not None
    assert min(box["width"], box["height"]) >= 44
    for _ in range(2):
        entry.get_by_role("button", name="flawed").click()
        expect(entry.get_by_role("button", name="flawed")).to_have_attribute("aria-pressed", "true")
        entry.get_by_role("button", name="flawed").click()
        expect(entry.get_by_role("button", pressed=True)).to_have_count(0)
    sound.click()
    expect(sound).to_have_attribute("aria-pressed", "true")
    wait_until(lambda: service.get(f"/api/jobs/{job}")["outcome"] == "sound", within_s=60)
    page.reload()
    expect(entry.get_by_role("heading")).to_have_text(f"{NAME}, sound")
    expect(entry.get_by_role("button")).to_have_count(0)
    assert fits(page)

    # The next job of the part begins: its box is told of, and the air held against it.
    service.post("/api/jobs", {"name": NAME, "material": "PA"})
    page.goto(f"http://127.0.0.1:{service.port}/#/")
    line = page.locator(".job p").filter(has_text="the last sound job of this part")
    expect(line).to_contain_text(re.compile(r"\d\s°C here, \d+\.\d\s°C then"), timeout=60_000)
    assert fits(page)
    expect(page.get_by_text("Dotted: the last sound job of this part")).to_be_visible(
        timeout=30_000
    )
    page.get_by_role("button", name="°F").click()
    expect(line).to_contain_text("°F then")
    page.get_by_role("button", name="°C", exact=True).click()
    line.get_by_role("link", name="That job").click()
    expect(page.get_by_role("heading", name=NAME)).to_be_visible()
    expect(page.get_by_role("heading", name="What this job says of the box")).to_be_visible(
        timeout=60_000
    )
    expect(page.locator(".came-out button", has_text="sound")).to_have_attribute(
        "aria-pressed", "true"
    )


def test_nobody_says_yet_how_a_running_job_came_out(shed: RunningService, look: Look) -> None:
    page = look(shed, "/#/jobs")
    page.locator(".jobs li").first.wait_for()
    expect(page.locator(".came-out")).to_have_count(0)


def form_of(shed: RunningService, look: Look, *, expected: str = "") -> Page:
    page = look(shed, f"/#/jobs/{job_of(shed)}?open=what-if", width_px=360, expected=expected)
    page.get_by_role("heading", name="What if it had been set otherwise?").wait_for()
    return page


def test_other_settings_are_tried_by_keyboard_alone(shed: RunningService, look: Look) -> None:
    page = form_of(shed, look)
    keys = page.keyboard
    tab_to(page, "Try other settings on this job")
    keys.press("Enter")
    target = page.get_by_label("Target, in °C")
    expect(target).to_be_focused()
    expect(target).to_have_value("45")
    expect(page.get_by_text("Change something first.")).to_be_visible()
    keys.press("Tab")
    expect(page.get_by_label("Limit, in °C")).to_have_value("70")
    keys.press("ControlOrMeta+a")
    keys.type("60,5")
    keys.press("Enter")
    expect(page.locator(".underway")).to_contain_text("Watching the job again")
    answer = page.locator(".retold")
    expect(answer).to_contain_text(ANSWERED, timeout=60_000)
    expect(answer).to_be_focused()
    expect(answer.locator("pre")).to_have_text("[chamber]\nlimit_c = 60.5")
    assert fits(page)
    assert shed.now()["limit_c"] == 70, "nothing is saved"
    tab_to(page, "Try other settings on this job")
    keys.press("Enter")
    expect(target).to_have_count(0)


def test_escape_leaves_the_form_and_the_focus_is_not_lost(shed: RunningService, look: Look) -> None:
    page = form_of(shed, look)
    page.get_by_role("button", name="Try other settings").click()
    expect(page.get_by_label("Target, in °C")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.get_by_label("Target, in °C")).to_have_count(0)
    expect(page.get_by_role("button", name="Try other settings")).to_be_focused()


@pytest.mark.parametrize(
    ("target", "limit", "said"),
    [
        pytest.param("60", "50", "The target has to be below the limit.", id="target over limit"),
        pytest.param("45", "90", "more than the box bears: 70 °C", id="more than it bears"),
        pytest.param("abc", "60", "Give the target as a number of degrees", id="target a word"),
        pytest.param("45", "-500", "Give the limit as a number of degrees", id="impossible limit"),
        pytest.param("45", "", "Give the limit as a number of degrees", id="no limit"),
    ],
)
def test_what_cannot_be_set_is_refused_in_words(
    shed: RunningService, look: Look, target: str, limit: str, said: str
) -> None:
    page = form_of(shed, look, expected="status of 4")
    page.get_by_role("button", name="Try other settings").click()
    page.get_by_label("Target, in °C").fill(target)
    page.get_by_label("Limit, in °C").fill(limit)
    page.get_by_role("button", name="Watch this job again").click()
    expect(page.locator(".what-if").get_by_role("alert")).to_contain_text(said)
    expect(page.locator(".retold")).to_have_count(0)


@pytest.mark.parametrize(
    ("wanted", "body", "lines"),
    [
        pytest.param({}, {}, [], id="as it is"),
        pytest.param(
            {"target": "47,5"}, {"target_c": 47.5}, ["[chamber]", "target_c = 47.5"], id="target"
        ),
        pytest.param(
            {"target": " "}, {"target_c": None}, ["[chamber]", "# without target_c"], id="none"
        ),
        pytest.param({"material": "ASA "}, {"material": "ASA"}, [], id="material"),
        pytest.param(
            {"places": {"top": "room"}},
            {"sensors": {"top": {"place": "room"}}},
            ["[[sensor]]", 'name = "top"', 'place = "room"'],
            id="place",
        ),
    ],
)
def test_only_what_differs_is_asked_and_to_be_written(
    sums: Page, wanted: dict[str, object], body: object, lines: list[str]
) -> None:
    given = {"target": "45", "limit": "70", "material": "PA", "places": {"top": "chamber"}}
    chamber = {"target_c": 45, "limit_c": 70, "sensors": [{"name": "top", "place": "chamber"}]}
    told = ask(
        sums,
        "what_if",
        "m.asked(a[0], {material: 'PA'}, a[1])",
        [{**given, **wanted}, chamber],
    )
    assert told == {"body": body, "lines": lines}


def test_who_erases_a_job_is_told_first_what_backups_still_hold(serve: Serve, look: Look) -> None:
    service = serve(speed=60, frames_per_s=1)
    job = build(service, minutes=1)
    page = look(service, f"/#/jobs/{job}?open=take", width_px=360)
    for what in ("Erase its pictures and films", "Erase this job"):
        page.get_by_role("button", name=what).click()
        asked = page.get_by_text(re.compile("Backups made before still hold .*three more nights"))
        expect(asked).to_be_visible()
        assert fits(page)
        if what == "Erase its pictures and films":
            page.get_by_role("button", name="Keep it").click()
            expect(asked).to_have_count(0)
    page.get_by_role("button", name="Yes, erase for ever").click()
    wait_until(lambda: service.web.get(f"/api/jobs/{job}").status_code == 404 or None, within_s=60)
