"""What presses goes to the courier before anybody writes; all else only where that is late."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from stillair.alerts.routes import Message
from stillair.model import Kind, Notice, Outcome, Priority, Timeline
from stillair.runtime.handing import PATIENCE_S, Handing
from stillair.storage.records import Parcel

TIMELINE = Timeline("boot", 1.8e9)


def notice(key: str, kind: Kind = Kind.DOOR_OPEN, priority: Priority = Priority.MEDIUM) -> Notice:
    return Notice(key, "bench", "a", kind, priority, "cox", "mailto:cox@example.org", "t", "x", 5.0)


def outcome(*notices: Notice) -> Outcome:
    return Outcome("bench", 5.0, notices=notices)


@dataclass
class Shed:
    """A writer and a courier, and in which order they are given something."""

    now_s: float = 0.0
    waiting: int = 0
    stored: bool = True
    given: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.handing = Handing(lambda: self.now_s)

    def put(self, _outcome: Outcome, _timeline: Timeline) -> None:
        self.waiting += 1
        self.given.append("journal")

    def hand(self, messages: list[Message]) -> None:
        self.given += [message.key for message in messages]

    def take(self, *notices: Notice) -> list[str]:
        self.handing.take(outcome(*notices), TIMELINE, self, self.hand)
        return self.given

    def late(self) -> list[str]:
        return [message.key for message in self.handing.late(self)]


@pytest.mark.parametrize(
    ("told", "given"),
    [
        pytest.param(notice("m", Kind.FIRE, Priority.CRITICAL), ["m", "journal"], id="fire"),
        pytest.param(notice("m", Kind.SMOKE, Priority.HIGH), ["m", "journal"], id="smoke"),
        pytest.param(
            notice("m", Kind.ATTENDANCE_OVERDUE, Priority.HIGH), ["m", "journal"], id="nobody near"
        ),
        pytest.param(notice("m", Kind.STORE_FAULT, Priority.HIGH), ["journal"], id="a trouble"),
        pytest.param(notice("m"), ["journal"], id="a door"),
    ],
)
def test_what_presses_is_handed_over_before_it_is_written(told: Notice, given: list[str]) -> None:
    assert Shed().take(told) == given


@pytest.mark.parametrize(
    ("waiting", "stored", "late"),
    [
        pytest.param(1, True, ["m", "n"], id="the disk hangs"),
        pytest.param(0, False, ["m", "n"], id="taken and not written"),
        pytest.param(0, True, [], id="all is kept"),
    ],
)
def test_what_the_journal_has_not_taken_in_time_goes_out_once(
    waiting: int, stored: bool, late: list[str]
) -> None:
    shed = Shed()
    shed.take(notice("m"))
    shed.take(notice("n", Kind.FIRE, Priority.CRITICAL))
    shed.waiting, shed.stored = waiting, stored
    shed.now_s = PATIENCE_S - 0.1
    assert shed.late() == []
    shed.now_s = PATIENCE_S
    assert shed.late() == late
    assert shed.late() == []


def test_what_will_never_be_written_goes_out_and_is_not_late_as_well() -> None:
    shed = Shed()
    shed.take(notice("m"))
    parcel = Parcel(outcome(notice("m")), TIMELINE)
    assert [message.key for message in shed.handing.never_kept(parcel)] == ["m"]
    shed.now_s = 2 * PATIENCE_S
    assert shed.late() == []
