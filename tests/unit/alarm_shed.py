"""A desk of alarms in a boat shed, with the seconds that pass and what comes out of it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from stillair.alarms.catalogue import AlarmContext
from stillair.alarms.desk import AlarmDesk, AlarmResult, Person
from stillair.model import (
    KIND_CLASS,
    Acknowledge,
    AlarmState,
    Change,
    Duty,
    EndOpening,
    EventChange,
    ExpectOpening,
    JobPhase,
    Kind,
    Notice,
    Phase,
    PutBack,
    TakeOut,
)

CAPTAIN = Person("bench captain", ("mailto:captain@shed.example",))
COX = Person("cox", ("mailto:cox@shed.example", "mailto:captain@shed.example"))
BUILDING = AlarmContext(Phase.STEADY, JobPhase.RUNNING)
IDLE = AlarmContext(Phase.COLD, None)


def change(number: int, what: Change, at_s: float, kind: Kind, **more: Any) -> EventChange:
    signal_class, priority = KIND_CLASS[kind]
    base = EventChange(
        event=number,
        change=what,
        at_s=at_s,
        kind=kind,
        signal_class=signal_class,
        priority=priority,
        onset_s=at_s,
        sensors=("top",),
        detail={"cause": "clear"},
        end_s=at_s if what is Change.CLEARED else None,
    )
    return replace(base, **more)


@dataclass
class Shed:
    """A desk with the seconds that pass, and everything that came out of it."""

    desk: AlarmDesk
    t_s: float = 0.0
    context: AlarmContext = BUILDING
    alarms: dict[str, AlarmState] = field(default_factory=dict)
    told: list[tuple[float, Notice]] = field(default_factory=list)
    numbers: int = 0
    open: dict[tuple[Kind, str], EventChange] = field(default_factory=dict)
    start_at: datetime | None = None  # the hour at second 0, where quiet hours matter
    duties: list[Duty] = field(default_factory=list)

    def keep(self, result: AlarmResult) -> None:
        for alarm in result.alarms:
            self.alarms[alarm.id] = alarm
        self.duties += result.duties
        self.told += [(self.t_s, notice) for notice in result.notices]

    def wait(self, seconds: float) -> None:
        end_s = self.t_s + seconds
        while self.t_s < end_s:
            self.t_s += 1.0
            at = None if self.start_at is None else self.start_at + timedelta(seconds=self.t_s)
            self.keep(self.desk.tick(self.t_s, self.context, at))

    def begins(self, kind: Kind, subject: str = "", **more: Any) -> int:
        self.numbers += 1
        event = change(self.numbers, Change.RAISED, self.t_s, kind, subject=subject, **more)
        self.open[kind, subject] = event
        self.keep(self.desk.take(event))
        return self.numbers

    def becomes(self, was: Kind, kind: Kind, subject: str = "") -> None:
        event = self.open.pop((was, subject))
        event = change(event.event, Change.REVISED, self.t_s, kind, subject=subject)
        self.open[kind, subject] = event
        self.keep(self.desk.take(event))

    def ends(self, kind: Kind, subject: str = "") -> None:
        event = self.open.pop((kind, subject))
        event = replace(event, change=Change.CLEARED, at_s=self.t_s, end_s=self.t_s)
        self.keep(self.desk.take(event))

    def seen(self, alarm: str) -> None:
        self.keep(self.desk.command(Acknowledge(t_s=self.t_s, by="cox", alarm=alarm)))

    def opening(self, minutes: float, reason: str = "") -> None:
        command = ExpectOpening(t_s=self.t_s, by="cox", minutes=minutes, reason=reason)
        self.keep(self.desk.arrange(command))

    def shut(self) -> None:
        self.keep(self.desk.arrange(EndOpening(t_s=self.t_s, by="cox")))

    def switch_off(self, kind: Kind, subject: str = "", reason: str = "its wire is cut") -> None:
        command = TakeOut(t_s=self.t_s, by="cox", kind=kind, subject=subject, reason=reason)
        self.keep(self.desk.arrange(command))

    def put_back(self, kind: Kind, subject: str = "") -> None:
        self.keep(self.desk.arrange(PutBack(t_s=self.t_s, by="cox", kind=kind, subject=subject)))

    def alarm(self, kind: Kind, subject: str = "") -> AlarmState:
        (found,) = (a for a in self.desk.standing() if (a.kind, a.subject) == (kind, subject))
        return found

    def only(self) -> AlarmState:
        (alarm,) = self.desk.standing()
        return alarm

    def sayings(self) -> list[tuple[float, str]]:
        """When what was said to the captain: the title without the chamber's name."""
        return [
            (t_s, notice.title.removeprefix("north bench: "))
            for t_s, notice in self.told
            if notice.route == CAPTAIN.routes[0]
        ]

    def ways(self) -> list[tuple[float, str, str]]:
        """When what was said by which route: its end after the colon, without the domain."""
        return [
            (t_s, notice.route.partition(":")[2].partition("@")[0], notice.stage)
            for t_s, notice in self.told
        ]


def make_desk(*people: Person, mark: str = "", **more: Any) -> AlarmDesk:
    return AlarmDesk(
        chamber="north-bench",
        chamber_name="north bench",
        people=people or (CAPTAIN,),
        mark=mark,
        **more,
    )
