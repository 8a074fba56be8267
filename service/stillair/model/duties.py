"""What is kept beside the alarms: who is near, the machine's stop, tests, what is to be quiet.

Each is one frozen state; the newest counts, and the ledger keeps all of them.
Instants (`_s`) are seconds of the chamber's time and move with it over a restart.
"""

from __future__ import annotations

from dataclasses import dataclass

from stillair.model.kinds import Kind, Priority


@dataclass(frozen=True, slots=True)
class AttendanceState:
    """Whether somebody is near a box that can burn, as it was said last."""

    changed_s: float
    what: str = ""  # what was said: "present", "handed over", "left", "unattended", "ended"
    by: str = ""  # who said so
    person: str = ""  # who is near now
    confirmed_s: float | None = None  # when somebody was near last
    job: str | None = None  # the job that was said to run unattended
    reason: str = ""


@dataclass(frozen=True, slots=True)
class StopState:
    """Where the stop of the machine stands."""

    changed_s: float
    phase: str = "ready"  # ready, counting, held, stopped
    by: str = ""  # who held it, or reset it
    cause: str = ""  # the alarm for which it counts or has stopped
    until_s: float | None = None  # the end of the countdown
    tried_s: float | None = None  # when the owner last tried it for real


@dataclass(frozen=True, slots=True)
class AlarmTestState:
    """One alarm test, as far as it has come."""

    id: str
    changed_s: float
    by: str = ""
    phase: str = "running"  # running, done
    started_s: float = 0.0
    steps: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OpeningState:
    """The door that is opened on purpose; it ends with a restart, as all shelving does."""

    changed_s: float
    by: str = ""
    reason: str = ""
    until_s: float | None = None  # None: it is shut again


@dataclass(frozen=True, slots=True)
class SwitchedOff:
    """One alarm that a person has taken out of service."""

    kind: Kind
    subject: str
    by: str
    since_s: float
    reason: str


@dataclass(frozen=True, slots=True)
class OutOfServiceState:
    """All alarms that are out of service; a restart changes nothing."""

    changed_s: float
    by: str = ""  # who changed it last
    off: tuple[SwitchedOff, ...] = ()


@dataclass(frozen=True, slots=True)
class HeldMessage:
    """A message that waits for the end of somebody's quiet hours; fields as in `Notice`."""

    key: str
    alarm: str | None
    kind: Kind
    priority: Priority
    person: str
    route: str
    title: str
    text: str
    stage: str


@dataclass(frozen=True, slots=True)
class HeldState:
    """All messages that wait so."""

    changed_s: float
    held: tuple[HeldMessage, ...] = ()


Duty = AttendanceState | StopState | AlarmTestState | OpeningState | OutOfServiceState | HeldState
TOPICS: dict[str, type[Duty]] = {
    "attendance": AttendanceState,
    "stop": StopState,
    "test": AlarmTestState,
    "opening": OpeningState,
    "out_of_service": OutOfServiceState,
    "held": HeldState,
}


def topic_of(duty: Duty) -> str:
    """Under which word the ledger keeps it."""
    return next(topic for topic, cls in TOPICS.items() if isinstance(duty, cls))
