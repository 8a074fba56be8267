"""What a hall takes in one round, and what of it is new: pure.

A board sends again what it was not told is taken. So readings that are not behind the cursor of
their sensor, within their lane, came twice, as does an entry whose parcel and part are known of
its chamber.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from stillair.storage.kept_lines import KeptLine
from stillair.storage.stretches import ROW_SPAN_MS
from stillair.storage.tail import Series

ROW_READINGS = 3_600  # an hour at one a second; on a server no row has to fill a page


@dataclass(frozen=True, slots=True)
class Whose:
    """A chamber as it is called here, the mark of its board and its key there."""

    chamber: str
    board: str
    key: str


@dataclass(frozen=True, slots=True)
class Cursor:
    """How far a chamber has been taken; as in the message that says so to its board."""

    of: Whose
    seq: int = 0
    parcel: str = ""
    lane: int = 0
    sensors: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class EntryCame:
    """A row of a board's ledger, with names as they are here; `seq` is the board's number.

    `line` is None for one that nobody can read: the cursor goes on behind it. `after` is the
    number that was taken before it, None where nobody has said so.
    """

    of: Whose
    seq: int
    parcel: str
    line: KeptLine | None
    after: int | None = None

    def is_behind_gap(self, cursor: Cursor) -> bool:
        """Whether there is something before it that never came."""
        return self.after is not None and self.after > cursor.seq


@dataclass(frozen=True, slots=True)
class ReadingsCame:
    """Readings of a chamber: of each sensor instants in ms, which grow, and units of 10^-7 K.

    `after_ms` has of sensors the last instant in this lane that was taken before.
    """

    of: Whose
    lane: int
    sensors: Mapping[str, tuple[list[int], list[int]]]
    after_ms: Mapping[str, int] = field(default_factory=dict)

    def is_behind_gap(self, cursor: Cursor) -> bool:
        """Whether there is something before it in its lane that never came."""
        known = cursor.sensors
        return self.lane == cursor.lane and any(
            name in known and after_ms > known[name] for name, after_ms in self.after_ms.items()
        )


Came = EntryCame | ReadingsCame


def behind(cursor: Cursor, came: ReadingsCame) -> tuple[Cursor, list[Series]]:
    """What of these readings is new, and the cursor once that is kept."""
    if came.lane < cursor.lane:
        return cursor, []  # a board is through with a lane before it begins the next
    sensors = dict(cursor.sensors) if came.lane == cursor.lane else {}
    fresh = []
    for name, (times_ms, units) in came.sensors.items():
        begin = bisect_right(times_ms, sensors[name]) if name in sensors else 0
        if begin < len(times_ms):
            fresh.append(Series("", name, array("q", times_ms[begin:]), array("q", units[begin:])))
            sensors[name] = times_ms[-1]
    return replace(cursor, lane=came.lane, sensors=sensors), fresh


@dataclass(slots=True)
class Waiting:
    """How much of a chamber is in the tail: readings of the sensor with most, and their span."""

    count: int = 0
    first_ms: int = 2**62
    last_ms: int = -(2**62)

    def add(self, count: int, first_ms: int, last_ms: int) -> None:
        """There are more."""
        self.count += count
        self.first_ms = min(self.first_ms, first_ms)
        self.last_ms = max(self.last_ms, last_ms)

    @property
    def is_due(self) -> bool:
        """Whether to look if any of it is to be packed. What `cut` leaves over isn't."""
        return self.count >= ROW_READINGS or self.last_ms - self.first_ms > 3 * ROW_SPAN_MS


def cut(came: Iterable[Series]) -> tuple[list[Series], list[Series]]:
    """Series as they came, of any sensors, as whole rows to be packed and the rest to wait.

    As on a board a row ends when it is full, spans its time, or the clock was set back; so does
    one of a sensor of which nothing has come for that time.
    """
    full: list[Series] = []
    growing: dict[str, Series] = {}
    now_ms = 0
    for each in came:
        for at_ms, units in zip(each.times_ms, each.units, strict=True):
            series = growing.get(each.sensor)
            if series is None or _is_over(series.times_ms, at_ms):
                if series is not None:
                    full.append(series)
                series = growing[each.sensor] = Series(each.chamber, each.sensor)
            series.times_ms.append(at_ms)
            series.units.append(units)
            now_ms = at_ms
    rest: list[Series] = []
    for series in growing.values():
        times_ms = series.times_ms
        is_late = abs(times_ms[-1] - now_ms) > ROW_SPAN_MS
        (full if len(times_ms) >= ROW_READINGS or is_late else rest).append(series)
    return full, rest


def _is_over(times_ms: array[int], next_ms: int) -> bool:
    return (
        len(times_ms) >= ROW_READINGS
        or next_ms < times_ms[-1]
        or next_ms - times_ms[0] > ROW_SPAN_MS
    )
