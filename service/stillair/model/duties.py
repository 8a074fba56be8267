"""What is kept beside the alarms: who is near, the machine's stop, tests, what is to be quiet.

Each is one frozen state; the newest counts, and the ledger keeps all of them.
Instants (`_s`) are seconds of the chamber's time and move with it over a restart.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from stillair.model.kinds import Kind, Priority


@dataclass(frozen=True, slots=True)
class AttendanceState:
    """Whether somebody is near a box that can burn, as far as anybody has said so."""

    changed_s: float
    # What happened: "needed", "present", "asked over", "left", "unattended", "over", "not needed"
    what: str = ""
    by: str = ""  # who said so
    since_s: float | None = None  # since when somebody has to be near; None: nobody has to
    person: str = ""  # who is near, by name; "": somebody, or nobody so far
    confirmed_s: float | None = None  # when somebody was near last
    left_s: float | None = None  # when whoever was near left
    to: str = ""  # who has been asked to take over, and hasn't come so far
    asked: int = 0  # how often somebody has been asked to
    job: str | None = None  # the job that runs unattended, as somebody wants it
    reason: str = ""  # why


class StopPhase(StrEnum):
    """Where the stop of the machine stands."""

    READY = "ready"
    COUNTING = "counting"  # the machine is stopped at the end of the countdown
    HELD = "held"  # a person wants the machine to go on, in spite of what stands
    STOPPED = "stopped"  # until somebody resets it at the machine


@dataclass(frozen=True, slots=True)
class StopState:
    """Where the stop of the machine stands, and since when (`changed_s`)."""

    changed_s: float
    phase: StopPhase = StopPhase.READY
    by: str = ""  # who held, stopped or reset it
    cause: str = ""  # the kind of alarm for which it counts or has stopped, or of `ByHand`
    event: int | None = None  # the event of that alarm
    until_s: float | None = None  # the end of the countdown
    spared: tuple[int, ...] = ()  # events for which a person has said not to stop, or that are past
    stops: int = 0  # how often it has stopped
    tried_s: float | None = None  # when the owner last stopped the machine to see whether it does
    tried_worked: bool = False
    tried_by: str = ""
    tried_with: str = ""  # a mark of the outputs as they were then


class Heard(StrEnum):
    """What a person says of a test's message."""

    HEARD = "heard"  # it arrived, and was heard
    SILENT = "silent"  # it arrived, and nothing was to be heard
    NOTHING = "nothing"  # it hasn't arrived


class AlarmTestPhase(StrEnum):
    """How far an alarm test has come."""

    RUNNING = "running"
    DONE = "done"  # all is sent, or has been waited for; people may still confirm
    ENDED = "ended"  # by real danger
    CUT_OFF = "cut_off"  # by a restart, or because its end never came


@dataclass(frozen=True, slots=True)
class RouteTried:
    """What a test found out of one route of one person.

    Times are seconds since the test began; `key` is that of its message in the outbox.
    """

    person: str
    route: str
    key: str
    handed_after_s: float | None = None  # a server has taken the message
    refused: str = ""  # why none has so far
    heard: Heard | None = None
    confirmed_after_s: float | None = None
    confirmed_by: str = ""


@dataclass(frozen=True, slots=True)
class PartTried:
    """What a test found out of what isn't a route: the sounder, the stop of the machine.

    `well` is None where there is none, or it wasn't tried.
    """

    well: bool | None
    told: str = ""


@dataclass(frozen=True, slots=True)
class AlarmTestState:
    """One alarm test, as far as it has come.

    `steps` are those parts of the way that were passed so far, from simulated signs to
    messages; `setup` is a mark of people, routes, sounder and stop, which changes with them.
    """

    id: str
    changed_s: float
    by: str = ""
    phase: AlarmTestPhase = AlarmTestPhase.RUNNING
    started_s: float = 0.0
    steps: tuple[str, ...] = ()
    scheduled: bool = False
    setup: str = ""
    why: str = ""  # how it ended, where that isn't as it should
    routes: tuple[RouteTried, ...] = ()
    sounder: PartTried | None = None
    stop: PartTried | None = None


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


@dataclass(frozen=True, slots=True)
class SeenMatter:
    """Something of a hall's own of which somebody has said that they have seen it."""

    matter: str  # its id
    by: str
    since_s: float


@dataclass(frozen=True, slots=True)
class SeenState:
    """All that stands at a hall and was seen there; what is over is in it no more."""

    changed_s: float
    seen: tuple[SeenMatter, ...] = ()


Duty = (
    AttendanceState
    | StopState
    | AlarmTestState
    | OpeningState
    | OutOfServiceState
    | HeldState
    | SeenState
)
TOPICS: dict[str, type[Duty]] = {
    "attendance": AttendanceState,
    "stop": StopState,
    "test": AlarmTestState,
    "opening": OpeningState,
    "out_of_service": OutOfServiceState,
    "held": HeldState,
    "seen": SeenState,
}


def topic_of(duty: Duty) -> str:
    """Under which word the ledger keeps it."""
    return next(topic for topic, cls in TOPICS.items() if isinstance(duty, cls))
