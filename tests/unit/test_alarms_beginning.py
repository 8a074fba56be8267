"""Since when an alarm stands is the same on every page, in the history and in every message."""

from __future__ import annotations

import pytest

from stillair.alarms.sentence import sentence
from stillair.model import Change, Kind, Phase, Timeline
from stillair.runtime.stories import Stories
from stillair.storage.items import alarm_item, event_item
from stillair.storage.records import dump, load, shifted
from unit.alarm_shed import Shed, change, make_desk

TIMELINE = Timeline("boot", 1_790_000_000.0)


def began_everywhere(shed: Shed, event: int) -> set[str]:
    """When it began by the alarm's item, by the event's, and by the story of the last hour."""
    (alarm,) = [a for a in shed.desk.standing() if a.event == event]
    told = next(e for e in shed.open.values() if e.event == event)
    stories = Stories("north-bench")
    stories.take([told], TIMELINE)
    (story,) = stories.told(shed.t_s, TIMELINE)
    assert isinstance(story, dict)
    found = (alarm_item(alarm, TIMELINE), event_item(told, "north-bench", TIMELINE), story)
    return {str(item["began_at"]) for item in found}


def test_a_fire_that_was_smoke_first_has_one_beginning() -> None:
    shed = Shed(make_desk())
    shed.wait(100.0)
    detail = {"cause": "clear", "smoke_before_s": 30.0}
    event = shed.begins(Kind.FIRE, onset_s=40.0, detail=detail)
    assert began_everywhere(shed, event) == {"2026-09-21T14:14:30.000Z"}
    (told,) = {notice.text for _, notice in shed.told}
    assert "It began 30 s ago" in told, "as the pages say it: at 70 s"
    shed.wait(50.0)
    said = sentence(
        t_s=shed.t_s,
        phase=Phase.STEADY,
        since_s=0.0,
        air_c=80.0,
        alarms=shed.desk.standing(),
    )
    assert said.sentence == "There is fire in the box, for 1 min 20 s"


def test_what_comes_back_stands_since_it_came_back() -> None:
    shed = Shed(make_desk())
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60.0)
    shed.ends(Kind.DOOR_OPEN)
    shed.wait(240.0)
    event = shed.begins(Kind.DOOR_OPEN)
    shed.wait(240.0)
    alarm = shed.only()
    assert (alarm.raised_s, alarm.began_s) == (10.0, 300.0), "the same alarm, seen by nobody"
    assert len(began_everywhere(shed, event)) == 1
    said = sentence(
        t_s=shed.t_s, phase=Phase.STEADY, since_s=0.0, air_c=46.2, alarms=shed.desk.standing()
    )
    assert said.sentence == "The door is open, for 4 min"


def test_the_beginning_of_a_story_that_is_over_stays() -> None:
    over = change(
        7,
        Change.CLEARED,
        500.0,
        Kind.FIRE,
        onset_s=40.0,
        detail={"cause": "clear", "smoke_before_s": 30.0},
    )
    stories = Stories("north-bench", [event_item(over, "north-bench", TIMELINE)])
    (story,) = stories.told(600.0, TIMELINE)
    assert isinstance(story, dict)
    assert story["began_at"] == event_item(over, "north-bench", TIMELINE)["began_at"]


@pytest.mark.parametrize("shift_s", [0.0, -400.0], ids=["the same boot", "another boot"])
def test_a_restart_keeps_it(shift_s: float) -> None:
    shed = Shed(make_desk())
    shed.wait(100.0)
    shed.begins(Kind.FIRE, onset_s=40.0)
    kept = load(type(shed.only()), dump(shed.only()))
    assert shifted(kept, shift_s).began_s == 40.0 + shift_s


def test_an_alarm_that_an_earlier_version_kept_began_when_it_was_raised() -> None:
    shed = Shed(make_desk())
    shed.begins(Kind.FIRE, onset_s=-40.0)
    record = dump(shed.only()).replace('"began_s":-40.0', '"older":0')
    item = alarm_item(load(type(shed.only()), record), TIMELINE)
    assert item["began_at"] == item["raised_at"]
