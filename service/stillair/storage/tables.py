"""Tables of the journal and of the archive.

A row carries the id of the boot, the monotonic second and the wall-clock label
(`at_us`, microseconds since the epoch, UTC). Inside a body instants are
seconds of the row's own boot; their labels follow from the row's, so a clock
that turns out to have been wrong is mended by changing one column.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, Index, Integer, LargeBinary, Text
from sqlalchemy.orm import registry
from sqlmodel import Field, SQLModel

# A number that SQLite hands out itself has to be declared INTEGER there.
NUMBERED = BigInteger().with_variant(Integer, "sqlite")
# A table with a text key lies in the tree of that key itself: half the pages written.
KEYED = {"sqlite_with_rowid": False}


class JournalTable(SQLModel, registry=registry()):
    """Base of the journal's tables."""


class ArchiveTable(SQLModel, registry=registry()):
    """Base of the archive's tables."""


class Ledger(JournalTable, table=True):
    """Everything that happened, in the order in which it was kept; rows are never changed."""

    __tablename__ = "ledger"
    __table_args__ = (
        Index("ledger_topic", "topic", "seq"),
        Index("ledger_job", "job", "seq"),
        Index("ledger_at", "topic", "at_us"),
        Index("ledger_boot", "boot_id"),
        Index("ledger_event", "chamber", "event"),
        Index("ledger_parcel", "parcel", "part", unique=True),
        {"sqlite_autoincrement": True},  # a number is never given twice, not even after retention
    )

    seq: int | None = Field(default=None, primary_key=True, sa_type=NUMBERED)
    parcel: str = Field(sa_type=Text)  # which outcome brought it; keeps a second commit harmless
    part: int
    chamber: str = Field(sa_type=Text)
    topic: str = Field(sa_type=Text)  # event, alarm, job, note, pin, outcome, log ...
    kind: str = Field(sa_type=Text)
    job: str | None = Field(default=None, sa_type=Text)
    event: int | None = None
    boot_id: str = Field(sa_type=Text)
    mono_s: float
    at_us: int = Field(sa_type=BigInteger)
    made_with: str = Field(default="", sa_type=Text)  # version of the program, hash of its settings
    body: str = Field(sa_type=Text)


class _Current(JournalTable):
    """Columns of a table of present states: the newest body, and when it came."""

    chamber: str = Field(sa_type=Text)
    boot_id: str = Field(sa_type=Text)
    mono_s: float
    at_us: int = Field(sa_type=BigInteger)
    body: str = Field(sa_type=Text)


class AlarmRow(_Current, table=True):
    """The present state of each alarm."""

    __tablename__ = "alarm"
    __table_args__ = (KEYED,)

    id: str = Field(primary_key=True, sa_type=Text)
    first_seq: int = Field(sa_type=BigInteger, index=True)
    seq: int = Field(sa_type=BigInteger)
    job: str | None = Field(default=None, sa_type=Text)
    standing: bool


class JobRow(_Current, table=True):
    """The present state of each job."""

    __tablename__ = "job"
    __table_args__ = (KEYED,)

    id: str = Field(primary_key=True, sa_type=Text)
    first_seq: int = Field(sa_type=BigInteger, index=True)
    seq: int = Field(sa_type=BigInteger)
    unfinished: bool


class JobSaid(_Current, table=True):
    """The newest word on each job: how it came out, its log, and what it said of its box."""

    __tablename__ = "job_said"
    __table_args__ = (Index("job_said_job", "job"), Index("job_said_word", "topic", "word"), KEYED)

    id: str = Field(primary_key=True, sa_type=Text)  # "<topic> <job>"
    job: str = Field(sa_type=Text)
    topic: str = Field(sa_type=Text)  # outcome, log, diagnosis
    word: str = Field(sa_type=Text)  # the outcome; of a log that of its worst piece
    seq: int = Field(sa_type=BigInteger)


class PictureRow(_Current, table=True):
    """One kept picture; its file has the row's `id` as name."""

    __tablename__ = "picture"
    __table_args__ = (
        Index("picture_event", "chamber", "event"),
        Index("picture_job", "job", "part"),
    )

    number: int | None = Field(default=None, primary_key=True, sa_type=NUMBERED)
    id: str = Field(sa_type=Text, unique=True)
    part: str = Field(sa_type=Text)  # marked, moment, before, after, still, photograph
    kind: str = Field(default="", sa_type=Text)  # the event's
    event: int | None = None
    job: str | None = Field(default=None, sa_type=Text)
    height_mm: float | None = None
    size_bytes: int = Field(sa_type=BigInteger)


class ClipRow(_Current, table=True):
    """One film of a camera's pictures, or why there is none; its file has the row's `id` as name.

    The label is that of its beginning; its body has the events and pauses.
    """

    __tablename__ = "clip"
    __table_args__ = (
        Index("clip_job", "job"),
        Index("clip_chamber", "chamber", "number"),
        Index("clip_state", "state"),
    )

    number: int | None = Field(default=None, primary_key=True, sa_type=NUMBERED)
    id: str = Field(sa_type=Text, unique=True)
    part: str = Field(sa_type=Text)  # clip, time_lapse
    kind: str = Field(default="", sa_type=Text)  # of the event it shows above all
    event: int | None = None
    job: str | None = Field(default=None, sa_type=Text)
    state: str = Field(sa_type=Text)  # making, kept, lost, paused
    size_bytes: int = Field(sa_type=BigInteger)


class ToolpathRow(JournalTable, table=True):
    """One toolpath: what it builds, or why it can't be read."""

    __tablename__ = "toolpath"

    number: int | None = Field(default=None, primary_key=True, sa_type=NUMBERED)
    id: str = Field(sa_type=Text, unique=True)
    at_us: int = Field(sa_type=BigInteger)  # when it came
    name: str = Field(sa_type=Text)
    chamber: str = Field(sa_type=Text)  # whose machine it is for
    source: str = Field(default="", sa_type=Text, index=True)  # a file of the watched folder
    state: str = Field(sa_type=Text)  # waiting, ready, refused
    size_bytes: int = Field(sa_type=BigInteger)
    body: str = Field(sa_type=Text)  # the whole of it, or the line and what is wrong there
    columns: bytes | None = Field(default=None, sa_type=LargeBinary)  # layers and outlines


class JobToolpath(JournalTable, table=True):
    """Which toolpath a job follows."""

    __tablename__ = "job_toolpath"
    __table_args__ = (Index("job_toolpath_toolpath", "toolpath"), KEYED)

    job: str = Field(primary_key=True, sa_type=Text)
    toolpath: str = Field(sa_type=Text)
    at_us: int = Field(sa_type=BigInteger)


class ChamberMemory(JournalTable, table=True):
    """What a chamber's watch has learned and wants to know again at its next start."""

    __tablename__ = "chamber_memory"
    __table_args__ = (KEYED,)

    chamber: str = Field(primary_key=True, sa_type=Text)
    at_us: int = Field(sa_type=BigInteger)
    digest: str = Field(sa_type=Text)  # SHA-256 of the body: a damaged one is worse than none
    body: str = Field(sa_type=Text)


class SettingsRow(JournalTable, table=True):
    """Settings with which jobs were watched, without what is private; one row for each change."""

    __tablename__ = "settings"
    __table_args__ = (KEYED,)

    id: str = Field(primary_key=True, sa_type=Text)  # "<chamber> <hash as in `made_with`>"
    chamber: str = Field(sa_type=Text)
    at_us: int = Field(sa_type=BigInteger)
    body: str = Field(sa_type=Text)


class StandingEvent(_Current, table=True):
    """The last change of each event that has not been cleared."""

    __tablename__ = "standing_event"
    __table_args__ = (KEYED,)

    id: str = Field(primary_key=True, sa_type=Text)  # "<chamber>-<event>"
    event: int


class NoticeTable(JournalTable, table=True):
    """The outbox: one message on one route to one person."""

    __tablename__ = "notice"
    __table_args__ = (Index("notice_due", "state", "next_try_us"), KEYED)

    key: str = Field(primary_key=True, sa_type=Text)
    chamber: str = Field(sa_type=Text)
    alarm: str | None = Field(default=None, sa_type=Text)
    kind: str = Field(sa_type=Text)
    priority: str = Field(sa_type=Text)
    person: str = Field(sa_type=Text)
    route: str = Field(sa_type=Text)
    title: str = Field(sa_type=Text)
    text: str = Field(sa_type=Text)
    stage: str = Field(default="", sa_type=Text)
    created_us: int = Field(sa_type=BigInteger)
    state: str = Field(sa_type=Text)  # pending, sent, failed, superseded
    tries: int = 0
    next_try_us: int = Field(default=0, sa_type=BigInteger)  # 0: at once
    outcome: str = Field(default="", sa_type=Text)  # of the last try, for people


class Delivery(JournalTable, table=True):
    """One try to send a notice, and how it ended."""

    __tablename__ = "delivery"
    __table_args__ = ({"sqlite_autoincrement": True},)

    id: int | None = Field(default=None, primary_key=True, sa_type=NUMBERED)
    notice: str = Field(sa_type=Text, index=True)
    at_us: int = Field(sa_type=BigInteger)
    sent: bool
    outcome: str = Field(sa_type=Text)


class WatchMark(JournalTable, table=True):
    """When a chamber was last watched, and the numbers that come next there."""

    __tablename__ = "watch_mark"
    __table_args__ = (KEYED,)

    chamber: str = Field(primary_key=True, sa_type=Text)
    boot_id: str = Field(sa_type=Text)
    mono_s: float
    at_us: int = Field(sa_type=BigInteger)
    next_event: int = 1
    next_job: int = 1


class Stretch(ArchiveTable, table=True):
    """The readings of one sensor over one stretch of time, packed; never rewritten.

    Instants are milliseconds since the epoch; those inside the payload count
    from `start_ms`. Temperatures are degrees Celsius, None if all readings of
    the stretch are missing.
    """

    __tablename__ = "stretch"
    __table_args__ = (
        # Zoomed-out questions are answered from this index alone; rows with payloads stay unread.
        Index(
            "stretch_summary",
            "chamber",
            "sensor",
            "start_ms",
            "end_ms",
            "count",
            "low_c",
            "high_c",
            "mean_c",
        ),
        Index("stretch_end", "end_ms"),
    )

    id: int | None = Field(default=None, primary_key=True, sa_type=NUMBERED)
    chamber: str = Field(sa_type=Text)
    sensor: str = Field(sa_type=Text)
    start_ms: int = Field(sa_type=BigInteger)
    end_ms: int = Field(sa_type=BigInteger)
    count: int
    low_c: float | None = None
    high_c: float | None = None
    mean_c: float | None = None
    payload: bytes = Field(sa_type=LargeBinary)


class SummaryBlock(ArchiveTable, table=True):
    """What the readings of one sensor came to in neighbouring stretches: see `summaries`."""

    __tablename__ = "summary"
    __table_args__ = (Index("summary_block", "chamber", "sensor", "level", "number", unique=True),)

    id: int | None = Field(default=None, primary_key=True, sa_type=NUMBERED)
    chamber: str = Field(sa_type=Text)
    sensor: str = Field(sa_type=Text)
    level: int
    number: int = Field(sa_type=BigInteger)
    content: bytes = Field(sa_type=LargeBinary)


class TailMark(ArchiveTable, table=True):
    """Which tail file holds the readings that are not packed yet, and how many in it are.

    `packed` is JSON: of each chamber and sensor how many of the first readings in that file lie
    in rows already.
    """

    __tablename__ = "tail_mark"

    id: int = Field(primary_key=True)  # always 1
    generation: int = Field(sa_type=BigInteger)
    packed: str = Field(default="[]", sa_type=Text)
