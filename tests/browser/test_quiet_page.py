"""What is quiet on purpose, as people meet it: one tap for the door, the list of what is off."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import expect

from running import RunningService

from .conftest import Look, Serve

FAULT = """
[[step]]
at_s = 5
do = "sensor_fault"
sensor = "low"
fault = "open"
"""


@pytest.mark.parametrize("width_px", [390, 1200])
def test_one_tap_before_the_door_is_opened_and_one_when_it_is_shut(
    shed: RunningService, look: Look, width_px: int
) -> None:
    page = look(shed, width_px=width_px)
    # The page may be there before the door's alarm is.
    expect(page.locator(".stands.supervisory .state")).to_have_text("not yet seen", timeout=30_000)
    opens = page.get_by_role("button", name="I'm opening the door for 3 minutes")
    opens.focus()
    page.keyboard.press("Enter")
    told = page.locator(".opening .told")
    expect(told).to_contain_text("The door may be open until")
    expect(told).to_contain_text("more: door, draft")
    expect(told).to_be_focused()
    expect(page.locator(".stands.supervisory .state")).to_contain_text("quiet until")
    wide = page.evaluate("document.documentElement.scrollWidth > innerWidth")
    assert not wide, "nothing sticks out"
    shut = page.get_by_role("button", name="I've closed it")
    box = shut.bounding_box()
    assert box is not None and box["height"] >= 44, "a thumb's size"
    shut.click()
    expect(opens).to_be_visible()
    expect(told).to_have_text("")
    # At six times life's speed the minute in which that is believed passes in ten seconds.
    expect(page.locator(".stands.supervisory .state")).to_have_text("not yet seen", timeout=20_000)


def test_an_alarm_is_switched_off_with_a_reason_and_on_again(serve: Serve, look: Look) -> None:
    page = look(serve(FAULT, speed=10), width_px=390)
    fault = page.locator(".stands.trouble").filter(has_text="Sensor low")
    fault.get_by_role("button", name="I've seen it").click(timeout=30_000)
    ask = fault.get_by_role("button", name="Switch this alarm off")
    ask.focus()
    page.keyboard.press("Enter")
    expect(fault.get_by_role("group")).to_contain_text("Nobody is told of it any more")
    expect(fault.get_by_label("Why?")).to_be_focused()
    fault.get_by_role("button", name="Yes, switch it off").click()
    expect(fault.get_by_role("alert")).to_contain_text("Write the reason first.")
    fault.get_by_label("Why?").fill("its wire is cut; a new one comes on Monday")
    fault.get_by_role("button", name="Yes, switch it off").click()
    off = page.get_by_role("region", name="Switched off")
    expect(off).to_contain_text("Sensor fault (low): its wire is cut; a new one comes on Monday")
    expect(off).to_contain_text("by this computer, since ")
    expect(fault).to_have_count(0)
    expect(page.locator(".sub")).to_contain_text("Switched off: sensor fault (low).")
    assert not page.evaluate("document.documentElement.scrollWidth > innerWidth")
    off.get_by_role("button", name="Switch it on again").click()
    expect(off).to_have_count(0)
    expect(fault.locator(".state")).to_have_text("not yet seen")


RENDERED = """async ({ alarms, may }) => {
  const { Alarms } = await import("/web/js/alarms.js");
  const { html } = await import("/web/js/html.js");
  const { render } = await import("/web/vendor/preact.js");
  const whole = alarms.map((changed, i) => ({
    id: `n-${i}`, class: "supervisory", priority: "medium", event: i, subject: "",
    suppression: "none", condition: true, annunciation: "unacknowledged", cause_alarm: null,
    chamber: "x", acknowledged_by: null, raised_at: "2026-11-24T10:00:00Z",
    began_at: "2026-11-24T10:00:00Z", shelved_until: null,
    ...changed,
  }));
  const chamber = { chamber: "x", at: "2026-11-24T10:01:00Z", alarms: whole, stories: [],
                    sentence: "", sub: "" };
  const place = document.createElement("div");
  place.id = "apart";
  document.querySelector("main").prepend(place);
  render(html`<${Alarms} chamber=${chamber} unit="c" may=${may} />`, place);
}"""
STORY: list[dict[str, Any]] = [
    {"kind": "door_open", "text": "The door is open. Shut it."},
    {"kind": "draft", "text": "Cold air is getting in. Look for a gap.", "cause_alarm": "n-0"},
    {"kind": "heat_lost", "text": "The chamber is not being heated.", "cause_alarm": "n-0"},
]


def test_what_follows_from_a_first_cause_stands_below_it(shed: RunningService, look: Look) -> None:
    page = look(shed)
    page.locator(".stands").first.wait_for()
    page.evaluate(RENDERED, {"alarms": STORY, "may": True})
    part = page.locator("#apart")
    expect(part.locator(".stands")).to_have_count(1)
    summary = part.locator(".follows summary")
    expect(summary).to_have_text(
        "These 2 follow from it: Cold air is getting in; The chamber is not being heated"
    )
    summary.focus()
    page.keyboard.press("Enter")
    expect(part.locator(".follows li").first.locator(".words")).to_be_visible()


def test_what_has_just_gone_asks_for_no_hand(shed: RunningService, look: Look) -> None:
    page = look(shed)
    page.locator(".stands").first.wait_for()
    gone = [{**STORY[0], "leaving": "Door open: over, if it stays so."}]
    page.evaluate(RENDERED, {"alarms": gone, "may": True})
    box = page.locator("#apart .stands")
    expect(box).to_contain_text("Door open: over, if it stays so.")
    expect(box).not_to_contain_text("Shut it")
    expect(box.get_by_role("button", name="I've seen it")).to_be_visible()


def test_what_outlives_its_cause_in_the_list_stands_by_itself(
    shed: RunningService, look: Look
) -> None:
    page = look(shed)
    page.locator(".stands").first.wait_for()
    orphan = [{**STORY[1], "cause_alarm": "n-77"}]
    page.evaluate(RENDERED, {"alarms": orphan, "may": False})
    expect(page.locator("#apart .stands")).to_have_count(1)
