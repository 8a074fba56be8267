"""The page of a mailed link on a telephone that nobody has signed in with."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from playwright.sync_api import Page, expect

from answered import OWNER, PASSWORD, Shed, shed
from servers import MailServer
from stillair.access.answers import Answers, Purpose

from .conftest import Look

COX, CAPTAIN = "cox@shed.example", "captain@shed.example"


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shed]:
    """The door stands open, and two people have been told by mail."""
    mail = MailServer()
    mail.start()
    try:
        with shed(tmp_path_factory.mktemp("answered"), mail, speed=6) as found:
            found.order("open_door", for_s=36_000.0)
            found.link(COX, "door is open")
            yield found
    finally:
        mail.stop()


def dashboard(running: Shed, look: Look) -> Page:
    """The first page, as the owner sees it after signing in."""
    page = look(running.service)
    page.get_by_label("Name").fill(OWNER)
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.locator(".sentence").wait_for()
    return page


def test_one_tap_in_a_mail_answers_an_alarm(running: Shed, look: Look) -> None:
    desk = dashboard(running, look)
    expect(desk.locator(".stands .state")).to_have_text("not yet seen")
    page = look(running.service, running.link(COX, "door is open"))
    expect(page.get_by_role("heading", level=1)).to_contain_text("The door is open")
    expect(page.locator("#mark")).to_contain_text("Simulated")
    expect(page.locator("#when")).to_contain_text("nobody has seen it yet")
    image = page.get_by_role("img", name="What the camera shows")
    expect(image).to_be_visible()
    assert image.evaluate("image => image.naturalWidth") > 300
    chart = page.get_by_role("img", name="Temperatures of the last hour")
    expect(chart).to_be_visible()
    assert chart.locator("path").count() == 2, "one line for each sensor of the air"
    told = " ".join(chart.locator("text").all_text_contents())
    assert "top " in told
    assert "low " in told
    for name in ("I've seen it", "Quiet for 10 minutes"):
        button = page.get_by_role("button", name=name)
        expect(button).to_be_in_viewport()
        box = button.bounding_box()
        assert box is not None
        assert box["height"] >= 60 and box["width"] > 300, "for a thumb"
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.get_by_role("button", name="I've seen it").click()
    expect(page.get_by_role("status")).to_contain_text("the others see that you know")
    now = page.evaluate("fetch(`/api${location.pathname}`).then((a) => a.json())")["temperatures"]
    ends = page.locator("#hour svg text:not(.unit)").all_text_contents()
    ends_c = {name: float(t_c) for name, _, t_c in (end.rpartition(" ") for end in ends)}
    assert ends_c == {name: pytest.approx(t_c, abs=1.5) for name, t_c in now.items()}
    expect(page.locator("#when")).to_contain_text("seen by cox, by message")
    expect(page.get_by_role("button", name="I've seen it")).to_have_count(0)
    expect(desk.locator(".stands .state")).to_have_text(
        re.compile(r"^seen by cox, by message at \d\d:\d\d$")
    )
    assert page.context.cookies() == []


def test_quiet_comes_back_by_itself_and_says_until_when(running: Shed, look: Look) -> None:
    page = look(running.service, running.link(COX, "door is open"))
    page.get_by_role("button", name="Quiet for 10 minutes").click()
    expect(page.get_by_role("status")).to_contain_text("comes back by itself")
    expect(page.locator("#when")).to_contain_text("quiet until")
    expect(page.get_by_role("button")).to_have_count(0)


def test_the_page_says_that_it_is_out_of_touch(running: Shed, look: Look) -> None:
    page = look(running.service, running.link(COX, "door is open"), expected="status of 503")
    expect(page.get_by_role("heading", level=1)).to_contain_text("The door is open")
    page.route("**/api/answer/*", lambda route: route.fulfill(status=503, body="{}"))
    expect(page.get_by_role("alert")).to_contain_text("doesn't answer", timeout=20_000)
    page.unroute("**/api/answer/*")
    expect(page.locator("#lost")).to_be_hidden(timeout=20_000)


def test_a_link_that_has_run_out_says_so_and_leads_to_signing_in(running: Shed, look: Look) -> None:
    alarm = running.alarm("door_open")["id"]
    token = Answers(running.data).make(
        Purpose.ALARM, alarm, "cox", datetime.now(UTC) - timedelta(hours=13)
    )
    page = look(running.service, f"/answer/{token}", expected="status of 410")
    expect(page.locator("main")).to_contain_text("This link has run out")
    page.get_by_role("link", name="Sign in").click()
    expect(page.get_by_role("button", name="Sign in")).to_be_visible()


def test_of_danger_there_is_one_button_and_what_to_do(running: Shed, look: Look) -> None:
    desks = [dashboard(running, look) for _ in range(2)]
    for desk in desks:
        desk.get_by_role("button", name="Turn sound on").click()
    running.order("contact_on", contact="smoke detector", for_s=36_000.0)
    for desk in desks:
        expect(desk.locator("[data-sounding]")).to_have_attribute(
            "data-sounding", "fire", timeout=20_000
        )
    page = look(running.service, running.link(COX, "detector"))
    expect(page.get_by_role("heading", level=1)).to_contain_text("Danger: ")
    advice = page.locator("#danger")
    for words in ("get everybody out", "call the fire service", "don't open the box"):
        expect(advice).to_contain_text(words)
    expect(page.get_by_role("button")).to_have_count(1)
    expect(page.get_by_role("button", name="I've seen it")).to_be_in_viewport()
    page.get_by_role("button", name="I've seen it").click()
    expect(page.locator("#when")).to_contain_text("seen by cox, by message")
    expect(page.get_by_role("button")).to_have_count(0)
    expect(advice).to_be_visible()
    for desk in desks:
        expect(desk.locator("[data-sounding]")).to_have_attribute("data-sounding", "silent")
        expect(desk.locator(".stands.alarm .state")).to_have_text(
            re.compile(r"^seen by cox, by message at \d\d:\d\d$")
        )
