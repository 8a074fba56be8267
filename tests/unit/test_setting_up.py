"""The computer is looked at once a minute: what begins and ends is told, once."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, cast

import pytest

from stillair.alarms.wording import line
from stillair.alerts.telephones import Telephones
from stillair.clock import ManualClock
from stillair.model import KIND_CLASS, Change, EventChange, Kind, Trouble
from stillair.runtime.found import State
from stillair.runtime.setting_up import SettingUp
from stillair.runtime.troubles import Troubles
from stillair.runtime.ways_tried import WaysTried
from stillair.sensing.board import Board, ClockFacts, DiskFacts, Throttled, Zone

NOW = datetime(2026, 11, 28, 14, 5, tzinfo=UTC)
WELL = Board(
    clock=ClockFacts(NOW, synchronised=True),
    disk=DiskFacts("/data", free_bytes=10**10),
    model="Single-board computer",
    throttled=Throttled(0),
    zones=(Zone("cpu", 50.0),),
)
SAGS = replace(WELL, throttled=Throttled.UNDER_VOLTAGE | Throttled.UNDER_VOLTAGE_WAS)
SAGGED = replace(WELL, throttled=Throttled.UNDER_VOLTAGE_WAS)
HOT = replace(WELL, zones=(Zone("cpu", 82.0),))
WARM = replace(WELL, zones=(Zone("cpu", 77.0),))
FULL = replace(WELL, disk=DiskFacts("/data", free_bytes=10**6))
UNSET = replace(WELL, clock=ClockFacts(NOW - timedelta(days=500), synchronised=False))


class Told:
    """A chamber whose watch only keeps what it is told."""

    def __init__(self) -> None:
        self.troubles: list[Trouble] = []
        self.clock = ManualClock()
        self.supervisor = self

    def put(self, told: Trouble) -> None:
        self.troubles.append(told)

    def what(self) -> list[tuple[Kind, str, bool]]:
        return [(t.kind, t.subject, t.active) for t in self.troubles]


class Shed:
    """A service's first five minutes, with a computer that the test changes."""

    def __init__(self, *, first: Board | None = WELL) -> None:
        self.told = Told()
        self.board = WELL
        self.now_s = 0.0
        self.broken = False
        chambers = cast("dict[str, Any]", {"bench": self.told})
        self.troubles = Troubles(chambers, ManualClock())
        self.setting_up = SettingUp(
            chambers=lambda: (),
            troubles=self.troubles,
            board=self._read,
            has_owner=lambda: True,
            ways=WaysTried({}, self.troubles.route),
            telephones=Telephones(Path("/nowhere/telephones.json"), ManualClock().wall),
            monotonic_s=lambda: self.now_s,
        )
        if first is not None:
            self.looks(first)

    def _read(self) -> Board:
        if self.broken:
            raise OSError("the disk hangs")
        return self.board

    def looks(self, *boards: Board) -> list[tuple[Kind, str, bool]]:
        """What is told when the computer is looked at so often, a minute apart."""
        for self.board in boards:
            self.setting_up.look()
            self.now_s += 60.0
        return self.told.what()


@pytest.mark.parametrize(
    ("boards", "told"),
    [
        pytest.param([WELL, WELL], [], id="well"),
        pytest.param(
            [WELL, SAGS, SAGS, WELL],
            [(Kind.POWER_FAULT, "", True), (Kind.POWER_FAULT, "", False)],
            id="the supply sags and holds again",
        ),
        pytest.param(
            [WELL, SAGGED, SAGGED],
            [(Kind.POWER_FAULT, "", True), (Kind.POWER_FAULT, "", False)],
            id="it sagged between two looks",
        ),
        pytest.param(
            [HOT, WARM, WELL],
            [(Kind.BOARD_FAULT, "heat", True), (Kind.BOARD_FAULT, "heat", False)],
            id="too hot, until it is five degrees cooler",
        ),
        pytest.param(
            [FULL, FULL, WELL],
            [(Kind.BOARD_FAULT, "disk", True), (Kind.BOARD_FAULT, "disk", False)],
            id="the disk is nearly full",
        ),
        pytest.param(
            [UNSET, WELL],
            [(Kind.CLOCK_FAULT, "time", True), (Kind.CLOCK_FAULT, "time", False)],
            id="the clock is set late",
        ),
    ],
)
def test_what_begins_and_ends_is_told_once(
    boards: list[Board], told: list[tuple[Kind, str, bool]]
) -> None:
    shed = Shed()
    assert shed.looks(*boards) == told
    assert bool(shed.troubles) is False


@pytest.mark.parametrize("first", [HOT, FULL, UNSET, SAGS])
def test_what_passes_in_the_first_minute_is_told_on_the_page_alone(first: Board) -> None:
    shed = Shed(first=first)
    assert shed.told.what() == []
    assert {f.state for f in shed.setting_up.found()} >= {State.UNFIT}
    assert shed.looks(WELL) == []
    assert [active for _, _, active in Shed(first=first).looks(first)] == [True], "it stayed"


def test_a_sag_of_before_we_began_is_none_of_ours() -> None:
    assert Shed(first=SAGGED).looks(SAGGED, SAGGED) == []


def test_while_something_stands_the_service_is_impaired() -> None:
    shed = Shed()
    shed.looks(HOT)
    assert shed.troubles
    assert shed.told.troubles[0].detail["reason"] == "82.0 °C"


def test_a_look_that_fails_ends_no_trouble(caplog: pytest.LogCaptureFixture) -> None:
    shed = Shed()
    shed.looks(HOT)
    shed.broken = True
    shed.looks(WELL)
    assert shed.told.what() == [(Kind.BOARD_FAULT, "heat", True)]
    assert "was not looked at" in caplog.text


def test_what_was_found_long_ago_is_not_said_to_be_so_still() -> None:
    shed = Shed()
    assert {found.thing for found in shed.setting_up.found()} >= {"supply", "disk"}
    shed.broken = True
    shed.looks(*[WELL] * 3)  # as when the disk hangs
    (found,) = shed.setting_up.found()
    assert (found.state, found.told[:33]) == (State.UNFIT, "it has not been looked at for 4 m")


def test_what_is_found_is_listed_in_the_order_of_doing_it() -> None:
    shed = Shed(first=None)
    shed.setting_up.is_demo = True
    assert [f.thing for f in shed.setting_up.found()] == ["chamber file", "computer"]
    shed.looks(FULL)
    found = {f.thing: f for f in shed.setting_up.found()}
    assert list(found) == ["chamber file", "supply", "board's heat", "clock", "disk", "memory"]
    assert found["disk"].state is State.UNFIT
    assert all(f.remedy for f in found.values() if f.state is State.UNFIT)


@pytest.mark.parametrize(
    ("kind", "subject", "reason", "said"),
    [
        (
            Kind.BOARD_FAULT,
            "heat",
            "82.0 °C",
            "The board that watches is too hot. 82.0 °C. Give it air: out of its case and away "
            "from the box, or with a fan.",
        ),
        (
            Kind.BOARD_FAULT,
            "disk",
            "only 12 MB free at /data",
            "The board's disk is full, nearly so, or read-only. Only 12 MB free at /data. Make "
            "room, or put in a larger card. Watching and alarms go on.",
        ),
        (
            Kind.POWER_FAULT,
            "",
            "its voltage is too low just now",
            "The board's supply is too weak. Its voltage is too low just now. Use a supply made "
            "for this board and a short, thick cable.",
        ),
    ],
)
def test_an_alarm_says_what_ails_the_board_and_what_to_do(
    kind: Kind, subject: str, reason: str, said: str
) -> None:
    signal_class, priority = KIND_CLASS[kind]
    detail = {"cause": "clear", "reason": reason}
    change = EventChange(
        1, Change.RAISED, 0.0, kind, signal_class, priority, 0.0, (), detail, subject=subject
    )
    assert line(change) == said
