"""Somebody near, on the telephone: one large button, and what else can be done about it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from running import RunningService, wait_until
from servers import TOLD_BY_MAIL

from .conftest import JOB, Look, chamber_files

WHY = "the cox is in the workshop next door"
NEAR = "\n[attendance]\nevery_min = {every_min}\nstage_min = 5\n"
COX = '\n[[person]]\nname = "cox"\nroutes = ["mailto:cox@example.org"]\n'
NOWHERE = TOLD_BY_MAIL.format(host="127.0.0.1", port=9)


def near_box(folder: Path, *, every_min: int, speed: float = 1, people: str = "") -> list[str]:
    chamber = chamber_files(folder, JOB, speed=speed)
    text = chamber.read_text() + NEAR.format(every_min=every_min) + people
    chamber.write_text(text)
    return ["--chamber", str(chamber)]


@pytest.fixture(scope="module")
def calm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    """A hot box that somebody has just begun to heat, and two people who are told."""
    folder = tmp_path_factory.mktemp("near")
    words = near_box(folder, every_min=30, people=NOWHERE + COX)
    with RunningService(folder / "data", *words) as running:
        wait_until(lambda: running.now()["job"], within_s=60)
        yield running


def tap(page: Page) -> None:
    page.get_by_role("button", name="I'm near", exact=True).click()


@pytest.mark.parametrize("width_px", [360, 390, 1280])
def test_one_large_button_says_by_when_to_tap_again(
    calm: RunningService, look: Look, width_px: int
) -> None:
    page = look(calm, width_px=width_px)
    box = page.locator("section.attendance")
    tap(page)
    expect(box).to_contain_text(re.compile(r"was near at \d\d:\d\d\. Tap again by \d\d:\d\d\."))
    button = page.get_by_role("button", name="I'm near", exact=True)
    size = button.bounding_box()
    assert size is not None
    assert size["height"] >= 56
    assert "must" not in (button.get_attribute("class") or ""), "blue only once it is due"
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_leaving_asks_the_next_and_a_tap_takes_it_back(calm: RunningService, look: Look) -> None:
    page = look(calm)
    box = page.locator("section.attendance")
    page.get_by_role("button", name="I'm leaving").click()
    expect(box).to_contain_text("so nobody is near. Hand over, or go back and tap.")
    expect(page.get_by_role("button", name="I'm near", exact=True)).to_have_class(
        re.compile("must")
    )
    expect(page.locator(".stands.supervisory")).to_contain_text("Nobody has shown")
    page.get_by_role("button", name="Hand over", exact=True).click()
    expect(box).to_contain_text("They get a message that asks them to come and tap.")
    page.get_by_role("button", name="Hand over to cox").click()
    expect(box).to_contain_text("cox was asked to take over, and hasn't tapped so far.")
    tap(page)
    expect(box).to_contain_text(re.compile(r"Tap again by"))
    expect(page.get_by_role("button", name="I'm leaving")).to_be_visible()


def test_it_can_be_done_by_keyboard_alone(calm: RunningService, look: Look) -> None:
    page = look(calm)
    button = page.get_by_role("button", name="I'm near", exact=True)
    button.focus()
    before = calm.now()["attendance"]["confirmed_at"]
    page.keyboard.press("Enter")
    wait_until(lambda: calm.now()["attendance"]["confirmed_at"] != before, within_s=60)
    expect(button).to_be_focused()
    page.get_by_role("button", name="Let it run unattended").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_label("Why does nobody have to be near?")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.get_by_label("Why does nobody have to be near?")).to_have_count(0)


def test_running_unattended_wants_a_reason_asks_twice_and_stands_on_the_page(
    calm: RunningService, look: Look
) -> None:
    page = look(calm)
    box = page.locator("section.attendance")
    page.get_by_role("button", name="Let it run unattended").click()
    expect(box).to_contain_text("Stillair can't keep a machine from being started")
    why = page.get_by_label("Why does nobody have to be near?")
    why.fill("so it is")
    page.get_by_role("button", name="Go on").click()
    expect(box.get_by_role("alert")).to_contain_text("Say it in 10 characters or more.")
    why.fill(WHY)
    page.get_by_role("button", name="Go on").click()
    expect(box.get_by_role("alert")).to_contain_text("run with nobody near?")
    assert calm.now()["attendance"]["unattended"] is None, "asked once more before anything is done"
    page.get_by_role("button", name="Yes, let it run unattended").click()
    expect(box).to_contain_text("This job runs with nobody near. Wanted so by this computer since")
    expect(box).to_contain_text(WHY)
    page.reload()
    expect(page.locator("section.attendance")).to_contain_text(WHY)
    page.get_by_role("button", name="I'm near again").click()
    expect(page.get_by_role("button", name="I'm near", exact=True)).to_be_visible()


def test_a_tap_that_doesnt_count_says_so(calm: RunningService, look: Look) -> None:
    page = look(calm, expected="status of 409")
    detail = "This doesn't count as being near the box: 203.0.113.9 isn't in its network."
    page.route(
        "**/presence",
        lambda route: route.fulfill(
            status=409,
            content_type="application/problem+json",
            json={"status": 409, "title": "Conflict", "detail": detail},
        ),
    )
    tap(page)
    expect(page.get_by_role("alert").filter(has_text="Not done.")).to_contain_text(detail)


def test_when_it_is_due_it_says_first_what_to_do(tmp_path: Path, look: Look) -> None:
    words = near_box(tmp_path, every_min=5, speed=60)
    with RunningService(tmp_path / "data", *words) as service:
        wait_until(lambda: service.now()["attendance"]["stage"], within_s=60)
        page = look(service)
        box = page.locator("section.attendance")
        expect(box.locator(".due")).to_have_text(
            re.compile("^Go to the box and tap, or stop the job.")
        )
        expect(box).to_contain_text("Nobody is named in the chamber file")
        button = page.get_by_role("button", name="I'm near", exact=True)
        expect(button).to_have_class(re.compile("must"))
        expect(button).to_be_in_viewport()
        button.click()
        expect(box).to_contain_text(re.compile(r"Tap again by \d\d:\d\d\."))
        expect(button).to_be_focused()
        page.close()  # before what it looks at
