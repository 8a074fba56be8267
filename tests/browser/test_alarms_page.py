"""An alarm as people meet it: on two telephones at once, answered on one of them."""

from __future__ import annotations

import json
import re
from itertools import pairwise
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, Route, expect

from running import RunningService

from .conftest import Look, Serve, until
from .pictures import for_the_readme


def door_of(page: Page) -> Locator:
    """The door's alarm: on a busy computer its camera may be in doubt as well."""
    return page.locator(".stands.supervisory")


def test_an_alarm_seen_on_one_telephone_is_seen_on_the_other(
    shed: RunningService, look: Look
) -> None:
    first, second = look(shed), look(shed)
    for page in (first, second):
        expect(door_of(page)).to_contain_text("The door is open.")
        expect(door_of(page).locator(".state")).to_have_text("not yet seen")
    for_the_readme(first, "alarm", last=first.locator(".first-steps").first)
    door_of(first).get_by_role("button", name="I've seen it").click()
    for page in (first, second):
        expect(door_of(page).locator(".state")).to_have_text(
            re.compile(r"^seen by this computer at \d\d:\d\d$"), timeout=10_000
        )
        expect(door_of(page).get_by_role("button", name="I've seen it")).to_have_count(0)


def test_an_alarm_can_be_kept_quiet_and_be_heard_again(shed: RunningService, look: Look) -> None:
    page = look(shed)
    door_of(page).get_by_role("button", name="Quiet for 3 minutes").click()
    expect(door_of(page).locator(".state")).to_contain_text("quiet until")
    door_of(page).get_by_role("button", name="No longer quiet").click()
    expect(door_of(page).locator(".state")).to_have_text("not yet seen")


def test_the_focus_stays_near_the_alarm_that_was_answered(shed: RunningService, look: Look) -> None:
    page = look(shed)
    for name in ("Quiet for 3 minutes", "No longer quiet"):
        door_of(page).get_by_role("button", name=name).focus()
        page.keyboard.press("Enter")
        expect(door_of(page).get_by_role("button", name=name)).to_have_count(0)
        expect(door_of(page).locator(".words")).to_be_focused()


def test_an_alarm_that_the_sentence_tells_is_not_read_twice(
    shed: RunningService, look: Look
) -> None:
    page = look(shed)
    expect(page.locator(".sentence")).to_contain_text("The door is open")
    box = page.locator(".stands.supervisory")
    expect(box.locator(".when")).to_contain_text("Needs a hand. Since")
    seen = page.evaluate(
        "[...document.querySelectorAll('.stands .words p')].map((p) => p.offsetHeight)"
    )
    assert min(seen) <= 1 < max(seen), "its text is there for those who listen alone"
    see = page.get_by_role("button", name="I've seen it").or_(
        page.get_by_role("button", name="Quiet for 3 minutes")
    )
    expect(see.first).to_be_in_viewport()


def test_an_answer_that_is_refused_is_said_to_be(shed: RunningService, look: Look) -> None:
    page = look(shed, expected="status of 503")
    detail = "History can't be read or kept just now."
    page.route(
        "**/acknowledge",
        lambda route: route.fulfill(
            status=503,
            content_type="application/problem+json",
            body=json.dumps({"status": 503, "title": "Service Unavailable", "detail": detail}),
        ),
    )
    seen = door_of(page).get_by_role("button", name="I've seen it")
    seen.click()
    expect(page.get_by_role("alert").filter(has_text="Not done.")).to_contain_text(detail)
    expect(seen).to_be_visible()


def with_danger(
    shed: RunningService, page: Page, alarm: dict[str, Any] | None = None, **change: Any
) -> None:
    """From here on the page hears of a fire that only it has been told of."""
    state = shed.get("/api/now")
    chamber = state["chambers"][0]
    (door,) = (each for each in chamber["alarms"] if each["kind"] == "door_open")
    fire = {
        **door,
        "id": f"{chamber['chamber']}-99",
        "kind": "fire",
        "class": "alarm",
        "priority": "critical",
        "annunciation": "unacknowledged",
        "suppression": "none",
        "condition": True,
        "text": "There is fire in the box. Switch the power off away from the box.",
        **(alarm or {}),
    }
    chamber["alarms"] = [door, fire]
    chamber.update({"tone": "danger", "sounding": "fire", **change})

    def answer(route: Route) -> None:
        body = f"retry: 500\nevent: now\nid: 1\ndata: {json.dumps(state)}\n\n"
        route.fulfill(content_type="text/event-stream", body=body)

    page.route("**/api/live", answer)


def test_danger_comes_first_with_a_word_and_a_shape_and_sounds_as_fire(
    shed: RunningService, look: Look
) -> None:
    page = look(shed)
    expect(door_of(page)).to_have_count(1)
    with_danger(shed, page, sentence="There is fire in the box, for 8 s")
    page.reload()
    page.get_by_role("button", name="Turn sound on").click()
    first = page.locator(".stands").first
    expect(first).to_contain_text("Danger: There is fire in the box.")
    expect(first.locator("svg.shape.alarm")).to_be_visible()
    expect(page.locator(".sentence svg.shape")).to_be_visible()
    expect(page.get_by_role("button", name="Quiet for 3 minutes")).to_have_count(1)
    expect(page.locator("[data-sounding]")).to_have_attribute("data-sounding", "fire")
    until(page, "window.tones.length >= 3")
    tones = page.evaluate("window.tones.filter((t) => t.pitch_hz === 520).map((t) => t.at_s)")
    assert [round(b - a, 3) for a, b in pairwise(tones[:3])] == [1.0, 1.0]


@pytest.mark.parametrize("blind", [True, False])
def test_who_has_seen_a_fire_may_clear_it_where_nobody_can_see_its_end(
    shed: RunningService, look: Look, blind: bool
) -> None:
    page = look(shed)
    with_danger(shed, page, {"annunciation": "acknowledged", "blind": blind})
    page.reload()
    fire = page.locator(".stands.alarm")
    expect(fire).to_contain_text("There is fire in the box.")
    expect(fire.get_by_role("button", name="Clear it")).to_have_count(1 if blind else 0)


FAULTS = """
[[step]]
at_s = 5
do = "sensor_fault"
sensor = "bed"
fault = "open"

[[step]]
at_s = 5
do = "sensor_fault"
sensor = "room"
fault = "open"
"""


def test_several_alarms_are_answered_at_once_by_keyboard(serve: Serve, look: Look) -> None:
    service = serve(FAULTS, speed=10)
    page = look(service, width_px=360)
    all_seen = page.get_by_role("button", name=re.compile(r"^I've seen all \d$"))
    expect(all_seen).to_be_visible(timeout=30_000)
    expect(page.locator(".stands .state", has_text="not yet seen")).to_have_count(2)
    all_seen.focus()
    expect(page.locator(".act.must:visible")).to_have_text([all_seen.inner_text()])
    page.keyboard.press("Enter")
    expect(page.locator(".stands .state", has_text="seen by this computer")).to_have_count(2)
    expect(all_seen).to_have_count(0)
    assert page.evaluate("document.activeElement !== document.body"), "the focus is not lost"


RENDERED = """async (wanted) => {
  const { Alarms } = await import("/web/js/alarms.js");
  const { html } = await import("/web/js/html.js");
  const { render } = await import("/web/vendor/preact.js");
  const alarms = wanted.map((changed, i) => ({
    id: `n-${i}`, class: "trouble", kind: "sensor_fault", priority: "medium", event: i,
    suppression: "none", condition: false, annunciation: "returned_unacknowledged",
    text: "Sensor top gave no reading that could be trusted in all that time. Its wire is open.",
    acknowledged_by: null, raised_at: "2026-11-24T10:00:00Z",
    began_at: "2026-11-24T10:00:00Z", shelved_until: null, ...changed,
  }));
  const chamber = { chamber: "x", at: "2026-11-24T10:01:00Z", alarms, stories: [],
                    sentence: "", sub: "" };
  const place = document.createElement("div");
  place.id = "apart";
  document.querySelector("main").prepend(place);
  render(html`<${Alarms} chamber=${chamber} unit="c" may=${true} />`, place);
}"""
OVER_DANGER = {"class": "alarm", "kind": "fire"}


@pytest.mark.parametrize(
    ("alarms", "whole", "lines", "buttons"),
    [
        pytest.param([{}], 0, 1, ["I've seen it"], id="one: its button beside it"),
        pytest.param([{}, {}, {}], 0, 3, ["I've seen all 3"], id="a line each"),
        pytest.param([{}] * 5, 0, 1, ["I've seen all 5"], id="many: how many"),
        pytest.param([OVER_DANGER], 1, 0, ["I've seen it"], id="danger is never made small"),
        pytest.param(
            [{"annunciation": "unacknowledged", "condition": True}, {}],
            1,
            1,
            ["I've seen it", "I've seen all 2"],
            id="what stands comes first and whole",
        ),
    ],
)
def test_what_is_over_takes_a_line_and_unfolds(
    shed: RunningService,
    look: Look,
    alarms: list[dict[str, Any]],
    whole: int,
    lines: int,
    buttons: list[str],
) -> None:
    page = look(shed)
    page.locator(".stands").first.wait_for()
    page.evaluate(RENDERED, alarms)
    part = page.locator("#apart")
    expect(part.locator(".stands")).to_have_count(whole)
    assert part.locator("summary:visible").count() == lines
    assert [b.inner_text() for b in part.get_by_role("button").all()] == buttons
    for line in part.locator("summary:visible").all():
        box = line.bounding_box()
        assert box is not None
        assert 44 <= box["height"] < 60, "one line, and no less than a thumb"
    if lines:
        assert "Over, not yet seen" in part.inner_text() or "over and not yet" in part.inner_text()
        part.locator("summary:visible").first.click()
        if len(alarms) > 3:
            part.locator("li summary").first.click()
        unfolded = part.locator(".over p:visible", has_text="Its wire is open.")
        expect(unfolded).to_have_count(1)


def test_a_danger_is_not_answered_together_with_the_rest(shed: RunningService, look: Look) -> None:
    page = look(shed)
    page.locator(".stands").first.wait_for()
    told = page.evaluate(
        """async () => {
          const { Alarms } = await import("/web/js/alarms.js");
          const { html } = await import("/web/js/html.js");
          const { render } = await import("/web/vendor/preact.js");
          const alarm = (id, kind) => ({
            id, class: kind, kind: "fire", priority: "high", suppression: "none", condition: true,
            annunciation: "unacknowledged", event: 1, text: "It is so.", acknowledged_by: null,
            raised_at: "2026-11-24T10:00:00Z",
            began_at: "2026-11-24T10:00:00Z", shelved_until: null,
          });
          const alarms = [alarm("a", "alarm"), alarm("b", "trouble"), alarm("c", "supervisory")];
          const chamber = { chamber: "x", at: "2026-11-24T10:01:00Z", alarms, stories: [],
                            sentence: "", sub: "" };
          const place = document.createElement("div");
          render(html`<${Alarms} chamber=${chamber} unit="c" may=${true} />`, place);
          return place.querySelector(".all").textContent;
        }"""
    )
    assert told.strip() == "I've seen the other 2"
