"""What goes into the watch: what is measured and seen, what people ask for, each second."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from stillair.errors import ReadingFault
from stillair.model.duties import Heard, PartTried, RouteTried
from stillair.model.kinds import ContactKind, Detail, JobOutcome, Kind
from stillair.model.logs import JobLog, PieceOutcome
from stillair.model.outcomes import Job


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

    Of a heater: while it heats; of the heat's supply: while that is switched off.
    None: the switch can't be read, for `reason`.
    """

    contact: str
    kind: ContactKind
    t_s: float
    active: bool | None
    reason: str = ""


class CameraCondition(StrEnum):
    """Whether a camera's view is fit to watch by; all but FIT is blind."""

    FIT = "fit"
    LOST = "lost"  # no picture comes
    FROZEN = "frozen"  # the same picture comes again and again
    TOO_SMALL = "too_small"  # too few pixels
    DARK = "dark"
    WASHED_OUT = "washed_out"  # so bright that little can be told apart
    COVERED = "covered"  # something before the lens
    OUT_OF_FOCUS = "out_of_focus"
    MOVED = "moved"  # the camera looks elsewhere than it did
    FLICKERING = "flickering"  # the lamp, so much that a flame would not be told from it
    SLOW = "slow"  # too few pictures a second
    PAUSED = "paused"  # a person wants no picture taken for a time


@dataclass(frozen=True, slots=True)
class CameraState:
    """Whether the camera's view is fit to watch by; sent on change and at least every 10 s."""

    t_s: float
    condition: CameraCondition
    since_s: float
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Particles:
    """Fine particles in the air, as one sensor counts them about once a second.

    `pm2_5_ug_per_m3` is what weighs in micrograms a cubic metre, of particles up to 2.5
    micrometres; None: the sensor tells nothing that can be trusted, for `reason`.
    """

    sensor: str
    t_s: float
    pm2_5_ug_per_m3: float | None
    reason: str = ""


class Sense(StrEnum):
    """By which sense a sign was got; two of different senses make a fire."""

    HEAT = "heat"
    CAMERA = "camera"
    CONTACT = "contact"
    PARTICLES = "particles"


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
class Movement:
    """Whether the camera sees the machine move; sent on change and at least every 10 s.

    `moving` is None where that can't be told: an unfit view, or too little seen of the
    machine. `since_s` is when it began to move, or was last seen to move.
    """

    t_s: float
    moving: bool | None
    since_s: float


@dataclass(frozen=True, slots=True)
class Trouble:
    """The service tells of itself: a fault of store, delivery, clock, supply or board."""

    kind: Kind
    t_s: float
    active: bool
    subject: str = ""
    detail: Detail = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class AlarmTestTold:
    """What has become of an alarm test outside of the watch; None: nothing new.

    `routes` are those of which something is known now, by their keys; `done` ends it, and so
    does `danger`, which says what real danger there is in another chamber of this service.
    """

    id: str
    t_s: float
    routes: tuple[RouteTried, ...] = ()
    sounder: PartTried | None = None
    stop: PartTried | None = None
    done: bool = False
    danger: str = ""


@dataclass(frozen=True, slots=True)
class Tick:
    """One whole second has passed; drives delays, silent sensors and all evaluation.

    `at` is its wall-clock label, for hours of the day; None where nobody knows, as in a replay.
    """

    t_s: float
    at: datetime | None = None


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
class CorrectJob(Command):
    """Say of a job what it really was; that confirms one that was guessed.

    `corrected` is the whole job as it is to be; `t_s` and its instants are in this boot's time.
    """

    corrected: Job


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


@dataclass(frozen=True, slots=True, kw_only=True)
class PinHeight(Command):
    """The part had this height at `seen_s`: a person's word, also days later."""

    job: str
    height_mm: float
    seen_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TakePinBack(Command):
    """The pin of this number was wrong."""

    job: str
    pin: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TellOutcome(Command):
    """How a job came out; None takes back what was told before."""

    job: str
    outcome: JobOutcome | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TellLog(Command):
    """A word on how a job was prepared or a piece came out; fields as in `LogTold`."""

    job: str
    log: JobLog = field(default_factory=JobLog)
    named: tuple[str, ...] = ()
    piece: PieceOutcome | None = None
    piece_named: tuple[str, ...] = ()
    gone: int | None = None


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


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectOpening(Command):
    """The door is opened on purpose: what that does to the air is quiet for some minutes."""

    minutes: float
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class EndOpening(Command):
    """The door is shut again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeOut(Command):
    """Switch one alarm off until somebody puts it back: its cause is known and can't be mended."""

    kind: Kind
    subject: str = ""
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PutBack(Command):
    """Switch an alarm on again."""

    kind: Kind
    subject: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Present(Command):
    """Somebody is near the box; whoever hands this over has made sure of that.

    `person` is who, by name, where that is known.
    """

    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class HandOver(Command):
    """Ask somebody else of the chamber's people to be near from now on."""

    to: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Leave(Command):
    """Whoever was near goes away."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunUnattended(Command):
    """Let the job go on with nobody near, on purpose and for a reason."""

    reason: str
    job: str = ""  # the one that is meant; "": the one that there is


@dataclass(frozen=True, slots=True, kw_only=True)
class StartAlarmTest(Command):
    """Try the whole way of an alarm, with simulated signs and marked messages.

    `id` is the test's, `setup` a mark of all that it tries; after `within_s` it is over
    even if nobody tells its end, and after `sounds_s` so is its sound.
    """

    id: str
    setup: str
    scheduled: bool = False
    within_s: float = 600.0
    sounds_s: float = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfirmAlarmTest(Command):
    """What a person says of the messages of a test; without `route` of all of theirs."""

    test: str
    person: str
    heard: Heard
    route: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldStop(Command):
    """Don't stop the machine for what stands now; `by` has to be a person."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StopNow(Command):
    """Stop the machine at once; as a `trial` to see whether it really does."""

    trial: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StopTried(Command):
    """Whether the machine really stopped when that was tried."""

    worked: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ResetStop(Command):
    """Let the machine run again; only from near it."""


JobCommand = (
    StartJob
    | CorrectJob
    | PauseJob
    | ResumeJob
    | FinishJob
    | ReportHeight
    | AddNote
    | PinHeight
    | TakePinBack
    | TellOutcome
    | TellLog
)
AlarmCommand = Acknowledge | Reset | Shelve | Unshelve
QuietCommand = ExpectOpening | EndOpening | TakeOut | PutBack
StopCommand = HoldStop | StopNow | StopTried | ResetStop
AttendanceCommand = Present | HandOver | Leave | RunUnattended
AlarmTestCommand = StartAlarmTest | ConfirmAlarmTest
Stimulus = (
    Reading
    | ContactState
    | CameraState
    | Movement
    | Particles
    | Sign
    | Trouble
    | AlarmTestTold
    | Tick
    | Command
)
