"""What boards and a hall of many chambers say to each other: topics, and one model a message.

What a board says lies below PREFIX/BOARD/CHAMBER, where BOARD is a mark that each board has given
itself and CHAMBER the chamber's key, so that two boards with a chamber of one name are two:

    watch       is it watched; retained, and by the last will also where the board can't say so
    now         how it is, for one line of a page; retained
    alarms/ID   each alarm as it stands; retained, empty once it is over and answered
    entries     rows of the ledger in the order of `seq`: one a message, or as many as a hall
                says that it takes in one, those behind the first in `more`
    readings    temperatures, in the order of time
    acted       what became of an order

A hall answers there, and says at PREFIX/hall (retained, and by its last will) that it takes:

    taken       how far it has this chamber for good; retained
    acts        an order of somebody who looks at the hall, signed

All of it is JSON in UTF-8 at QoS 1. Labels ending in `at` are RFC 3339 in UTC, names carry
units, and within `v` 1 fields are only added. An entry is known by `parcel` and `part`, a
reading by its sensor and `at_ms`: what comes twice is to be kept once.

References
----------
OASIS, MQTT version 5.0; JSON Schema, draft 2020-12.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Final, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, JsonValue

from stillair import __version__
from stillair.storage.items import Item
from stillair.storage.kept_lines import KeptLine
from stillair.storage.onward import MOST_SENSORS, NextReadings
from stillair.storage.packing import MISSING, UNITS_PER_K

VERSION: Final = 1
MOST_READINGS: Final = 1_500  # in one message, all sensors together
READING_BYTES: Final = 30  # at most: instant, temperature and two commas
LARGEST_BYTES: Final = 64 * 1024  # of a batch of readings
MOST_ENTRIES: Final = 100  # in one message; several keep within LARGEST_BYTES as well
LARGEST_ENTRY_BYTES: Final = 256 * 1024  # what is longer no taker has to bear

WATCHING: Final = "watching"
STUCK: Final = "stuck"
ENDED: Final = "ended"
SILENT: Final = "silent"
State = Literal["watching", "stuck", "ended", "silent"]


Instant = Annotated[int, Field(gt=-(10**14), lt=10**14)]  # milliseconds since the epoch


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")


class _Message(_Part):
    """What every message says."""

    v: Literal[1] = 1
    board: str = Field(description="The mark that the board has given itself.")
    chamber: str = Field(description="The chamber's key.")
    simulated: bool = Field(description="True where no real chamber is behind it.")

    def payload(self) -> bytes:
        """As it is published."""
        return self.model_dump_json(by_alias=True).encode()


class WatchMessage(_Message):
    """Whether somebody watches: `stuck` where a loop of the watch no longer comes round,
    `ended` where its service was stopped, `silent` where the connection broke off."""

    name: str = Field(description="What people call the chamber.")
    place: str = Field(default="", description="Where its board is, in words; empty where unsaid.")
    state: State
    at: str = Field(description="Since when; in the last will when the connection began.")
    version: str = Field(default=__version__, description="Of the program.")


class JobNow(_Part):
    """The job that runs."""

    id: str
    name: str
    material: str
    state: str
    started_at: str
    height_mm: float | None


class SensorNow(_Part):
    """A sensor's last word."""

    name: str
    place: str
    temperature_c: float | None
    at: str | None
    fault: str | None


class CameraNow(_Part):
    """Whether there is a camera, and whether its picture is fit to watch by."""

    watched: bool
    condition: str
    reason: str


class NowMessage(_Message):
    """How a chamber is, with what one line of a page needs."""

    name: str
    at: str
    sentence: str
    sub: str
    tone: str
    calm: bool
    phase: str
    air_c: float | None
    target_c: float | None
    limit_c: float
    whole: bool = Field(description="False where something ails the watch itself.")
    job: JobNow | None
    sensors: tuple[SensorNow, ...]
    camera: CameraNow
    not_watched: tuple[str, ...]
    standing: tuple[str, ...] = Field(description="The alarms that stand, by their ids.")


class Alarm(_Part):
    """An alarm as it stands, after ISA-18.2."""

    model_config = ConfigDict(frozen=True, extra="ignore", populate_by_name=True)

    id: str
    kind: str
    signal_class: str = Field(alias="class")
    priority: str
    annunciation: str
    suppression: str
    condition: bool
    event: int | None
    job: str | None
    subject: str
    raised_at: str
    began_at: str
    changed_at: str
    text: str
    acknowledged_by: str | None
    acknowledged_at: str | None
    shelved_until: str | None
    shelved_reason: str
    blind: bool
    cause_alarm: str | None


class AlarmMessage(_Message):
    """One alarm as it stands."""

    alarm: Alarm


class Entry(_Part):
    """One row of the ledger. Its body is the record that is kept, less hosts and paths.

    Its instants (`_s`) are seconds of the board's boot; `at_us` - 10^6 `mono_s` is when second 0
    of that was, in microseconds since the epoch.
    """

    seq: int = Field(description="Its number on this board; gaps are meant.")
    parcel: str = Field(description="Which outcome brought it; with `part` its identity.")
    part: int
    topic: str
    kind: str
    job: str | None
    event: int | None
    boot_id: str
    mono_s: float
    at_us: int
    made_with: str = Field(description="Version of the program, hash of its settings.")
    body: dict[str, JsonValue]

    @classmethod
    def of(cls, seq: int, line: KeptLine, body: Item) -> Entry:
        """The row of that number, with its body as it may go out."""
        return cls(
            seq=seq,
            parcel=line.parcel,
            part=line.part,
            topic=line.topic,
            kind=line.kind,
            job=line.job,
            event=line.event,
            boot_id=line.boot,
            mono_s=line.mono_s,
            at_us=line.at_us,
            made_with=line.made_with,
            body=body,
        )


class EntryMessage(_Message, Entry):
    """A row of the ledger, and those that follow it."""

    after: int | None = Field(
        default=None,
        description="The number that `taken` named last: behind a gap nothing is taken.",
    )
    more: tuple[Entry, ...] = Field(
        default=(),
        max_length=MOST_ENTRIES - 1,
        description="The rows behind it: only to a hall that takes several in one message.",
    )


class Erased(_Part):
    """The body of an entry with the topic `erased`: an owner has erased a job on the board, with
    all that happened in it and its readings. Seconds as in every body: before `mono_s`, 0.
    """

    job: str
    begun_s: float
    over_s: float


class Column(_Part):
    """One sensor's readings: instants since the epoch and, as long, values; null for a gap."""

    at_ms: list[int]
    temperature_c: list[float | None]


class ReadingsMessage(_Message):
    """Readings of several sensors: within a lane all of one message are before those of the
    next. Where the board's clock was set back a new lane begins, with a higher number."""

    lane: int = Field(default=0, ge=0)
    after_ms: dict[str, int] = Field(
        default_factory=dict,
        description="Of its sensors what `taken` named last, if that was of this lane.",
    )
    sensors: dict[str, Column]


class HallMessage(_Part):
    """Whether a hall takes what boards publish: `ended` on purpose, `silent` where its
    connection broke off. While it doesn't take, boards keep what they have."""

    v: Literal[1] = 1
    hall: str = Field(
        min_length=1, max_length=64, description="The mark that the hall's store has been given."
    )
    state: Literal["taking", "ended", "silent"]
    at: str
    entries: int = Field(
        default=1, ge=1, description="How many rows of the ledger it takes in one message."
    )
    version: str = Field(default=__version__, description="Of the program.")

    def payload(self) -> bytes:
        """As it is published."""
        return self.model_dump_json().encode()


class TakenMessage(_Part):
    """How far a hall has a chamber, in a store that survives it. A board goes on from there,
    also where that is less than it has sent: then the hall's store is an older one."""

    v: Literal[1] = 1
    hall: str = Field(min_length=1, max_length=64)
    board: str
    chamber: str
    seq: int = Field(ge=0, lt=2**63, description="The last row of the ledger; 0 for none.")
    parcel: str = Field(
        max_length=200, description="The parcel of that row, by which a journal is known again."
    )
    lane: int = Field(
        default=0, ge=0, lt=2**52, description="The newest lane of which there are readings."
    )
    sensors: dict[Annotated[str, Field(max_length=200)], Instant] = Field(
        max_length=MOST_SENSORS, description="In it, of each sensor the last `at_ms`."
    )

    def payload(self) -> bytes:
        """As it is published."""
        return self.model_dump_json().encode()


class Order(_Part):
    """What somebody at the hall wants a board to do. Good for a minute, and once."""

    id: str = Field(min_length=1, max_length=64)
    board: str
    chamber: str
    at: AwareDatetime = Field(description="When it was given, RFC 3339.")
    act: Literal["acknowledge"]
    alarm: str = Field(max_length=200, description="As the board calls it.")
    by: str = Field(max_length=80, description="Who says so.")


class ActMessage(_Part):
    """An order as it is sent: signed, as whoever reaches the broker could say anything."""

    v: Literal[1] = 1
    order: str = Field(max_length=4_000, description="An `Order` as JSON text.")
    signature: str = Field(description="HMAC-SHA256 of that text by the hall's secret, in hex.")
    own_signature: str = Field(
        default="",
        description="The same by the board's own secret: HMAC-SHA256 of its mark by the hall's, "
        "in hex.",
    )

    def payload(self) -> bytes:
        """As it is published."""
        return self.model_dump_json().encode()


class ActedMessage(_Message):
    """What became of an order; `reason` says why nothing."""

    id: str
    done: bool
    reason: str = ""


MESSAGES: Final[dict[str, type[_Message]]] = {
    "watch": WatchMessage,
    "now": NowMessage,
    "alarms": AlarmMessage,
    "entries": EntryMessage,
    "readings": ReadingsMessage,
    "acted": ActedMessage,
}
# What a hall says.
ANSWERS: Final[dict[str, type[_Part]]] = {
    "hall": HallMessage,
    "taken": TakenMessage,
    "acts": ActMessage,
}


class Form:
    """Makes the messages of one chamber.

    Parameters
    ----------
    prefix, board, chamber : str
        What the topics begin with; the board's mark; the chamber's key.
    name : str
        What people call the chamber.
    simulated : bool
    place : str
        Where its board is, in words.
    """

    def __init__(
        self, *, prefix: str, board: str, chamber: str, name: str, simulated: bool, place: str = ""
    ) -> None:
        self.base = f"{prefix}/{board}/{chamber}"
        self.hall_topic = f"{prefix}/hall"
        self.board, self.chamber = board, chamber
        self._of: dict[str, Any] = {"board": board, "chamber": chamber, "simulated": simulated}
        self._name = name
        self._place = place

    def topic(self, of: str) -> str:
        """The topic of a message, as "now" or "alarms/north-bench-3"."""
        return f"{self.base}/{of}"

    def watch(self, state: State, at: str) -> bytes:
        """Whether it is watched."""
        return WatchMessage(
            **self._of, name=self._name, place=self._place, state=state, at=at
        ).payload()

    def now(self, item: Mapping[str, Any], *, whole: bool) -> NowMessage:
        """How it is, of what the first page shows of the chamber."""
        chosen = {**item, **self._of}
        standing = [alarm["id"] for alarm in item["alarms"]]
        return NowMessage.model_validate({**chosen, "whole": whole, "standing": standing})

    def alarm(self, item: Mapping[str, Any]) -> bytes:
        """An alarm as it stands."""
        return AlarmMessage(**self._of, alarm=Alarm.model_validate(item)).payload()

    def entries(self, first: Entry, *more: Entry, after: int | None = None) -> bytes:
        """Rows of the ledger that follow each other, and what `taken` named last."""
        return EntryMessage(**self._of, **dict(first), after=after, more=more).payload()

    def acted(self, order: str, reason: str | None) -> bytes:
        """What became of an order: None where it was done, else why not."""
        done = reason is None
        return ActedMessage(**self._of, id=order, done=done, reason=reason or "").payload()

    def readings(
        self, found: NextReadings, lane: int, *, after_ms: Mapping[str, int] | None = None
    ) -> bytes:
        """A batch of readings of a lane, and what `taken` named last."""
        sensors = {
            sensor: Column(
                at_ms=times_ms.tolist(),
                temperature_c=[
                    None if value == MISSING else value / UNITS_PER_K for value in units.tolist()
                ],
            )
            for sensor, (times_ms, units) in found.pieces.items()
        }
        return ReadingsMessage(
            **self._of, lane=lane, after_ms=dict(after_ms or {}), sensors=sensors
        ).payload()
