"""The values that flow through Stillair, all frozen.

A stimulus (`Reading`, `ContactState`, `CameraState`, `Sign`, `Trouble`, a
command, `Tick`) goes into `Watch.step`; an `Outcome` comes out. Detectors
answer with `Finding`s; the watch numbers them and makes them `EventChange`s.

Temperatures are degrees Celsius (`_c`), differences kelvin (`_k`), instants
in the chamber's monotonic or recording time `_s`, wall-clock instants `_at`
(aware, UTC).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from typing import TypeAlias

from stillair.errors import ReadingFault

JsonScalar: TypeAlias = str | int | float | bool | None
JsonValue: TypeAlias = JsonScalar | list["JsonValue"] | dict[str, "JsonValue"]
Detail = Mapping[str, JsonValue]
# In the detail of a danger of which those that showed it can't show the end
BLIND: Detail = {
    "blind": True,
    "reason": "what showed it is silent or faulty now, so nobody can tell whether it is over",
}


class Kind(StrEnum):
    """Kind of event."""

    FIRE = "fire"
    DETECTOR_CONTACT = "detector_contact"
    FLAME = "flame"
    SMOKE = "smoke"
    RAPID_RISE = "rapid_rise"
    OVER_TEMPERATURE = "over_temperature"
    HEAT_LOST = "heat_lost"
    NO_MOTION = "no_motion"
    ATTENDANCE_OVERDUE = "attendance_overdue"
    DOOR_OPEN = "door_open"
    DRAFT = "draft"
    BELOW_TARGET = "below_target"
    TOO_WARM = "too_warm"
    STORE_FAULT = "store_fault"
    DELIVERY_FAULT = "delivery_fault"
    WATCH_GAP = "watch_gap"
    SENSOR_FAULT = "sensor_fault"
    CAMERA_FAULT = "camera_fault"
    POWER_FAULT = "power_fault"
    BOARD_FAULT = "board_fault"
    CLOCK_FAULT = "clock_fault"
    SOAK_READY = "soak_ready"
    COOL_ENOUGH = "cool_enough"


class SignalClass(StrEnum):
    """NFPA 72's classes of signal, and `notice` for what a person waited for."""

    ALARM = "alarm"
    SUPERVISORY = "supervisory"
    TROUBLE = "trouble"
    NOTICE = "notice"


class Priority(StrEnum):
    """ISA-18.2 priority, by consequence and time to respond."""

    CRITICAL = "critical"
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


KIND_CLASS: Mapping[Kind, tuple[SignalClass, Priority]] = {
    Kind.FIRE: (SignalClass.ALARM, Priority.CRITICAL),
    Kind.DETECTOR_CONTACT: (SignalClass.ALARM, Priority.CRITICAL),
    Kind.FLAME: (SignalClass.ALARM, Priority.HIGH),
    Kind.SMOKE: (SignalClass.ALARM, Priority.HIGH),
    Kind.RAPID_RISE: (SignalClass.ALARM, Priority.HIGH),
    Kind.OVER_TEMPERATURE: (SignalClass.ALARM, Priority.HIGH),
    Kind.HEAT_LOST: (SignalClass.SUPERVISORY, Priority.HIGH),
    Kind.NO_MOTION: (SignalClass.SUPERVISORY, Priority.HIGH),
    Kind.ATTENDANCE_OVERDUE: (SignalClass.SUPERVISORY, Priority.HIGH),
    Kind.DOOR_OPEN: (SignalClass.SUPERVISORY, Priority.MEDIUM),
    Kind.DRAFT: (SignalClass.SUPERVISORY, Priority.MEDIUM),
    Kind.BELOW_TARGET: (SignalClass.SUPERVISORY, Priority.LOW),
    Kind.TOO_WARM: (SignalClass.SUPERVISORY, Priority.LOW),
    Kind.STORE_FAULT: (SignalClass.TROUBLE, Priority.HIGH),
    Kind.DELIVERY_FAULT: (SignalClass.TROUBLE, Priority.HIGH),
    Kind.WATCH_GAP: (SignalClass.TROUBLE, Priority.HIGH),
    Kind.SENSOR_FAULT: (SignalClass.TROUBLE, Priority.MEDIUM),  # the last good one gone: high
    Kind.CAMERA_FAULT: (SignalClass.TROUBLE, Priority.MEDIUM),
    Kind.POWER_FAULT: (SignalClass.TROUBLE, Priority.MEDIUM),
    Kind.BOARD_FAULT: (SignalClass.TROUBLE, Priority.MEDIUM),
    Kind.CLOCK_FAULT: (SignalClass.TROUBLE, Priority.LOW),
    Kind.SOAK_READY: (SignalClass.NOTICE, Priority.LOW),
    Kind.COOL_ENOUGH: (SignalClass.NOTICE, Priority.LOW),
}


# After one of these no part is said to be cool enough: it may burn on, or up again.
BURNING = frozenset({Kind.FIRE, Kind.FLAME, Kind.SMOKE, Kind.DETECTOR_CONTACT})


class Change(StrEnum):
    """What happened to an event."""

    RAISED = "raised"
    REVISED = "revised"
    CLEARED = "cleared"


class Place(StrEnum):
    """Where a sensor sits; `bed` and `electronics` readings are never chamber air."""

    CHAMBER = "chamber"
    ROOM = "room"
    BED = "bed"
    ELECTRONICS = "electronics"


class ContactKind(StrEnum):
    DOOR = "door"
    DETECTOR = "detector"
    PRESENCE = "presence"


class Phase(StrEnum):
    """Where the chamber stands in its day, from readings and a job's marks."""

    UNKNOWN = "unknown"  # no good chamber sensor, or too little seen
    COLD = "cold"
    WARMING = "warming"
    SOAK = "soak"
    STEADY = "steady"
    COOLING = "cooling"
    COOL_ENOUGH = "cool_enough"


# --- stimuli ---------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one sensor at one time, or the reason why there is none.

    `temperature_c` is None exactly when `fault` is set; the correction has
    been added already. `reason` is one plain clause for people.
    """

    sensor: str
    t_s: float
    temperature_c: float | None
    fault: ReadingFault | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class ContactState:
    """A switch: True when it is off-normal (door open, detector tripped, button pressed).

    None: the switch can't be read, for `reason`.
    """

    contact: str
    kind: ContactKind
    t_s: float
    active: bool | None
    reason: str = ""


class CameraCondition(StrEnum):
    FIT = "fit"
    LOST = "lost"
    FROZEN = "frozen"
    DARK = "dark"


@dataclass(frozen=True, slots=True)
class CameraState:
    """Whether the camera's view is fit to watch by; sent on change and at least every 10 s."""

    t_s: float
    condition: CameraCondition
    since_s: float
    reason: str = ""


class Sense(StrEnum):
    """By which sense a sign was got; two of different senses make a fire."""

    HEAT = "heat"
    CAMERA = "camera"
    CONTACT = "contact"


@dataclass(frozen=True, slots=True)
class Sign:
    """One piece of evidence of fire, with a strength from 0 to 1.

    `name` says which rule saw it; `lasting` that it alone is enough for
    `fire` (heat at the static response, a flame that stays).
    """

    sense: Sense
    name: str
    t_s: float
    onset_s: float
    strength: float
    sources: tuple[str, ...]
    lasting: bool = False
    detail: Detail = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Trouble:
    """The service tells of itself: a fault of store, delivery, clock, supply or board."""

    kind: Kind
    t_s: float
    active: bool
    subject: str = ""
    detail: Detail = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Tick:
    """One whole second has passed; drives delays, silent sensors and all evaluation."""

    t_s: float


# --- commands --------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """What a person or a machine asks for; `by` is who, for the record."""

    t_s: float
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StartJob(Command):
    name: str
    material: str = ""
    machine: str = ""
    notes: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PauseJob(Command):
    job: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ResumeJob(Command):
    job: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishJob(Command):
    job: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportHeight(Command):
    job: str
    height_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AddNote(Command):
    job: str
    text: str


class JobOutcome(StrEnum):
    """How a part came out, as a person judged it."""

    SOUND = "sound"
    FLAWED = "flawed"  # usable, with a fault
    FAILED = "failed"


@dataclass(frozen=True, slots=True, kw_only=True)
class TellOutcome(Command):
    """How a job came out; None takes back what was told before."""

    job: str
    outcome: JobOutcome | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledge(Command):
    alarm: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reset(Command):
    """Clear a danger that is over and has been seen, but stays shown until somebody clears it."""

    alarm: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelve(Command):
    alarm: str
    minutes: float
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unshelve(Command):
    alarm: str


JobCommand = StartJob | PauseJob | ResumeJob | FinishJob | ReportHeight | AddNote | TellOutcome
AlarmCommand = Acknowledge | Reset | Shelve | Unshelve
Stimulus = Reading | ContactState | CameraState | Sign | Trouble | Tick | Command

# --- what detectors and the watch answer -----------------------------------


@dataclass(frozen=True, slots=True)
class Finding:
    """What a detector concludes about one condition; the watch makes it an event.

    A condition is known by `kind` and `subject` (a sensor's name, say):
    RAISED opens it, REVISED tells it anew, CLEARED closes it with `end_s`.
    A REVISED finding may carry `was_kind` when the kind itself has changed.
    `detail["cause"]` is "clear", or "uncertain" with `detail["or"]`.
    """

    kind: Kind
    change: Change
    at_s: float
    onset_s: float
    sensors: tuple[str, ...] = ()
    detail: Detail = field(default_factory=dict)
    end_s: float | None = None
    subject: str = ""
    priority: Priority | None = None
    was_kind: Kind | None = None


@dataclass(frozen=True, slots=True)
class EventChange:
    """One line of the story: an event raised, revised or cleared."""

    event: int
    change: Change
    at_s: float
    kind: Kind
    signal_class: SignalClass
    priority: Priority
    onset_s: float
    sensors: tuple[str, ...]
    detail: Detail
    end_s: float | None = None
    subject: str = ""
    job: str | None = None
    height_mm: float | None = None

    def line(self) -> dict[str, JsonValue]:
        """The keys of a replay line, in the contract's order."""
        line: dict[str, JsonValue] = {
            "event": self.event,
            "change": self.change.value,
            "at_s": self.at_s,
            "kind": self.kind.value,
            "class": self.signal_class.value,
            "priority": self.priority.value,
            "onset_s": self.onset_s,
        }
        if self.end_s is not None:
            line["end_s"] = self.end_s
        line["sensors"] = list(self.sensors)
        line["detail"] = dict(self.detail)
        return line


class Annunciation(StrEnum):
    """ISA-18.2 alarm states."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned_unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched_unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched_acknowledged"


class Suppression(StrEnum):
    NONE = "none"
    SHELVED = "shelved"
    SUPPRESSED_BY_DESIGN = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"


@dataclass(frozen=True, slots=True)
class AlarmState:
    """One alarm as it stands. `id` is "<chamber>-<number of the event that began it>"."""

    id: str
    chamber: str
    kind: Kind
    subject: str
    signal_class: SignalClass
    priority: Priority
    annunciation: Annunciation
    suppression: Suppression
    condition: bool
    event: int
    raised_s: float
    changed_s: float
    text: str
    job: str | None = None
    acknowledged_by: str | None = None
    shelved_until_s: float | None = None
    shelved_reason: str = ""
    blind: bool = False  # it stands because nobody can show its end; a person may say so


@dataclass(frozen=True, slots=True)
class Notice:
    """One message on one route to one person, as a row of the outbox.

    `key` makes delivery idempotent: the same key is the same message.
    """

    key: str
    chamber: str
    alarm: str | None
    kind: Kind
    priority: Priority
    person: str
    route: str
    title: str
    text: str
    created_s: float


class JobPhase(StrEnum):
    """State of a job."""

    RUNNING = "running"
    PAUSED = "paused"
    COOLING = "cooling"
    FINISHED = "finished"


@dataclass(frozen=True, slots=True)
class Job:
    """One build. `finished_s` is when it was said to be done; cooling comes after that.

    `box` is what it was built in: "real", "recorded" or "simulated", and a mark
    of the enclosure. Only jobs of one box are compared; "" is not known.
    """

    id: str
    chamber: str
    name: str
    material: str
    machine: str
    notes: str
    state: JobPhase
    started_s: float
    finished_s: float | None = None
    height_mm: float | None = None
    paused_s: float = 0.0  # sum of all pauses that have ended
    paused_since_s: float | None = None
    box: str = ""


@dataclass(frozen=True, slots=True)
class JobNote:
    """A timed remark on a job."""

    job: str
    t_s: float
    text: str
    by: str
    height_mm: float | None = None


@dataclass(frozen=True, slots=True)
class OutcomeTold:
    """What a person said of how a job came out; None: nothing any more."""

    job: str
    t_s: float
    outcome: JobOutcome | None
    by: str


@dataclass(frozen=True, slots=True)
class JobDiagnosis:
    """What a job's readings say of the box, and one sentence where its past says otherwise.

    Figures as in `thermal.diagnosis`, None where the readings give none.
    `compared` is with how many earlier jobs of the same `box`; `sensors` has a
    mark of each sensor that changes when it is replaced.
    """

    job: str
    t_s: float
    text: str = ""
    loss_per_h: float | None = None
    warm_k_per_min: float | None = None
    excess_k: float | None = None
    offsets: Mapping[str, float] = field(default_factory=dict)
    compared: int = 0
    box: str = ""
    sensors: Mapping[str, str] = field(default_factory=dict)
    early_loss_per_h: float | None = None


class Sounding(StrEnum):
    """What the sounder should be doing."""

    SILENT = "silent"
    ATTENTION = "attention"  # one short tone every 10 s: high priority, not yet seen
    FIRE = "fire"  # temporal three, ISO 8201


@dataclass(frozen=True, slots=True)
class Outcome:
    """All that follows from one stimulus; `sounding` is None when it has not changed."""

    chamber: str
    t_s: float
    events: tuple[EventChange, ...] = ()
    alarms: tuple[AlarmState, ...] = ()
    notices: tuple[Notice, ...] = ()
    jobs: tuple[Job, ...] = ()
    notes: tuple[JobNote, ...] = ()
    sounding: Sounding | None = None
    created: str | None = None  # id of the job that a StartJob made
    outcomes: tuple[OutcomeTold, ...] = ()
    diagnoses: tuple[JobDiagnosis, ...] = ()

    @property
    def empty(self) -> bool:
        """True when nothing has to be kept."""
        return not (
            self.events
            or self.alarms
            or self.notices
            or self.jobs
            or self.notes
            or self.outcomes
            or self.diagnoses
        )


@dataclass(frozen=True, slots=True)
class Timeline:
    """How a chamber's seconds become wall-clock labels during one boot."""

    boot_id: str
    wall_at_zero_s: float  # seconds since the epoch when the chamber's time was 0

    def at(self, t_s: float) -> datetime:
        """The aware UTC label of the instant `t_s`."""
        return datetime.fromtimestamp(self.wall_at_zero_s + t_s, UTC)

    def epoch_s(self, t_s: float) -> float:
        """Seconds since the epoch of the instant `t_s`."""
        return self.wall_at_zero_s + t_s


@dataclass(frozen=True, slots=True)
class Afterwards:
    """What still follows from what is over, and no entry of the journal says.

    `coldest_c` is how far the chamber has cooled since a job whose end explains that
    it cools on, None where none does; of events of `BURNING` up to number `burnt`
    the warm spell is over.
    """

    coldest_c: float | None = None
    burnt: int = 0


@dataclass(frozen=True, slots=True)
class WatchMemory:
    """What a watch knows again after a restart, in the new boot's seconds.

    Shelving has ended; detectors start cold.
    """

    next_event: int = 1
    next_job: int = 1
    alarms: tuple[AlarmState, ...] = ()
    job: Job | None = None
    events: tuple[EventChange, ...] = ()  # the last change of each event not yet cleared
    last_seen_s: float | None = None  # when somebody last watched: negative or small
    burnt: int = 0  # number of the newest of `BURNING` since the last job began, over or not
    afterwards: Afterwards = field(default_factory=Afterwards)


def chamber_key(name: str) -> str:
    """A chamber's name for ids, paths and addresses: "North bench" -> "north-bench"."""
    letters = [c if c.isalnum() and c.isascii() else "-" for c in name.lower()]
    return "-".join(part for part in "".join(letters).split("-") if part) or "chamber"
