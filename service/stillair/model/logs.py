"""What people write down of a job: how it was prepared, and how its pieces came out.

A word says some fields and leaves the others as they are, so that a telephone at
the machine and a page in the kitchen don't erase each other. Every word is kept;
`LogKept` is what stands after all of them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from stillair.model.kinds import JobOutcome


class Hold(StrEnum):
    """What holds the part down."""

    BARE_SHEET = "bare sheet"
    TEXTURED_SHEET = "textured sheet"
    GLUE_STICK = "glue stick"
    LIQUID_ADHESIVE = "liquid adhesive"
    SLURRY = "slurry"
    TAPE = "tape"
    OTHER = "other"


class Brim(StrEnum):
    """What is laid around or under the first layer, so that corners stay down."""

    NONE = "none"
    BRIM = "brim"
    RAFT = "raft"
    CORNER_DISCS = "corner discs"


class Spot(StrEnum):
    """A place on the plate, seen from the front of the machine."""

    FRONT_LEFT = "front left"
    FRONT_MIDDLE = "front middle"
    FRONT_RIGHT = "front right"
    MIDDLE_LEFT = "middle left"
    MIDDLE = "middle"
    MIDDLE_RIGHT = "middle right"
    BACK_LEFT = "back left"
    BACK_MIDDLE = "back middle"
    BACK_RIGHT = "back right"


class FlawKind(StrEnum):
    """What is wrong with a piece, in the words of the trade."""

    CORNER_LIFTED = "corner lifted"
    CAME_OFF = "came off the bed"
    CRACK = "crack between layers"
    WEAK = "weak between layers"
    EDGE_CURLED = "edge curled"
    SAGGED = "overhang sagged"
    BLOB_OR_STRING = "blob or string"
    UNDER_FILLED = "under-filled"
    LAYER_SHIFTED = "layer shifted"
    SURFACE_ROUGH = "surface rough"
    SIZE_WRONG = "size wrong"


@dataclass(frozen=True, slots=True)
class JobLog:
    """How a job was prepared; None is what nobody has said. `held_since` is an ISO date."""

    batch: str | None = None
    dried_h: float | None = None
    dried_c: float | None = None
    humidity_percent: float | None = None  # of the room
    hold: Hold | None = None
    held_since: str | None = None
    brim: Brim | None = None
    fan_percent: float | None = None
    nozzle_c: float | None = None
    bed_c: float | None = None
    toolpath: str | None = None


@dataclass(frozen=True, slots=True)
class Flaw:
    """One thing that is wrong with a piece, and where."""

    kind: FlawKind
    height_mm: float | None = None
    place: Spot | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class PieceOutcome:
    """How one piece on the plate came out."""

    number: int
    place: Spot | None = None
    outcome: JobOutcome | None = None
    flaws: tuple[Flaw, ...] = ()


@dataclass(frozen=True, slots=True)
class LogTold:
    """One word on a job: of its log the fields in `named`, of one piece those in `piece_named`.

    A named field that is None takes back what was said; `gone` is the number of
    a piece that there isn't any more.
    """

    job: str
    t_s: float
    by: str
    log: JobLog = field(default_factory=JobLog)
    named: tuple[str, ...] = ()
    piece: PieceOutcome | None = None
    piece_named: tuple[str, ...] = ()
    gone: int | None = None


@dataclass(frozen=True, slots=True)
class LogKept:
    """A job's log after the newest word, which was `by`'s; pieces in the order of their numbers.

    `pieces_by` told the last of those that stand.
    """

    job: str
    t_s: float
    by: str
    log: JobLog = field(default_factory=JobLog)
    pieces: tuple[PieceOutcome, ...] = ()
    pieces_by: str = ""
