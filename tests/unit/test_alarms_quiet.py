"""What is quiet before it comes: a door opened on purpose, an alarm that is switched off."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stillair.alarms.catalogue import CATALOGUE, is_danger
from stillair.alarms.off import MOST
from stillair.alarms.opening import OPENING_MINUTES, QUIET_AFTER_S
from stillair.errors import CommandRefused, Refusal
from stillair.model import (
    Annunciation,
    HeldState,
    Kind,
    OpeningState,
    OutOfServiceState,
    Shelve,
    Suppression,
    Unshelve,
)
from unit.alarm_shed import IDLE, Shed, make_desk

UNHIDDEN = [kind for kind in Kind if not CATALOGUE[kind].may_hide]


@pytest.fixture
def shed() -> Shed:
    return Shed(make_desk())


# --- the door, on purpose ---------------------------------------------------------


def test_a_door_that_was_announced_is_quiet_until_then_and_comes_back(shed: Shed) -> None:
    shed.opening(3)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60)
    door = shed.only()
    assert (door.suppression, door.shelved_until_s) == (Suppression.SHELVED, 180.0)
    assert door.shelved_reason == "the door is opened on purpose"
    assert shed.desk.opening(shed.t_s) == OpeningState(0.0, "cox", "", 180.0)
    shed.wait(119)
    assert shed.told == []
    shed.wait(1)
    assert shed.sayings() == [(180.0, "Door open")]
    assert shed.desk.opening(shed.t_s) is None


def test_said_afterwards_it_quietens_what_is_there(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60)
    shed.opening(3, "a look at the corner")
    assert shed.only().shelved_reason == "a look at the corner"
    shed.wait(100)
    shed.ends(Kind.DOOR_OPEN)
    shed.wait(30)
    assert [title for _, title in shed.sayings()] == ["Door open", "Over: door open"]


@pytest.mark.parametrize("kind", QUIET_AFTER_S)
def test_one_opening_is_no_message_at_all(shed: Shed, kind: Kind) -> None:
    shed.opening(3)
    shed.begins(Kind.DOOR_OPEN)
    if kind is not Kind.DOOR_OPEN:
        shed.wait(30)
        shed.begins(kind)
    shed.wait(100)
    shed.ends(Kind.DOOR_OPEN)
    if kind not in (Kind.DOOR_OPEN, Kind.DRAFT):
        shed.wait(300)  # the box warms again
    if kind is not Kind.DOOR_OPEN:
        shed.ends(kind)
    shed.wait(3600)
    assert shed.told == []
    assert shed.desk.standing() == ()


def test_heat_that_does_not_come_back_after_an_opening_is_told(shed: Shed) -> None:
    shed.opening(3)
    shed.begins(Kind.DOOR_OPEN)
    shed.begins(Kind.HEAT_LOST)
    shed.wait(100)
    shed.ends(Kind.DOOR_OPEN)
    shed.wait(379)
    assert shed.told == []
    shed.wait(1)
    assert shed.sayings() == [(480.0, "Heat lost")]  # 180 s and five minutes more


def test_a_door_that_stays_open_is_one_story_with_the_heat_it_loses(shed: Shed) -> None:
    shed.opening(3)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60)
    shed.begins(Kind.HEAT_LOST)
    shed.wait(600)
    assert {title.removeprefix("Still: ") for _, title in shed.sayings()} == {
        "Door open",
        "door open",
    }
    assert shed.alarm(Kind.HEAT_LOST).cause_alarm == shed.alarm(Kind.DOOR_OPEN).id


def test_who_has_shut_it_says_so_and_is_believed_for_a_minute(shed: Shed) -> None:
    shed.opening(10)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60)
    shed.shut()
    assert shed.desk.opening(shed.t_s) is None
    assert shed.only().shelved_until_s == 120.0
    shed.wait(59)
    assert shed.told == []
    shed.wait(1)
    assert shed.sayings() == [(120.0, "Door open")]


def test_another_tap_gives_it_another_end(shed: Shed) -> None:
    shed.opening(3)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(120)
    shed.opening(3)
    shed.wait(179)
    assert shed.told == []
    shed.wait(1)
    assert shed.sayings() == [(300.0, "Door open")]


def test_what_somebody_wants_to_hear_all_the_same_is_heard(shed: Shed) -> None:
    shed.opening(3)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(30)
    shed.keep(shed.desk.command(Unshelve(t_s=30.0, by="cox", alarm=shed.only().id)))
    shed.wait(30)
    assert shed.only().suppression is Suppression.NONE
    assert shed.sayings() == [(30.0, "Door open")]


def test_a_longer_quiet_made_by_hand_stays(shed: Shed) -> None:
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    shed.keep(shed.desk.command(Shelve(t_s=20.0, by="cox", alarm=shed.only().id, minutes=60)))
    shed.opening(3)
    shed.wait(300)
    assert shed.only().shelved_until_s == 3620.0


@pytest.mark.parametrize("kind", UNHIDDEN)
def test_no_opening_makes_danger_or_absence_quiet(shed: Shed, kind: Kind) -> None:
    shed.opening(30)
    shed.begins(kind)
    shed.wait(60)
    assert shed.only().suppression is Suppression.NONE
    assert shed.told[0][0] == 0.0


def test_a_door_that_turns_out_to_be_fire_is_told_in_its_opening(shed: Shed) -> None:
    shed.opening(30)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60)
    shed.becomes(Kind.DOOR_OPEN, Kind.FIRE)
    assert shed.only().suppression is Suppression.NONE
    assert shed.sayings() == [(60.0, "Fire")]


def test_other_alarms_are_told_in_an_opening(shed: Shed) -> None:
    shed.opening(30)
    shed.begins(Kind.SENSOR_FAULT, "top")
    shed.wait(350)
    assert shed.sayings() == [(340.0, "Sensor fault")]


def test_a_job_that_begins_in_an_opening_keeps_it_quiet(shed: Shed) -> None:
    building, shed.context = shed.context, IDLE
    shed.wait(1)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    assert shed.only().suppression is Suppression.SUPPRESSED_BY_DESIGN
    shed.opening(3)
    shed.context = building
    shed.wait(10)
    assert shed.only().suppression is Suppression.SHELVED
    assert shed.told == []


@pytest.mark.parametrize("minutes", [0.0, 0.9, 30.1, 480.0, float("nan"), float("inf"), -3.0])
def test_an_opening_has_an_end(shed: Shed, minutes: float) -> None:
    with pytest.raises(CommandRefused) as refused:
        shed.opening(minutes)
    assert refused.value.refusal is Refusal.FORBIDDEN
    assert shed.desk.opening(0.0) is None
    assert shed.duties == []


def test_ending_what_was_not_begun_is_harmless(shed: Shed) -> None:
    shed.shut()
    assert shed.duties == []
    assert OPENING_MINUTES[0] <= 3 <= OPENING_MINUTES[1]


def test_an_opening_ends_with_a_restart_as_all_shelving_does(shed: Shed) -> None:
    shed.opening(30)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(30)
    again = Shed(
        make_desk(
            alarms=shed.desk.standing(),
            events=tuple(shed.open.values()),
            duties=tuple(shed.duties),
            told={},
        ),
        t_s=40.0,
    )
    again.wait(2)
    assert again.only().suppression is Suppression.NONE
    assert [title for _, title in again.sayings()] == ["Door open"]


# --- switched off -------------------------------------------------------------------


def test_what_is_switched_off_is_said_by_nobody_and_stands_in_the_list(shed: Shed) -> None:
    shed.switch_off(Kind.DRAFT, reason="the window is being mended")
    shed.begins(Kind.DRAFT)
    shed.wait(4000)
    assert shed.told == []
    assert shed.only().suppression is Suppression.OUT_OF_SERVICE
    (off,) = shed.desk.out_of_service()
    assert (off.kind, off.by, off.since_s) == (Kind.DRAFT, "cox", 0.0)
    assert off.reason == "the window is being mended"
    shed.ends(Kind.DRAFT)
    shed.wait(60)
    assert shed.desk.standing() == ()
    assert shed.desk.out_of_service() == (off,)


def test_what_is_put_back_and_still_stands_is_told(shed: Shed) -> None:
    shed.begins(Kind.DRAFT)
    shed.wait(90)
    shed.switch_off(Kind.DRAFT)
    shed.wait(3600)
    assert [title for _, title in shed.sayings()] == ["Draft"]
    shed.put_back(Kind.DRAFT)
    assert shed.sayings()[-1] == (3690.0, "Still: draft")
    assert shed.only().annunciation is Annunciation.UNACKNOWLEDGED
    assert shed.desk.out_of_service() == ()
    shed.put_back(Kind.DRAFT)  # twice is harmless
    assert len([d for d in shed.duties if isinstance(d, OutOfServiceState)]) == 2


def test_one_sensor_is_switched_off_and_no_other(shed: Shed) -> None:
    shed.switch_off(Kind.SENSOR_FAULT, "low")
    shed.begins(Kind.SENSOR_FAULT, "low")
    shed.begins(Kind.SENSOR_FAULT, "top")
    shed.wait(350)
    assert [n.text.partition(",")[0] for _, n in shed.told] == [
        "Sensor top gives no reading that can be trusted"
    ]


@pytest.mark.parametrize("kind", UNHIDDEN)
def test_danger_and_absence_are_never_switched_off(shed: Shed, kind: Kind) -> None:
    with pytest.raises(CommandRefused) as refused:
        shed.switch_off(kind)
    assert refused.value.refusal is Refusal.FORBIDDEN
    assert shed.desk.out_of_service() == ()
    assert is_danger(kind) or kind is Kind.ATTENDANCE_OVERDUE


@pytest.mark.parametrize(
    ("kind", "subject", "reason"),
    [
        pytest.param(Kind.DRAFT, "", "", id="no reason"),
        pytest.param(Kind.DRAFT, "", "  ", id="blanks are no reason"),
        pytest.param(Kind.DRAFT, "", "a\nb", id="two lines"),
        pytest.param(Kind.DRAFT, "", "x" * 201, id="a long story"),
        pytest.param(Kind.SENSOR_FAULT, "", "its wire is cut", id="which sensor"),
        pytest.param(Kind.DELIVERY_FAULT, "", "no network", id="which route"),
        pytest.param(Kind.SENSOR_FAULT, "x" * 201, "its wire is cut", id="no name is so long"),
    ],
)
def test_what_needs_saying(shed: Shed, kind: Kind, subject: str, reason: str) -> None:
    with pytest.raises(CommandRefused) as refused:
        shed.switch_off(kind, subject, reason)
    assert refused.value.refusal is Refusal.FORBIDDEN
    assert shed.duties == []


def test_not_everything_can_be_switched_off(shed: Shed) -> None:
    for number in range(MOST):
        shed.switch_off(Kind.SENSOR_FAULT, f"{number}")
    with pytest.raises(CommandRefused):
        shed.switch_off(Kind.SENSOR_FAULT, "one more")
    shed.switch_off(Kind.SENSOR_FAULT, "7", "another reason")
    assert len(shed.desk.out_of_service()) == MOST


def test_it_survives_a_restart(shed: Shed) -> None:
    shed.switch_off(Kind.DRAFT)
    shed.begins(Kind.DRAFT)
    shed.wait(60)
    again = Shed(
        make_desk(
            alarms=shed.desk.standing(),
            events=tuple(shed.open.values()),
            duties=tuple(shed.duties),
            told={},
        ),
        t_s=100.0,
        open=shed.open,
    )
    again.wait(1000)
    assert again.told == []
    assert again.desk.out_of_service() == shed.desk.out_of_service()
    again.put_back(Kind.DRAFT)
    assert [title for _, title in again.sayings()] == ["Draft"]


def test_what_was_kept_by_another_program_hides_no_danger(shed: Shed) -> None:
    shed.switch_off(Kind.DRAFT)
    kept = shed.duties[-1]
    assert isinstance(kept, OutOfServiceState)
    forged = replace(kept, off=(replace(kept.off[0], kind=Kind.FIRE),))
    again = Shed(make_desk(duties=(forged, HeldState(0.0))))
    again.begins(Kind.FIRE)
    assert again.only().suppression is Suppression.NONE
    assert again.desk.out_of_service() == ()


def test_a_door_switched_off_that_turns_out_to_be_fire_is_told(shed: Shed) -> None:
    shed.switch_off(Kind.DOOR_OPEN)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60)
    shed.becomes(Kind.DOOR_OPEN, Kind.HEAT_LOST)
    assert shed.only().suppression is Suppression.NONE, "that one is not switched off"
    shed.becomes(Kind.HEAT_LOST, Kind.FIRE)
    assert [title for _, title in shed.sayings()] == ["Heat lost", "Now: fire"]


def test_what_a_person_waited_for_can_be_switched_off(shed: Shed) -> None:
    shed.switch_off(Kind.SOAK_READY, reason="nobody waits for it")
    shed.begins(Kind.SOAK_READY)
    assert shed.told == []


@pytest.mark.parametrize(
    ("kind", "reason", "fits"),
    [
        pytest.param(Kind.DOOR_OPEN, "", True, id="a door needs no reason"),
        pytest.param(Kind.DRAFT, "", True, id="nor does the draft"),
        pytest.param(Kind.HEAT_LOST, "", False, id="anything else does"),
        pytest.param(Kind.HEAT_LOST, "I changed the target", True, id="with one it can be"),
        pytest.param(Kind.SENSOR_FAULT, " ", False, id="blanks are none"),
    ],
)
def test_quiet_needs_a_reason_where_it_is_not_the_door(
    shed: Shed, kind: Kind, reason: str, fits: bool
) -> None:
    shed.begins(kind, "top" if kind is Kind.SENSOR_FAULT else "")
    shed.wait(60)
    command = Shelve(t_s=60.0, by="cox", alarm=shed.only().id, minutes=3, reason=reason)
    if fits:
        shed.keep(shed.desk.command(command))
        assert shed.only().suppression is Suppression.SHELVED
        return
    with pytest.raises(CommandRefused) as refused:
        shed.desk.command(command)
    assert refused.value.refusal is Refusal.FORBIDDEN
