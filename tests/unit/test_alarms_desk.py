"""The desk: who is told what and when, over seconds and whole nights, without a sleep."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stillair.alarms.catalogue import CATALOGUE
from stillair.alarms.desk import CONFIRM_S, AlarmResult
from stillair.errors import CommandRefused, Refusal
from stillair.model import (
    Acknowledge,
    Annunciation,
    Change,
    Kind,
    Priority,
    Reset,
    Shelve,
    Sounding,
    Suppression,
    Unshelve,
)
from unit.alarm_shed import BUILDING, CAPTAIN, COX, IDLE, Shed, make_desk


@pytest.fixture
def shed() -> Shed:
    return Shed(make_desk())


def test_an_open_door_is_told_after_its_delay_and_again_until_it_is_shut(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(9)
    assert shed.desk.standing() == ()
    shed.wait(1)
    assert shed.only().annunciation is Annunciation.UNACKNOWLEDGED
    shed.wait(1500)
    shed.ends(Kind.DOOR_OPEN)
    shed.wait(15)
    # told at 10 s; again when it has stood told for 180, 360, 720 and 1440 s
    assert shed.sayings() == [
        (10.0, "Door open"),
        (190.0, "Still: door open"),
        (370.0, "Still: door open"),
        (730.0, "Still: door open"),
        (1450.0, "Still: door open"),
        (1525.0, "Over: door open"),
    ]
    assert shed.only().annunciation is Annunciation.RETURNED_UNACKNOWLEDGED
    shed.seen("north-bench-1")
    assert shed.desk.standing() == ()
    assert shed.alarms["north-bench-1"].annunciation is Annunciation.NORMAL
    assert shed.alarms["north-bench-1"].acknowledged_by == "cox"


def test_a_door_that_is_shut_is_leaving_at_once_and_over_later(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    assert shed.desk.leaving() == frozenset()
    shed.ends(Kind.DOOR_OPEN)
    assert shed.desk.leaving() == {shed.only().id}
    shed.wait(5)
    shed.begins(Kind.DOOR_OPEN)
    assert shed.desk.leaving() == frozenset()
    shed.ends(Kind.DOOR_OPEN)
    shed.wait(15)
    assert (shed.only().condition, shed.desk.leaving()) == (False, frozenset())


def test_the_door_is_said_again_though_somebody_has_seen_it(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    shed.seen("north-bench-1")
    shed.wait(180)
    assert shed.sayings()[-1] == (190.0, "Still: door open")


def test_a_draft_that_was_seen_is_said_again_half_an_hour_later_if_it_still_stands(
    shed: Shed,
) -> None:
    shed.begins(Kind.DRAFT)
    shed.wait(200)
    shed.seen("north-bench-1")
    shed.wait(1799)
    assert shed.sayings() == [(80.0, "Draft")], "whoever has seen it is on the way to it"
    shed.wait(1)
    assert shed.sayings()[1:] == [(2000.0, "Still: draft")]
    assert shed.only().annunciation is Annunciation.UNACKNOWLEDGED, "it asks again"
    shed.ends(Kind.DRAFT)
    shed.wait(30)
    assert shed.sayings()[-1] == (2030.0, "Over: draft")


def test_a_draft_that_nobody_has_seen_is_said_again_after_ten_minutes(shed: Shed) -> None:
    shed.begins(Kind.DRAFT)
    shed.wait(680)
    assert (680.0, "Still: draft") in shed.sayings()


def test_a_short_gust_within_the_on_delay_is_no_alarm(shed: Shed) -> None:
    shed.begins(Kind.DRAFT)
    shed.wait(19)
    shed.ends(Kind.DRAFT)
    shed.wait(300)
    assert shed.alarms == {}
    assert shed.told == []


def test_a_door_that_is_opened_ten_times_is_one_alarm_and_few_messages(shed: Shed) -> None:
    for _ in range(10):
        shed.begins(Kind.DOOR_OPEN)
        shed.wait(30)
        shed.ends(Kind.DOOR_OPEN)
        shed.wait(30)
    assert list(shed.alarms) == ["north-bench-1"]
    # 10 min of it: raised and over at first, then at most one pair in 3 min
    assert len(shed.told) <= 8


def test_fire_sounds_and_is_told_at_once_and_stays_until_seen_and_cleared(shed: Shed) -> None:
    shed.begins(Kind.FIRE)
    assert shed.desk.sounding() is Sounding.FIRE
    assert shed.sayings() == [(0.0, "Fire")]
    shed.wait(200)
    shed.ends(Kind.FIRE)
    shed.wait(61)
    assert shed.only().annunciation is Annunciation.LATCHED_UNACKNOWLEDGED
    assert shed.desk.sounding() is Sounding.FIRE, "over, but nobody has seen it"
    shed.seen("north-bench-1")
    assert shed.desk.sounding() is Sounding.SILENT
    shed.wait(86_400)
    assert shed.only().annunciation is Annunciation.LATCHED_ACKNOWLEDGED
    shed.keep(shed.desk.command(Reset(t_s=shed.t_s, by="cox", alarm="north-bench-1")))
    assert shed.desk.standing() == ()


def test_a_fire_that_was_seen_and_goes_on_calls_again_after_ten_minutes(shed: Shed) -> None:
    shed.begins(Kind.FIRE)
    shed.wait(30)
    shed.seen("north-bench-1")
    shed.wait(599)
    assert shed.desk.sounding() is Sounding.SILENT
    shed.wait(1)
    assert shed.desk.sounding() is Sounding.FIRE
    assert shed.sayings()[-1] == (630.0, "Still: fire")
    assert (shed.only().acknowledged_by, shed.only().acknowledged_s) == (None, None)


def test_flame_becomes_fire_as_one_story(shed: Shed) -> None:
    shed.begins(Kind.FLAME)
    assert shed.desk.sounding() is Sounding.ATTENTION
    shed.seen("north-bench-1")
    assert shed.desk.sounding() is Sounding.SILENT
    shed.wait(5)
    shed.becomes(Kind.FLAME, Kind.FIRE)
    assert shed.desk.sounding() is Sounding.FIRE, "worse than what was seen: it asks again"
    alarm = shed.only()
    assert (alarm.id, alarm.kind, alarm.priority) == ("north-bench-1", Kind.FIRE, Priority.CRITICAL)
    assert [said for _, said in shed.sayings()] == ["Flame seen", "Now: fire"]


def test_a_danger_is_not_explained_away(shed: Shed) -> None:
    shed.begins(Kind.RAPID_RISE)
    shed.wait(5)
    shed.becomes(Kind.RAPID_RISE, Kind.DOOR_OPEN)
    assert shed.only().kind is Kind.RAPID_RISE
    shed.wait(60)
    danger, door = shed.desk.standing()
    assert (danger.id, danger.kind) == ("north-bench-1", Kind.RAPID_RISE)
    assert danger.annunciation is Annunciation.RETURNED_UNACKNOWLEDGED
    assert shed.desk.sounding() is Sounding.ATTENTION, "until somebody has seen it"
    assert (door.id, door.kind) == ("north-bench-1b", Kind.DOOR_OPEN), "and the door, beside it"
    over = [notice.text for _, notice in shed.told if ":over:" in notice.key]
    assert "as far as can be told: it looks like this now: door open." in over[0]
    shed.ends(Kind.DOOR_OPEN)
    shed.wait(20)
    shed.seen("north-bench-1b")
    shed.seen("north-bench-1")
    assert shed.desk.standing() == ()


def test_a_fire_beside_what_was_taken_for_one_loses_neither(shed: Shed) -> None:
    shed.begins(Kind.FIRE)
    shed.becomes(Kind.FIRE, Kind.HEAT_LOST)
    shed.wait(90)
    shed.begins(Kind.FIRE)
    kinds = [(a.id, a.kind, a.condition) for a in shed.desk.standing()]
    assert kinds == [
        ("north-bench-1", Kind.FIRE, True),
        ("north-bench-1b", Kind.HEAT_LOST, True),
    ]


def test_a_door_that_turns_out_to_be_lost_heat_ends_its_quiet(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    shed.keep(shed.desk.command(Shelve(t_s=shed.t_s, by="cox", alarm="north-bench-1", minutes=30)))
    shed.becomes(Kind.DOOR_OPEN, Kind.HEAT_LOST)
    alarm = shed.only()
    assert (alarm.kind, alarm.suppression) == (Kind.HEAT_LOST, Suppression.NONE)
    assert shed.sayings()[-1] == (20.0, "Now: heat lost")


def test_an_event_that_joins_another_alarm_ends_its_own(shed: Shed) -> None:
    shed.begins(Kind.HEAT_LOST)
    shed.wait(20)
    shed.ends(Kind.HEAT_LOST)
    shed.wait(40)  # over, not yet seen
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    shed.becomes(Kind.DOOR_OPEN, Kind.HEAT_LOST)
    assert shed.alarms["north-bench-2"].annunciation is Annunciation.NORMAL
    assert shed.only().id == "north-bench-1"
    assert shed.only().annunciation is Annunciation.UNACKNOWLEDGED


def test_kinds_that_flutter_do_not_flood(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    for _ in range(60):
        shed.becomes(Kind.DOOR_OPEN, Kind.HEAT_LOST)
        shed.wait(5)
        shed.becomes(Kind.HEAT_LOST, Kind.DOOR_OPEN)
        shed.wait(5)
    assert len(shed.told) <= 8  # in 10 min: raised, worse, and one in 3 min


def test_the_last_good_sensor_gone_is_more_urgent_than_one_of_three(shed: Shed) -> None:
    shed.begins(Kind.SENSOR_FAULT, "low")
    shed.wait(50)
    shed.seen("north-bench-1")
    event = shed.open[Kind.SENSOR_FAULT, "low"]
    shed.keep(
        shed.desk.take(replace(event, change=Change.REVISED, at_s=shed.t_s, priority=Priority.HIGH))
    )
    assert shed.only().annunciation is Annunciation.UNACKNOWLEDGED
    assert shed.desk.sounding() is Sounding.ATTENTION
    assert shed.sayings()[-1] == (50.0, "Sensor fault"), "at once, though one of three was not"


def test_two_sensors_are_two_alarms(shed: Shed) -> None:
    shed.begins(Kind.SENSOR_FAULT, "low")
    shed.begins(Kind.SENSOR_FAULT, "top")
    shed.wait(50)
    assert {alarm.subject for alarm in shed.desk.standing()} == {"low", "top"}


def test_shelving_is_quiet_for_its_time_and_then_said_anew(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    said = len(shed.told)
    command = Shelve(t_s=shed.t_s, by="cox", alarm="north-bench-1", minutes=3, reason="airing")
    shed.keep(shed.desk.command(command))
    alarm = shed.only()
    assert (alarm.suppression, alarm.shelved_until_s) == (Suppression.SHELVED, 200.0)
    assert alarm.shelved_reason == "airing"
    shed.wait(179)
    assert len(shed.told) == said
    shed.wait(1)
    assert shed.only().suppression is Suppression.NONE
    assert shed.only().annunciation is Annunciation.UNACKNOWLEDGED
    assert shed.only().shelved_until_s is None
    assert shed.sayings()[-1] == (200.0, "Still: door open")


def test_a_door_that_shuts_and_opens_within_its_shelving_stays_quiet(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    shed.keep(shed.desk.command(Shelve(t_s=20.0, by="cox", alarm="north-bench-1", minutes=10)))
    shed.ends(Kind.DOOR_OPEN)
    shed.wait(30)
    assert shed.only().suppression is Suppression.SHELVED
    assert shed.sayings()[-1] == (35.0, "Over: door open")
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60)
    assert shed.only().id == "north-bench-1"
    assert shed.sayings()[-1] == (35.0, "Over: door open")
    shed.keep(shed.desk.command(Unshelve(t_s=shed.t_s, by="cox", alarm="north-bench-1")))
    assert shed.only().annunciation is Annunciation.UNACKNOWLEDGED
    assert shed.sayings()[-1] == (110.0, "Door open")


@pytest.mark.parametrize(
    ("kind", "minutes", "refusal"),
    [
        pytest.param(Kind.FIRE, 3, Refusal.FORBIDDEN, id="fire"),
        pytest.param(Kind.DETECTOR_CONTACT, 3, Refusal.FORBIDDEN, id="detector"),
        pytest.param(Kind.SMOKE, 3, Refusal.FORBIDDEN, id="smoke"),
        pytest.param(Kind.FLAME, 3, Refusal.FORBIDDEN, id="flame"),
        pytest.param(Kind.RAPID_RISE, 3, Refusal.FORBIDDEN, id="rapid rise"),
        pytest.param(Kind.OVER_TEMPERATURE, 3, Refusal.FORBIDDEN, id="too hot"),
        pytest.param(Kind.DOOR_OPEN, 0.5, Refusal.FORBIDDEN, id="too short"),
        pytest.param(Kind.DOOR_OPEN, 481, Refusal.FORBIDDEN, id="longer than a shift"),
        pytest.param(Kind.DOOR_OPEN, float("nan"), Refusal.FORBIDDEN, id="no number"),
        pytest.param(Kind.DOOR_OPEN, float("inf"), Refusal.FORBIDDEN, id="for ever"),
    ],
)
def test_what_cannot_be_shelved(shed: Shed, kind: Kind, minutes: float, refusal: Refusal) -> None:
    shed.begins(kind)
    shed.wait(20)
    before = shed.desk.standing()
    with pytest.raises(CommandRefused) as refused:
        shed.desk.command(Shelve(t_s=20.0, by="cox", alarm="north-bench-1", minutes=minutes))
    assert refused.value.refusal is refusal
    assert shed.desk.standing() == before


def test_seeing_is_idempotent_and_harmless_afterwards(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    shed.seen("north-bench-1")
    result = shed.desk.command(Acknowledge(t_s=25.0, by="stroke", alarm="north-bench-1"))
    assert result == AlarmResult()
    assert shed.only().acknowledged_by == "cox", "the first who saw it"
    assert shed.only().acknowledged_s == 20.0
    shed.ends(Kind.DOOR_OPEN)
    shed.wait(20)
    assert shed.desk.standing() == ()
    late = Acknowledge(t_s=90.0, by="stroke", alarm="north-bench-1")
    assert shed.desk.command(late) == AlarmResult()


@pytest.mark.parametrize("alarm", ["north-bench-7", "", "south-1", "x" * 5000])
def test_an_unknown_alarm_is_refused(shed: Shed, alarm: str) -> None:
    with pytest.raises(CommandRefused) as refused:
        shed.desk.command(Acknowledge(t_s=0.0, by="cox", alarm=alarm))
    assert refused.value.refusal is Refusal.UNKNOWN


def test_a_standing_danger_cannot_be_cleared(shed: Shed) -> None:
    shed.begins(Kind.FIRE)
    for _ in range(2):
        with pytest.raises(CommandRefused) as refused:
            shed.desk.command(Reset(t_s=0.0, by="cox", alarm="north-bench-1"))
        assert refused.value.refusal is Refusal.CONFLICT
        shed.seen("north-bench-1")


def test_an_idle_cold_box_may_stand_open_until_a_job_begins(shed: Shed) -> None:
    shed.context = IDLE
    shed.wait(1)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(600)
    assert shed.only().suppression is Suppression.SUPPRESSED_BY_DESIGN
    assert shed.told == []
    shed.context = BUILDING
    shed.wait(1)
    assert shed.only().annunciation is Annunciation.UNACKNOWLEDGED
    assert shed.sayings() == [(602.0, "Door open")]


def test_what_was_expected_ends_without_a_word(shed: Shed) -> None:
    shed.context = IDLE
    shed.wait(1)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60)
    shed.ends(Kind.DOOR_OPEN)
    shed.wait(60)
    assert shed.desk.standing() == ()
    assert shed.told == []


def test_everybody_is_told_once_on_each_route() -> None:
    shed = Shed(make_desk(CAPTAIN, COX))
    shed.begins(Kind.FIRE)
    routes = [notice.route for _, notice in shed.told]
    assert routes == ["mailto:captain@shed.example", "mailto:cox@shed.example"]
    assert len({notice.key for _, notice in shed.told}) == 2


def test_a_failing_route_is_not_told_of_its_own_failure() -> None:
    shed = Shed(make_desk(CAPTAIN, COX))
    shed.begins(Kind.DELIVERY_FAULT, "mailto:captain@shed.example")
    assert [notice.route for _, notice in shed.told] == ["mailto:cox@shed.example"]


@pytest.mark.parametrize("kind", [Kind.SOAK_READY, Kind.COOL_ENOUGH])
def test_a_notice_is_said_once_and_asks_for_nothing(shed: Shed, kind: Kind) -> None:
    shed.begins(kind)
    assert len(shed.told) == 1
    assert shed.told[0][1].alarm is None
    shed.ends(kind)
    shed.begins(kind)  # flutters
    shed.wait(3 * 3600)
    assert len(shed.told) == 1
    assert shed.desk.standing() == ()
    shed.ends(kind)
    shed.begins(kind)  # the next day, so to speak
    assert len(shed.told) == 2
    assert len({notice.key for _, notice in shed.told}) == 2


def test_simulated_is_said_in_every_message() -> None:
    told = []
    for kind in Kind:
        shed = Shed(make_desk(mark="Simulated"))
        shed.begins(kind)
        shed.wait(400)
        shed.ends(kind)
        shed.wait(100)
        told += shed.told
    assert len(told) > 2 * len(Kind) - 6
    for _, notice in told:
        assert notice.text.startswith("Simulated: ")
        assert notice.title.startswith("Simulated: ")


def test_the_clock_is_on_the_page_only(shed: Shed) -> None:
    shed.begins(Kind.CLOCK_FAULT)
    shed.wait(70)
    assert shed.only().kind is Kind.CLOCK_FAULT
    assert shed.told == []


def test_the_most_urgent_stands_first(shed: Shed) -> None:
    for kind in (Kind.TOO_WARM, Kind.DOOR_OPEN, Kind.STORE_FAULT, Kind.FIRE):
        shed.begins(kind)
        shed.wait(61)
    kinds = [alarm.kind for alarm in shed.desk.standing()]
    assert kinds == [Kind.FIRE, Kind.STORE_FAULT, Kind.DOOR_OPEN, Kind.TOO_WARM]


# --- restarts -------------------------------------------------------------------


def again(shed: Shed, *, later_s: float = 100.0) -> Shed:
    """The same shed after a restart: a new boot, whose seconds begin `later_s` before now."""
    shift_s = shed.t_s - later_s
    alarms = tuple(
        replace(
            alarm,
            raised_s=alarm.raised_s - shift_s,
            changed_s=alarm.changed_s - shift_s,
            shelved_until_s=None
            if alarm.shelved_until_s is None
            else alarm.shelved_until_s - shift_s,
        )
        for alarm in shed.desk.standing()
    )
    return Shed(make_desk(alarms=alarms), t_s=later_s, numbers=shed.numbers)


def test_a_fire_sounds_on_after_a_restart(shed: Shed) -> None:
    shed.begins(Kind.FIRE)
    shed.wait(100)
    shed = again(shed)
    assert shed.desk.sounding() is Sounding.FIRE
    shed.wait(1)
    assert shed.told == [], "people know already"
    shed.begins(Kind.FIRE)  # the detectors have seen it again
    shed.wait(CONFIRM_S + 100)
    assert shed.only().id == "north-bench-1"
    assert shed.only().condition


def test_what_is_not_seen_again_after_a_restart_ends_but_a_danger_stays_shown(shed: Shed) -> None:
    shed.begins(Kind.FIRE)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    shed.seen("north-bench-2")
    shed = again(shed)
    shed.wait(CONFIRM_S + 1)
    assert shed.only().kind is Kind.FIRE
    assert shed.only().annunciation is Annunciation.LATCHED_UNACKNOWLEDGED
    assert shed.desk.sounding() is Sounding.FIRE


def test_shelving_ends_with_a_restart(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    shed.keep(shed.desk.command(Shelve(t_s=20.0, by="cox", alarm="north-bench-1", minutes=400)))
    shed = again(shed)
    shed.wait(1)
    assert shed.alarms["north-bench-1"].suppression is Suppression.NONE
    assert shed.only().annunciation is Annunciation.UNACKNOWLEDGED


def test_a_message_after_a_restart_has_a_key_of_its_own(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(300)
    before = {notice.key for _, notice in shed.told}
    shed = again(shed)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(1000)
    after = {notice.key for _, notice in shed.told}
    assert len(before) == 2
    assert len(after) > 1
    assert before.isdisjoint(after)


def test_an_alarm_that_was_cleared_by_its_old_number_ends(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    known = shed.open
    shed = again(shed)
    shed.open = known
    shed.wait(60)
    shed.ends(Kind.DOOR_OPEN)
    shed.wait(20)
    assert shed.only().annunciation is Annunciation.RETURNED_UNACKNOWLEDGED


def test_an_event_that_still_stands_keeps_its_alarm_without_being_raised_again(shed: Shed) -> None:
    shed.begins(Kind.CAMERA_FAULT, detail={"cause": "clear", "reason": "no picture"})
    shed.wait(60)
    alarms, events = shed.desk.standing(), tuple(shed.open.values())
    shed = Shed(make_desk(alarms=alarms, events=events), t_s=60.0, open=shed.open)
    shed.wait(2 * CONFIRM_S)
    assert shed.only().condition
    shed.ends(Kind.CAMERA_FAULT)
    shed.wait(30)
    assert shed.only().annunciation is Annunciation.RETURNED_UNACKNOWLEDGED
    assert "no picture" in shed.told[-1][1].text.lower(), "its details are known again"


def test_an_event_that_was_in_its_on_delay_at_a_restart_becomes_an_alarm(shed: Shed) -> None:
    shed.begins(Kind.CAMERA_FAULT)
    shed.wait(10)
    assert shed.desk.standing() == ()
    shed = Shed(make_desk(events=tuple(shed.open.values())), t_s=10.0)
    shed.wait(30)
    assert shed.desk.standing() == ()
    shed.wait(1)
    assert shed.only().id == "north-bench-1"
    assert shed.told == [], "it may pass by itself: the page alone says it"
    shed.wait(300)
    assert len(shed.told) == 1


def test_a_notice_is_not_said_again_after_a_restart(shed: Shed) -> None:
    shed.begins(Kind.SOAK_READY)
    shed = Shed(make_desk(events=tuple(shed.open.values())), t_s=10.0)
    shed.wait(100)
    assert shed.told == []


def test_a_danger_that_became_harmless_stays_unseen_through_a_restart(shed: Shed) -> None:
    shed.begins(Kind.RAPID_RISE)
    shed.becomes(Kind.RAPID_RISE, Kind.DOOR_OPEN)
    alarms, events = shed.desk.standing(), tuple(shed.open.values())
    shed = Shed(make_desk(alarms=alarms, events=events), open=shed.open)
    shed.wait(CONFIRM_S + 1)
    kinds = {a.kind: a.annunciation for a in shed.desk.standing()}
    assert kinds == {
        Kind.RAPID_RISE: Annunciation.RETURNED_UNACKNOWLEDGED,
        Kind.DOOR_OPEN: Annunciation.UNACKNOWLEDGED,
    }


def test_a_whole_night_in_a_loop(shed: Shed) -> None:
    """Ten hours: a job with a door left open, a dead sensor and a quiet end."""
    shed.wait(3600)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(2 * 3600)
    shed.ends(Kind.DOOR_OPEN)
    shed.wait(600)
    shed.begins(Kind.SENSOR_FAULT, "low")
    shed.wait(3 * 3600)
    shed.ends(Kind.SENSOR_FAULT, "low")
    shed.wait(3 * 3600)
    stages = [notice.key.split(":")[1] for _, notice in shed.told]
    assert stages.count("raised") == 2
    assert stages.count("over") == 2
    # door: 3, 6, 12, 24, 48, 78, 108 min after it was told; sensor: 60, 120 min
    assert stages.count("still") == 9
    assert all(a.annunciation is Annunciation.RETURNED_UNACKNOWLEDGED for a in shed.desk.standing())


def test_rules_used_above_are_those_of_the_catalogue() -> None:
    door = CATALOGUE[Kind.DOOR_OPEN]
    assert (door.on_delay_s, door.off_delay_s, door.repeat_s) == (10.0, 15.0, 180.0)
