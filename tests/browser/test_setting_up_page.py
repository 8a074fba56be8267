"""Who sets the service up sees what was found on the board, and one remedy for each fault."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import expect

from chips import OneWireTree
from running import RunningService, stillair, wait_until
from servers import MailServer, free_loopback_port
from warm_starts import warm_run

from .conftest import Look, chamber_files

NAME, PASSWORD = "bench captain", "a long oar and a short pier"
FAULTY = """
[chamber]
name = "North bench"
enclosure = ["plywood"]

[[sensor]]
name = "top"
driver = "onewire"
address = "28-0000075c2f11"
bus_dir = "{bus}"

[camera]
source = "/dev/video97"

[[person]]
name = "bench captain"
routes = ["mailto:captain@example.org"]

[mail]
host = "{host}"
port = {port}
security = "none"
username = "shed"
password = "not this one"
"""


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    """A new board: nothing pulls the 1-Wire line up, no such camera, a password that is wrong."""
    folder = tmp_path_factory.mktemp("faulty")
    tree = OneWireTree(folder / "w1")
    (tree.bus_dir / "00-800000000000").mkdir()
    mail = MailServer(password="three oars in water")
    mail.start()
    chamber = folder / "chamber.toml"
    chamber.write_text(FAULTY.format(bus=tree.bus_dir, host=mail.host, port=mail.port))
    with RunningService(folder / "data", "--chamber", str(chamber)) as running:
        wait_until(lambda: "mail" in {f["thing"] for f in found(running)}, within_s=60)
        wait_until(lambda: unfit(running) >= {"sensor top", "camera", "mail"}, within_s=60)
        yield running
    mail.stop()


def found(service: RunningService) -> list[dict[str, str]]:
    items: list[dict[str, str]] = service.get("/api/setting-up")["items"]
    return items


def unfit(service: RunningService) -> set[str]:
    return {f["thing"] for f in found(service) if f["state"] == "unfit"}


@pytest.mark.parametrize("width_px", [390, 1280])
def test_a_new_board_with_faults_says_what_to_do_first(
    faulty: RunningService, look: Look, width_px: int
) -> None:
    page = look(faulty, width_px=width_px, expected="status of 404")  # it has no picture
    steps = page.get_by_role("region", name="Setting up: 5 things to do")
    expect(steps.get_by_text("Make an owner, on the page People.")).to_be_visible()
    expect(steps.get_by_text("Fit the pull-up: 4.7 kΩ between data and 3.3 V.")).to_be_visible()
    expect(steps.get_by_text("Put the right username and password into [mail]")).to_be_visible()
    # How the chamber is comes first: that nobody watches there.
    sentence = page.locator(".sentence").bounding_box()
    box = steps.bounding_box()
    assert sentence and box and sentence["y"] < box["y"]
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    steps.get_by_role("link", name="All that was found").click()
    expect(page.get_by_role("heading", name="5 things to do")).to_be_visible()
    # Each leads to where it is done.
    expect(page.locator(".todo .remedy a")).to_have_count(5)
    expect(page.locator(".found").first).to_contain_text("Disk:")
    page.get_by_text("For a terminal on the board").click()
    terminal = page.get_by_text(f"/stillair inspect --chamber {faulty.folder.parent}/chamber.toml")
    expect(terminal).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    low = page.evaluate(
        """[...document.querySelectorAll('.ways a, .way')]
             .filter((a) => a.getBoundingClientRect().height < 44).map((a) => a.innerText)"""
    )
    assert low == [], "too small for a thumb"


def test_a_mail_server_that_is_there_can_be_changed(faulty: RunningService, look: Look) -> None:
    """Its password is never shown, and goes along with no other server."""
    page = look(faulty, width_px=390, expected="Failed to load resource")
    page.goto(f"{page.url.split('#')[0]}#/setting-up/people")
    expect(page.get_by_text("In use: 127.0.0.1:")).to_be_visible()
    page.get_by_role("button", name="Change it").click()
    host = page.get_by_label("Its name")
    expect(host).to_have_value(re.compile(r"^127\.0\.0\.1:\d+$"))
    password = page.get_by_label("Password there")
    expect(password).to_have_value("")
    expect(page.get_by_text("the one that is kept for 127.0.0.1. It goes to no")).to_be_visible()
    password.fill("three oars in water")
    page.get_by_role("link", name="Next").click()
    expect(page.get_by_text("This mail server isn't in use yet.")).to_be_visible()
    assert "three oars" not in page.evaluate("Object.values(localStorage).join()")
    page.get_by_role("button", name="Use this server").click()
    expect(page.get_by_text("Chosen, not written yet: 127.0.0.1:")).to_be_visible()
    page.get_by_role("button", name="See what changes").click()
    changes = page.locator(".changes li")
    expect(changes).to_have_text(["A password for the mail server is set."])
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")

    page.get_by_role("button", name="Change it").click()
    host.fill("mail.example.org")
    password.fill("")
    page.get_by_role("button", name="Use this server").click()
    page.get_by_role("button", name="See what changes").click()
    expect(page.locator("main")).to_contain_text("so give its password as well")


BY_TOPIC = """
[chamber]
name = "North bench"
enclosure = ["plywood"]

[[sensor]]
name = "top"
driver = "mqtt"
topic = "shed/top"

[mqtt]
host = "127.0.0.1"
port = {port}
"""


def test_who_has_a_sensor_by_topic_is_not_told_that_there_is_none(
    tmp_path: Path, look: Look
) -> None:
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(BY_TOPIC.format(port=free_loopback_port()))
    with RunningService(tmp_path / "data", "--chamber", str(chamber)) as service:
        page = look(service, width_px=390, expected="Failed to load resource")  # at its end
        page.goto(f"{page.url.split('#')[0]}#/setting-up/sensors")
        expect(page.get_by_text("One is plugged in, and doesn't appear")).to_be_visible()
        expect(page.get_by_text("No sensor answers here so far.")).to_have_count(0)


@pytest.mark.parametrize("width_px", [390, 1280])
def test_how_the_watch_is_has_a_page_one_tap_away(
    faulty: RunningService, look: Look, width_px: int
) -> None:
    page = look(faulty, width_px=width_px, expected="status of 404")  # it has no picture
    page.get_by_role("link", name="How the watch itself is").click()
    expect(page).to_have_url(re.compile("#/watch$"))
    expect(page.get_by_role("heading", level=1)).to_contain_text("wrong with the watch")
    lines = page.locator(".watch-lines li")
    expect(lines.first).to_have_class("wrong")
    hows = lines.evaluate_all("(all) => all.map((each) => each.className)")
    assert hows == sorted(hows, key=lambda how: how != "wrong"), "what is wrong comes first"
    for part in ("Wrong", "Ways to people", "Disk and backups", "Clock, computer"):
        expect(page.get_by_role("heading", level=2, name=part)).to_be_visible()
    expect(page.locator(".watch-lines")).to_contain_text(re.compile(r"Stillair \d.*Python 3"))
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    # Nothing in it is for owners alone: no folder, address, server or password.
    told = json.dumps(faulty.get("/api/watch"))
    assert str(faulty.folder) not in told
    assert not re.search(r"@|://|127\.0\.0\.1|/dev/|password", told), told
    # What can't be asked is said first, over what was told before.
    page.route("**/api/watch", lambda route: route.fulfill(status=404, json={}))
    page.evaluate("() => document.dispatchEvent(new Event('visibilitychange'))")
    expect(page.get_by_role("heading", level=1)).to_contain_text("couldn't be asked just now")
    expect(page.locator(".watch-lines .sub")).to_contain_text("how it was before")


def test_with_nothing_set_it_says_that_the_chamber_is_no_real_one(
    tmp_path: Path, look: Look
) -> None:
    with RunningService(tmp_path / "data") as service:
        for width_px in (390, 1280):
            page = look(service, width_px=width_px)
            steps = page.get_by_role("region", name="Setting up: 2 things to do")
            expect(steps).to_contain_text("Chamber file: a simulated chamber is shown")
            expect(steps).to_contain_text("Set your own up step by step, on the page Setting up.")
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
            steps.get_by_role("link", name="Make an owner").click()
            expect(page.get_by_role("heading", name="Nobody owns this service yet")).to_be_visible()
            page.close()


def test_once_there_is_an_owner_it_is_one_line_and_for_owners_alone(
    tmp_path: Path, look: Look
) -> None:
    data = tmp_path / "data"
    data.mkdir()
    for words in (("owner", "add", NAME), ("person", "add", "cox", "--role", "viewer")):
        done = warm_run(
            stillair(*words, "--data-dir", str(data)), typed=f"{PASSWORD}\n{PASSWORD}\n"
        )
        assert done.returncode == 0, done.stderr
    chamber = chamber_files(tmp_path, "")

    with RunningService(data, "--chamber", str(chamber)) as service:
        for name in (NAME, "cox"):
            page = look(service, expected="status of 403")
            page.get_by_label("Name").fill(name)
            page.get_by_label("Password").fill(PASSWORD)
            page.keyboard.press("Enter")
            page.locator(".sentence").wait_for()
            way = page.get_by_role("link", name="Setting up", exact=True)
            if name == NAME:
                expect(way).to_be_visible()
                way.click()
                expect(page.locator(".setting-up h1")).to_have_text("Nothing is left to do")
            else:
                expect(page.get_by_text("Signed in as cox (viewer).")).to_be_visible()
                expect(way).to_have_count(0)
                assert page.evaluate("fetch('/api/setting-up').then((a) => a.status)") == 403
            page.close()
