"""What comes out of the watch: events, alarms, messages, jobs; and how that is kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum

from stillair.model.duties import Duty
from stillair.model.kinds import (
    ByHand,
    Change,
    Detail,
    JobOutcome,
    JobPhase,
    JsonValue,
    Kind,
    Priority,
    SignalClass,
)
from stillair.model.logs import LogTold


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

    def ended(self, t_s: float, why: str = "") -> Finding:
        """That it is over, and why, where that isn't plain."""
        return Finding(
            self.kind,
            Change.CLEARED,
            t_s,
            self.onset_s,
            self.sensors,
            {**self.detail, "ended": why} if why else self.detail,
            end_s=t_s,
            subject=self.subject,
        )


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
    cause_alarm: str = ""  # the alarm from which it follows: one story, told with that
    # Since when it has been what it is called, as messages and pages say it; None: not known.
    began_s: float | None = None
    acknowledged_s: float | None = None  # when that person said so


@dataclass(frozen=True, slots=True)
class Notice:
    """One message on one route to one person, as a row of the outbox.

    `key` makes delivery idempotent: the same key is the same message.
    """

    key: str
    chamber: str
    alarm: str | None
    kind: Kind | ByHand
    priority: Priority
    person: str
    route: str
    title: str
    text: str
    created_s: float
    stage: str = ""  # what it tells of the alarm: "raised", "changed", "still", "over" ...
    within: str = ""  # key of the one message that tells this with others; else it goes by itself


@dataclass(frozen=True, slots=True)
class Job:
    """One build. `finished_s` is when it was said to be done; cooling comes after that.

    `box` is what it was built in: "real", "recorded" or "simulated", and a mark
    of the enclosure. Only jobs of one box are compared; "" is not known.
    `guessed`: nobody announced it; heat and motion did, and a person has not confirmed it.
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
    guessed: bool = False


@dataclass(frozen=True, slots=True)
class JobNote:
    """A timed remark on a job."""

    job: str
    t_s: float
    text: str
    by: str
    height_mm: float | None = None


@dataclass(frozen=True, slots=True)
class HeightPin:
    """That a person set a pin: the part had this height at `seen_s`.

    Its number is that of its entry in the ledger. `takes_back` is the number of an
    earlier one that counts no more; such a word has no height.
    """

    job: str
    t_s: float
    by: str
    height_mm: float | None = None
    seen_s: float | None = None
    takes_back: int | None = None


@dataclass(frozen=True, slots=True)
class OutcomeTold:
    """What a person said of how a job came out; None: nothing any more."""

    job: str
    t_s: float
    outcome: JobOutcome | None
    by: str


@dataclass(frozen=True, slots=True)
class EventJudged:
    """What a person said of an event, having looked: that it was nothing, or that it was so.

    `kind` is the event's; the newest word counts.
    """

    event: int
    kind: Kind
    t_s: float
    false: bool
    note: str
    by: str
    job: str | None = None


@dataclass(frozen=True, slots=True)
class JobDiagnosis:
    """What a job's readings say of the box, and one sentence where its past says otherwise.

    Figures as in `thermal.diagnosis`, None where the readings give none.
    `compared` is with how many earlier jobs of the same `box`; `sensors` has a
    mark of each sensor that changes when it is replaced; `measured` are its figures as in
    `jobs.figures`, by that `rule`, over the time from the one label to the other.
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
    measured: Mapping[str, float] = field(default_factory=dict)
    rule: int = 1
    over: str = ""  # "" where that isn't known


class Sounding(StrEnum):
    """What the sounder should be doing."""

    SILENT = "silent"
    ATTENTION = "attention"  # one short tone every 10 s: high priority, not yet seen
    FIRE = "fire"  # temporal three, ISO 8201
    TEST = "test"  # the same, one round of it: an alarm test


@dataclass(frozen=True, slots=True)
class Outcome:
    """All that follows from one stimulus; `sounding` is None when it has not changed.

    So is `stop`: True while the machine has to be off, False while it may run.
    """

    chamber: str
    t_s: float
    events: tuple[EventChange, ...] = ()
    alarms: tuple[AlarmState, ...] = ()
    notices: tuple[Notice, ...] = ()
    jobs: tuple[Job, ...] = ()
    notes: tuple[JobNote, ...] = ()
    sounding: Sounding | None = None
    stop: bool | None = None
    created: str | None = None  # id of the job or test that was begun
    outcomes: tuple[OutcomeTold, ...] = ()
    diagnoses: tuple[JobDiagnosis, ...] = ()
    judgements: tuple[EventJudged, ...] = ()
    duties: tuple[Duty, ...] = ()
    pins: tuple[HeightPin, ...] = ()
    logs: tuple[LogTold, ...] = ()

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
            or self.judgements
            or self.duties
            or self.pins
            or self.logs
        )


# --- how it is kept ----------------------------------------------------------


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
    duties: tuple[Duty, ...] = ()  # the newest of each topic
    # Of each alarm who was told that it stands, as (person, route); None: nobody knows
    told: Mapping[str, tuple[tuple[str, str], ...]] | None = None
    used: tuple[str, ...] = ()  # ids that alarms of events which still stand have had


def chamber_key(name: str) -> str:
    """A chamber's name for ids, paths and addresses: "North bench" -> "north-bench"."""
    letters = [c if c.isalnum() and c.isascii() else "-" for c in name.lower()]
    return "-".join(part for part in "".join(letters).split("-") if part) or "chamber"
