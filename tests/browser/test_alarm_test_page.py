"""An alarm test from the page: begun, followed, and what each person says of it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import expect

from answered import shed as shed_with_links
from running import RunningService
from servers import MailServer

from .conftest import Look, chamber_files, until

PEOPLE = """
[[person]]
name = "bench captain"
routes = ["mailto:captain@example.org", "mailto:boat@example.org"]

[[person]]
name = "cox"
routes = ["mailto:cox@example.org"]

[mail]
host = "{host}"
port = {port}
security = "none"

[sounder]
driver = "command"
command = "true"
"""


@pytest.fixture
def told(tmp_path: Path, mail_server: MailServer) -> Iterator[RunningService]:
    chamber = chamber_files(tmp_path, "")
    people = PEOPLE.format(host=mail_server.host, port=mail_server.port)
    chamber.write_text(chamber.read_text() + people)
    with RunningService(tmp_path / "data", "--chamber", str(chamber)) as running:
        yield running


@pytest.mark.parametrize("width_px", [390, 1280])
def test_a_test_is_begun_followed_and_confirmed(
    told: RunningService, mail_server: MailServer, look: Look, width_px: int
) -> None:
    page = look(told, width_px=width_px)
    expect(page.locator(".sentence").first).to_contain_text("The alarms have never been tested")
    page.get_by_role("link", name="Alarm test", exact=True).click()
    expect(page.locator(".alarm-test h1")).to_have_text("The alarms have never been tested.")
    expect(page.locator(".alarm-test")).to_contain_text(
        "bench captain: e-mail to captain@example.org; e-mail to boat@example.org."
    )

    page.get_by_role("button", name="Begin an alarm test").click()
    asked = page.get_by_role("group", name="Begin an alarm test")
    expect(asked).to_contain_text("The sounder sounds once, for 4 seconds.")
    expect(asked).to_contain_text("2 people get a message marked as a test, on 3 routes at once.")
    assert mail_server.messages == [], "nothing was sent before it was asked once more"
    asked.get_by_role("button", name="Yes, begin").click()
    expect(page.locator(".alarm-test h1")).to_have_text(
        "An alarm test is running: nothing is wrong."
    )
    rows = page.locator(".way-of-it tbody tr")
    expect(rows).to_have_count(6)
    expect(rows.filter(has_text="Simulated signs, verdict, alarm")).to_contain_text("Went through.")
    taken = re.compile(r"Taken by the server after \d+\.\d+ s; not confirmed by anyone yet\.")
    for address in ("captain", "boat", "cox"):
        expect(rows.filter(has_text=f"e-mail to {address}@example.org")).to_contain_text(taken)
    expect(rows.filter(has_text="Sounder")).to_contain_text("Sounded once.", timeout=20_000)
    expect(rows.filter(has_text="Stop of the machine")).to_contain_text("None is connected.")
    mail_server.wait_for(3)
    expect(page.locator(".alarm-test h1")).to_contain_text("all 3 messages taken by a server")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")

    expect(page.get_by_text("Try it once more with the telephone on silent")).to_be_visible()
    captain = page.get_by_role("group", name="bench captain")
    captain.get_by_role("button", name="It arrived, and I heard it").first.click()
    expect(captain.get_by_role("button", name="✓ It arrived, and I heard it").first).to_be_visible()
    cox = page.get_by_role("group", name="cox")
    cox.get_by_role("button", name="It arrived in silence").click()
    expect(cox).to_contain_text("Let the telephone sound for these messages")
    expect(page.locator(".alarm-test > p strong")).to_have_text("Cox heard nothing.")
    cox.get_by_role("button", name="It arrived, and I heard it").click()
    expect(page.locator(".alarm-test h1")).to_have_text(
        re.compile(
            r"^Alarm test .* ago: all 3 messages taken by a server, all confirmed as arrived\.$"
        )
    )
    low = page.evaluate(
        """[...document.querySelectorAll('.alarm-test button, .alarm-test summary')]
             .filter((a) => a.checkVisibility() && a.getBoundingClientRect().height < 44)
             .map((a) => a.innerText)"""
    )
    assert low == [], "too small for a thumb"
    page.get_by_role("link", name="Now", exact=True).click()
    expect(page.get_by_role("link", name=re.compile("all confirmed as arrived"))).to_be_visible()
    expect(page.locator(".sub")).to_have_count(0)
    # On the page on the watch: each person's last message, and the sounder by itself.
    page.goto(page.url.partition("#")[0] + "#/watch")
    lines = page.locator(".watch-lines li")
    taken_by = lines.filter(has_text="Messages to cox")
    expect(taken_by).to_contain_text("the e-mail was the last taken there")
    sounder = lines.filter(has_text="Sounder")
    sounder.get_by_role("button", name="Sound it for one second").click()
    expect(sounder).to_contain_text("It was driven for one second.")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_open_pages_sound_one_round_and_say_that_it_is_a_test(
    told: RunningService, look: Look
) -> None:
    page = look(told)
    page.get_by_role("button", name="Turn sound on").click()
    told.post("/api/alarm-tests", {})
    expect(page.get_by_text("Sounding: an alarm test. Nothing is wrong.")).to_be_visible()
    fire = "window.tones.filter((tone) => tone.pitch_hz === 520).length"
    until(page, f"{fire} >= 3")
    expect(page.get_by_text("Sound is on.")).to_be_visible(timeout=20_000)
    assert page.evaluate(fire) <= 6, "one round, and at most what was planned of the next"


def test_earlier_tests_are_one_line_each(told: RunningService, look: Look) -> None:
    page = look(told, "/#/alarm-test")
    for number in (1, 2):
        told.post("/api/alarm-tests", {})
        expect(page.locator(".alarm-test h1")).to_contain_text("is running")
        expect(page.locator(".alarm-test h1")).to_contain_text("3 messages taken", timeout=20_000)
        expect(page.locator(".alarm-test .noted li")).to_have_count(number - 1)
    expect(page.locator(".alarm-test .noted li").first).to_contain_text(
        "begun by this computer: all 3 messages taken by a server, none yet confirmed as arrived; "
        "bench captain hasn't confirmed yet"
    )


def test_a_chamber_without_people_says_that_nobody_is_told(
    shed: RunningService, look: Look
) -> None:
    page = look(shed, "/#/alarm-test")
    expect(page.locator(".alarm-test h1")).to_have_text(
        "Nobody is told of an alarm: no person is named."
    )
    page.get_by_role("button", name="Begin an alarm test").click()
    expect(page.get_by_role("group", name="Begin an alarm test")).to_contain_text(
        "Nobody is told: no person is named."
    )


def test_a_message_is_confirmed_by_its_link(
    tmp_path: Path, mail_server: MailServer, look: Look
) -> None:
    with shed_with_links(tmp_path, mail_server) as told:
        assert told.owner.post("/api/alarm-tests", json={}).status_code == 201
        link = told.link("cox@shed.example", "Alarm test: nothing is wrong.")
        page = look(told.service, link)
        expect(page.get_by_role("heading")).to_have_text("Alarm test: nothing is wrong")
        expect(page.get_by_text("to cox by e-mail to cox@shed.example.")).to_be_visible()
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        low = page.evaluate(
            """[...document.querySelectorAll('button')]
                 .filter((a) => a.getBoundingClientRect().height < 44).map((a) => a.innerText)"""
        )
        assert low == [], "too small for a thumb"
        page.get_by_role("button", name="It arrived in silence").click()
        expect(page.get_by_text("A fire at night has to be heard.")).to_be_visible()
        page.get_by_role("button", name="It arrived, and I heard it").click()
        expect(page.get_by_text("Thank you: it is noted that you heard it.")).to_be_visible()
        expect(page.get_by_text("A fire at night has to be heard.")).to_be_hidden()
        routes = told.ask("/api/now")["alarm_test"]["chambers"][0]["test"]["routes"]
        assert [r["heard"] for r in routes if r["person"] == "cox"] == ["heard"]
