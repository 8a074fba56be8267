"""First cause first: one trouble is one story, and its message is the first one's."""

from __future__ import annotations

import pytest

from stillair.alarms.catalogue import CATALOGUE, is_danger, is_notice
from stillair.alarms.causes import FOLLOWS, ORDER
from stillair.model import (
    BURNING,
    Annunciation,
    Kind,
    Priority,
    Shelve,
    Suppression,
)
from unit.alarm_shed import Shed, make_desk


@pytest.fixture
def shed() -> Shed:
    return Shed(make_desk())


def said(shed: Shed) -> list[str]:
    return [title for _, title in shed.sayings() if not title.startswith("Still")]


@pytest.mark.parametrize(
    ("first", "then"),
    [
        pytest.param(Kind.DOOR_OPEN, [Kind.DRAFT, Kind.HEAT_LOST, Kind.BELOW_TARGET], id="door"),
        pytest.param(Kind.HEAT_LOST, [Kind.NO_MOTION, Kind.BELOW_TARGET], id="supply gone"),
        pytest.param(Kind.DRAFT, [Kind.BELOW_TARGET], id="draft"),
        pytest.param(Kind.POWER_FAULT, [Kind.CAMERA_FAULT, Kind.SENSOR_FAULT], id="board's supply"),
        pytest.param(Kind.BOARD_FAULT, [Kind.STORE_FAULT], id="disk"),
        pytest.param(Kind.OVER_TEMPERATURE, [Kind.TOO_WARM], id="too hot"),
        pytest.param(
            Kind.FIRE,
            [k for k in Kind if CATALOGUE[k].may_hide and not is_notice(k)],
            id="fire: everything else",
        ),
    ],
)
def test_what_follows_is_told_with_the_first(shed: Shed, first: Kind, then: list[Kind]) -> None:
    shed.begins(first)
    shed.wait(60)
    for kind in then:
        shed.begins(kind)
    shed.wait(70)
    kinds = {notice.kind for _, notice in shed.told}
    told_by_now = CATALOGUE[first].page_alone_s < 130.0
    assert kinds == ({first} if told_by_now else set())
    head = shed.alarm(first)
    assert head.cause_alarm == ""
    for kind in then:
        alarm = shed.alarm(kind)
        assert alarm.cause_alarm == (head.id if CATALOGUE[kind].messages else alarm.cause_alarm)
        assert alarm.annunciation is Annunciation.UNACKNOWLEDGED, "it asks on the page"
        if alarm.cause_alarm:
            assert "It follows from: " in alarm.text


def test_several_sensors_on_one_cable_are_one_message_the_worst_ones(shed: Shed) -> None:
    shed.begins(Kind.SENSOR_FAULT, "top")
    shed.begins(Kind.SENSOR_FAULT, "low", priority=Priority.HIGH)  # the last good one
    shed.begins(Kind.SENSOR_FAULT, "bed")
    shed.wait(60)
    assert said(shed) == ["Sensor fault"]
    assert shed.told[0][1].priority is Priority.HIGH
    assert {a.subject for a in shed.desk.standing() if a.cause_alarm} == {"top", "bed"}


def test_the_last_good_sensor_is_told_though_another_failed_first(shed: Shed) -> None:
    shed.begins(Kind.SENSOR_FAULT, "top")
    shed.wait(50)
    shed.begins(Kind.SENSOR_FAULT, "low", priority=Priority.HIGH)
    shed.wait(30)
    assert said(shed) == ["Sensor fault"], "the first may still pass by itself"


def test_what_outlasts_its_cause_is_told_itself(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60)
    shed.begins(Kind.HEAT_LOST)
    shed.wait(60)
    shed.ends(Kind.DOOR_OPEN)
    shed.wait(15 + 299)
    assert said(shed) == ["Door open", "Over: door open"]
    shed.wait(2)
    assert said(shed) == ["Door open", "Over: door open", "Heat lost"]
    assert shed.alarm(Kind.HEAT_LOST).cause_alarm == ""
    assert "It follows from" not in shed.alarm(Kind.HEAT_LOST).text


def test_what_ends_within_its_cause_is_never_a_message(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60)
    shed.begins(Kind.BELOW_TARGET)
    shed.wait(100)
    shed.ends(Kind.DOOR_OPEN)
    shed.wait(200)
    shed.ends(Kind.BELOW_TARGET)
    shed.wait(2000)
    assert said(shed) == ["Door open", "Over: door open"]
    assert shed.alarm(Kind.BELOW_TARGET).annunciation is Annunciation.RETURNED_UNACKNOWLEDGED


def test_the_first_is_seen_with_all_that_follows(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60)
    shed.begins(Kind.HEAT_LOST)
    shed.wait(60)
    shed.seen(shed.alarm(Kind.DOOR_OPEN).id)
    assert {a.acknowledged_by for a in shed.desk.standing()} == {"cox"}


def test_what_began_long_after_the_first_has_a_cause_of_its_own(shed: Shed) -> None:
    shed.begins(Kind.HEAT_LOST)
    shed.wait(1000)
    shed.begins(Kind.NO_MOTION)
    shed.wait(20)
    assert said(shed) == ["Heat lost", "Machine stands still"]


def test_what_was_told_before_its_cause_is_no_longer_folded(shed: Shed) -> None:
    shed.begins(Kind.HEAT_LOST)
    shed.wait(60)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60)
    assert said(shed) == ["Heat lost", "Door open"]
    assert not any(a.cause_alarm for a in shed.desk.standing())


def test_a_door_that_is_switched_off_explains_nothing(shed: Shed) -> None:
    shed.switch_off(Kind.DOOR_OPEN)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60)
    shed.begins(Kind.HEAT_LOST)
    shed.wait(60)
    assert said(shed) == ["Heat lost"]


def test_a_door_made_quiet_for_a_time_explains_the_draft(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    door = shed.alarm(Kind.DOOR_OPEN)
    shed.keep(shed.desk.command(Shelve(t_s=20.0, by="cox", alarm=door.id, minutes=30)))
    shed.begins(Kind.DRAFT)
    shed.wait(120)
    assert said(shed) == ["Door open"]
    assert door.suppression is Suppression.NONE


@pytest.mark.parametrize("danger", [k for k in Kind if is_danger(k)])
@pytest.mark.parametrize("first", [Kind.FIRE, Kind.SMOKE, Kind.DOOR_OPEN, Kind.SENSOR_FAULT])
def test_a_danger_is_folded_under_nothing(shed: Shed, first: Kind, danger: Kind) -> None:
    if danger is first:
        return
    shed.begins(first)
    shed.wait(30)
    shed.begins(danger)
    assert shed.alarm(danger).cause_alarm == ""
    assert shed.told[-1][1].kind is danger


def test_what_follows_and_turns_out_to_be_danger_is_told_at_once(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60)
    shed.begins(Kind.HEAT_LOST)
    shed.wait(60)
    shed.becomes(Kind.HEAT_LOST, Kind.FIRE)
    fire = shed.alarm(Kind.FIRE)
    assert (fire.cause_alarm, fire.id) == ("", "north-bench-2")
    assert shed.sayings()[-1] == (120.0, "Fire")


def test_nobody_missing_is_folded_under_a_fire(shed: Shed) -> None:
    shed.begins(Kind.FIRE)
    shed.wait(10)
    shed.begins(Kind.ATTENDANCE_OVERDUE)
    assert shed.told[-1][1].kind is Kind.ATTENDANCE_OVERDUE


def test_the_table_is_sound() -> None:
    for (first, then), follows in FOLLOWS.items():
        assert not is_danger(then) and CATALOGUE[then].may_hide
        assert 0 < follows.within_s <= 3600 and 0 <= follows.after_s <= 900
        assert first is then or ORDER[first] < ORDER[then] or first in BURNING
        if first is not then:
            assert (then, first) not in FOLLOWS, "neither may come first"


def test_a_cause_survives_a_restart(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60)
    shed.begins(Kind.HEAT_LOST)
    shed.wait(60)
    alarms, events = shed.desk.standing(), tuple(shed.open.values())
    told = {alarms[1].id: (("bench captain", "mailto:captain@shed.example"),)}
    again = Shed(make_desk(alarms=alarms, events=events, told=told), t_s=130.0, open=shed.open)
    again.wait(30)
    assert again.told == []
    again.ends(Kind.DOOR_OPEN)
    again.wait(330)
    assert said(again) == ["Over: door open", "Heat lost"]


def test_what_follows_is_told_once_its_first_cause_is_switched_off() -> None:
    shed = Shed(make_desk())
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(15.0)
    shed.begins(Kind.DRAFT)
    shed.wait(90.0)
    assert shed.alarm(Kind.DRAFT).cause_alarm == shed.alarm(Kind.DOOR_OPEN).id
    shed.switch_off(Kind.DOOR_OPEN)
    shed.wait(119.0)
    assert [title for _, title in shed.sayings()] == ["Door open"]
    shed.wait(2.0)
    assert not shed.alarm(Kind.DRAFT).cause_alarm
    assert [title for _, title in shed.sayings()] == ["Door open", "Draft"]
