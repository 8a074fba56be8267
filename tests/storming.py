"""An alarm storm in a process that is killed: what happens, is answered and goes out, all at once.

Events of many kinds begin and end, people acknowledge, shelve and clear, and the messages
of all that go to a real mail server, those that press at the same moment as they are stored,
as in the service. Told of, a line each: alarms that are kept, acknowledgements that are,
messages that are known as sent. The next process goes on where the journal says.
"""

from __future__ import annotations

import asyncio
import logging
import random
import sys
import threading
import zlib
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path

from kept_things import CHAMBER
from stillair.alarms.catalogue import AlarmContext
from stillair.alarms.desk import AlarmDesk, AlarmResult, Person
from stillair.alerts.courier import Courier, CourierPlan
from stillair.alerts.mail import MailRoute, MailSettings
from stillair.alerts.pacing import presses
from stillair.alerts.routes import Message
from stillair.clock import SystemClock
from stillair.errors import CommandRefused
from stillair.model import (
    KIND_CLASS,
    Acknowledge,
    AlarmCommand,
    Change,
    EventChange,
    JobPhase,
    JsonValue,
    Kind,
    Outcome,
    Phase,
    Reset,
    Shelve,
    Timeline,
    Unshelve,
)
from stillair.storage.journal import Journal

ALARM, SEEN, SENT = 1, 2, 3  # what a child tells of
SPEED = 200.0  # of the storm's seconds, so that delays and repeats come within a short life
PEOPLE = (
    Person("bench captain", ("mailto:captain@shed.example", "mailto:captain@home.example")),
    Person("cox", ("mailto:cox@shed.example",)),
)
STANDING = 10
KINDS = (
    *(Kind.FIRE, Kind.SMOKE, Kind.OVER_TEMPERATURE, Kind.DETECTOR_CONTACT),
    *(Kind.DOOR_OPEN, Kind.DRAFT, Kind.HEAT_LOST, Kind.SENSOR_FAULT, Kind.CAMERA_FAULT),
)
QUICK = CourierPlan(first_pause_s=0.02, longest_pause_s=0.2, pressing_pause_s=0.1, idle_s=0.2)
DRAINING = CourierPlan(
    first_pause_s=0.02, longest_pause_s=0.2, pressing_pause_s=0.1, idle_s=0.1, every_s=0.0
)
Tell = Callable[..., None]


def timeline(path: Path) -> Timeline:
    """The storm's time, the same in every process: it begins when the first asks."""
    noted = path.with_suffix(".begin")
    if not noted.exists():
        noted.write_text(str(SystemClock().wall().timestamp()))
    return Timeline("storm", float(noted.read_text()))


def mark(body: Mapping[str, JsonValue]) -> int:
    """A number that says how an alarm stands."""
    keys = ("id", "annunciation", "suppression", "condition", "acknowledged_by", "text")
    return zlib.crc32(repr([body.get(key) for key in keys]).encode())


def courier(outbox: Journal | TellingOutbox, port: int, plan: CourierPlan) -> Courier:
    """One that mails to that port."""
    return Courier(
        outbox,
        {"mailto": MailRoute(MailSettings(host="127.0.0.1", port=port, security="none"))},
        clock=SystemClock(),
        chance=random.random,
        on_trouble=lambda *_: None,
        plan=plan,
    )


class TellingOutbox:
    """A journal's outbox that tells which messages it knows as sent."""

    def __init__(self, journal: Journal, tell: Tell) -> None:
        self.waiting_notices = journal.waiting_notices
        self.record_superseded = journal.record_superseded
        self._journal = journal
        self._tell = tell

    def record_delivery(
        self, key: str, *, at: datetime, sent: bool, outcome: str, next_try_at: datetime | None
    ) -> None:
        self._journal.record_delivery(
            key, at=at, sent=sent, outcome=outcome, next_try_at=next_try_at
        )
        if sent:
            self._tell(SENT, zlib.crc32(key.encode()))


class Storm:
    """What happens in one chamber, kept and told until the process is killed."""

    def __init__(self, path: Path, port: int, tell: Tell) -> None:
        self._tell = tell
        self._chance = random.Random()
        self._journal = Journal.open(path)
        self._timeline = timeline(path)
        self._courier = courier(TellingOutbox(self._journal, tell), port, QUICK)
        memory = self._journal.memory(CHAMBER, self._timeline)
        self._desk = AlarmDesk(
            chamber=CHAMBER,
            chamber_name="North bench",
            people=PEOPLE,
            alarms=memory.alarms,
            events=memory.events,
        )
        self._next = memory.next_event
        self._open = {change.event: change for change in memory.events}

    def blow(self) -> None:
        """For ever."""
        threading.Thread(target=lambda: asyncio.run(self._courier.run()), daemon=True).start()
        while True:
            t_s = (SystemClock().wall().timestamp() - self._timeline.wall_at_zero_s) * SPEED
            step = self._chance.choice(
                (self._begin, self._begin, self._end, self._answer, self._answer, self._second)
            )
            step(t_s)

    def _begin(self, t_s: float) -> None:
        if len(self._open) >= STANDING:
            self._end(t_s)
            return
        kind = self._chance.choice(KINDS)
        signal_class, priority = KIND_CLASS[kind]
        change = EventChange(
            self._next, Change.RAISED, t_s, kind, signal_class, priority, t_s, ("top",), {}
        )
        self._next += 1
        self._open[change.event] = change
        self._keep(t_s, self._desk.take(change), change)

    def _end(self, t_s: float) -> None:
        if not self._open:
            return
        begun = self._open.pop(self._chance.choice(list(self._open)))
        change = EventChange(
            begun.event,
            Change.CLEARED,
            t_s,
            begun.kind,
            begun.signal_class,
            begun.priority,
            begun.onset_s,
            begun.sensors,
            {},
            end_s=t_s,
        )
        self._keep(t_s, self._desk.take(change), change)

    def _answer(self, t_s: float) -> None:
        standing = self._desk.standing()
        if not standing:
            return
        alarm = self._chance.choice(standing).id
        command: AlarmCommand = self._chance.choice(
            (
                Acknowledge(t_s=t_s, by="cox", alarm=alarm),
                Acknowledge(t_s=t_s, by="bench captain", alarm=alarm),
                Shelve(t_s=t_s, by="cox", alarm=alarm, minutes=3.0, reason="the compressor is on"),
                Unshelve(t_s=t_s, by="cox", alarm=alarm),
                Reset(t_s=t_s, by="cox", alarm=alarm),
            )
        )
        try:
            result = self._desk.command(command)
        except CommandRefused:
            return
        self._keep(t_s, result)

    def _second(self, t_s: float) -> None:
        self._keep(t_s, self._desk.tick(t_s, AlarmContext(Phase.STEADY, JobPhase.RUNNING)))

    def _keep(self, t_s: float, result: AlarmResult, change: EventChange | None = None) -> None:
        """As the service does: what presses goes at once, and the rest once it is kept."""
        outcome = Outcome(
            CHAMBER,
            t_s,
            events=() if change is None else (change,),
            alarms=result.alarms,
            notices=result.notices,
        )
        if outcome.empty:
            return
        made = [Message.of(n, self._timeline.at(n.created_s)) for n in outcome.notices]
        self._courier.hand(message for message in made if presses(message))
        for entry in self._journal.commit(outcome, self._timeline):
            if entry.topic == "alarm":
                self._tell(ALARM, entry.seq, mark(entry.body))
                if entry.body.get("acknowledged_by"):
                    self._tell(SEEN, entry.seq, mark(entry.body))
        self._courier.wake()


def keep_storm(path: Path, tell: Tell) -> None:
    """Let it blow; the port of the mail server is the third word of the command line."""
    logging.disable(logging.WARNING)  # each refusal of the mail server is one
    Storm(path, int(sys.argv[3]), tell).blow()
