"""What readings came to over stretches of several lengths, so that no chart unpacks years.

Three levels of stretches, each aligned to the epoch: lowest and highest reading,
first and last instant and how many. A block holds 288 of one sensor in a few
hundred bytes; a block of one level is twelve stretches of the next. A row that comes
is added to the blocks of its day, and where one goes they are made anew from the
rows of that day, so that keeping a reading costs the same after ten years as on the
first day.
"""

from __future__ import annotations

import logging
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Protocol

import numpy as np

from stillair.storage.packing import (
    MISSING,
    ColumnReader,
    Ints,
    pack_columns,
    to_units,
    unpack,
)
from stillair.storage.stretches import ROW_SPAN_MS

log = logging.getLogger(__name__)

PER_BLOCK = 288
PER_NEXT = 24  # stretches of one level are one of the next
NEXT_OF_BLOCK = PER_BLOCK // PER_NEXT
WIDTHS_MS = tuple(300_000 * PER_NEXT**level for level in range(3))  # 5 minutes, 2 hours, 2 days
DAY_MS = WIDTHS_MS[0] * PER_BLOCK
SHORT_ROW_MS = 2 * WIDTHS_MS[0]  # of a shorter row its own summary says enough
CHECKSUM_BYTES = 4


@dataclass(frozen=True, slots=True)
class Stretches:
    """Neighbouring stretches, one an element; `count` is 0 where there is no reading.

    `low` and `high` are units of 10^-7 K, `MISSING` where all readings of the stretch are;
    instants milliseconds since the epoch.
    """

    low: Ints
    high: Ints
    first_ms: Ints
    last_ms: Ints
    count: Ints

    @classmethod
    def none(cls, number: int) -> Stretches:
        """As many stretches without a reading."""
        return cls(
            np.full(number, MISSING),
            np.full(number, MISSING),
            *(np.zeros(number, np.int64) for _ in range(3)),
        )

    def add(self, at: Ints, more: Stretches) -> None:
        """Take stretches that lie within those at the given places."""
        known = more.low != MISSING
        low = np.full(len(self.low), np.iinfo(np.int64).max)
        np.minimum.at(low, at[known], more.low[known])
        lower = (low < np.iinfo(np.int64).max) & ((self.low == MISSING) | (low < self.low))
        self.low[lower] = low[lower]
        np.maximum.at(self.high, at[known], more.high[known])  # `MISSING` is below all others
        here = more.count > 0
        first_ms = np.where(self.count > 0, self.first_ms, np.iinfo(np.int64).max)
        np.minimum.at(first_ms, at[here], more.first_ms[here])
        last_ms = np.where(self.count > 0, self.last_ms, np.iinfo(np.int64).min)
        np.maximum.at(last_ms, at[here], more.last_ms[here])
        np.add.at(self.count, at[here], more.count[here])
        now = self.count > 0
        self.first_ms[now], self.last_ms[now] = first_ms[now], last_ms[now]

    @classmethod
    def joined(cls, parts: Sequence[Stretches]) -> Stretches:
        """All of them, one behind the other."""
        names = [each.name for each in fields(cls)]
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))

    def where(self, wanted: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Stretches:
        """Only these."""
        return Stretches(*(getattr(self, each.name)[wanted] for each in fields(self)))


def level_for(width_ms: float) -> int | None:
    """The widest level whose stretches are no longer than that, None if all are."""
    fit = [level for level, each in enumerate(WIDTHS_MS) if each <= width_ms]
    return max(fit, default=None)


def blocks_of(level: int, start_ms: int, end_ms: int) -> tuple[int, int]:
    """Numbers of the first and the last block of a window."""
    span_ms = WIDTHS_MS[level] * PER_BLOCK
    return start_ms // span_ms, end_ms // span_ms


def read_block(content: bytes, level: int, number: int) -> Stretches:
    """The stretches of a block. Raises `ValueError` if it is damaged."""
    checksum, body = content[:CHECKSUM_BYTES], content[CHECKSUM_BYTES:]
    if zlib.crc32(body).to_bytes(CHECKSUM_BYTES, "little") != checksum:
        raise ValueError("a damaged block of summaries")
    reader = ColumnReader(body)
    count = reader.next(PER_BLOCK)
    here = count > 0
    since_ms, lasting_ms = (reader.next(int(here.sum())) for _ in range(2))
    known = reader.next(int(here.sum())).astype(np.bool_)
    low, above = (reader.next(int(known.sum())) for _ in range(2))
    found = Stretches.none(PER_BLOCK)
    found.count[:] = count
    found.first_ms[here] = since_ms + _starts_ms(level, number)[here]
    found.last_ms[here] = found.first_ms[here] + lasting_ms
    places = np.flatnonzero(here)[known]
    found.low[places], found.high[places] = low, low + above
    return found


def _write_block(found: Stretches, level: int, number: int) -> bytes:
    here = found.count > 0
    known = found.low[here] != MISSING
    low, high = found.low[here][known], found.high[here][known]
    body = pack_columns(
        (
            found.count,
            (found.first_ms - _starts_ms(level, number))[here],
            (found.last_ms - found.first_ms)[here],
            known.astype(np.int64),
            low,
            high - low,
        )
    )
    return zlib.crc32(body).to_bytes(CHECKSUM_BYTES, "little") + body


def _starts_ms(level: int, number: int) -> Ints:
    begins: Ints = np.arange(number * PER_BLOCK, (number + 1) * PER_BLOCK) * WIDTHS_MS[level]
    return begins


def of_readings(times_ms: Ints, units: Ints) -> Stretches:
    """Readings in the order of time as stretches of the first level, those that have any."""
    begins = np.flatnonzero(np.diff(times_ms // WIDTHS_MS[0], prepend=times_ms[0] - DAY_MS))
    ends = np.append(begins[1:], len(times_ms)) - 1
    lows = np.minimum.reduceat(np.where(units == MISSING, np.iinfo(np.int64).max, units), begins)
    highs = np.maximum.reduceat(units, begins)
    return Stretches(
        np.where(highs == MISSING, MISSING, lows),
        highs,
        times_ms[begins],
        times_ms[ends],
        ends - begins + 1,
    )


# --- in the file --------------------------------------------------------------------------------


class Statements(Protocol):
    """Where statements are carried out, with `?` for parameters: SQLite's own connection, say."""

    def execute(self, sql: str, parameters: Sequence[Any], /) -> Any: ...


Place = tuple[str, str, int, int]  # chamber, sensor, first and last instant in ms
Days = dict[tuple[str, str], dict[int, Stretches]]  # blocks of the first level that have changed

_COLUMNS = ("id", "sensor", "start_ms", "end_ms", "count", "low_c", "high_c")
_ROWS = (
    f"SELECT {', '.join(_COLUMNS)} FROM stretch WHERE chamber = ?"  # noqa: S608 - ours
    " AND sensor = ? AND start_ms BETWEEN ? AND ? AND end_ms >= ?"
)
_OF_BLOCK = "chamber = ? AND sensor = ? AND level = ? AND number = ?"


def add_rows(file: Statements, rows: Iterable[Mapping[str, Any]]) -> None:
    """Sum up rows of `stretch` that have just come.

    Within the transaction in which they did; raises what the driver raises.
    """
    changed: Days = {}
    for row in rows:
        key = (row["chamber"], row["sensor"])
        days = changed.setdefault(key, {})
        part = _part(row)
        for day in _days(row["start_ms"], row["end_ms"]):
            if day not in days:
                days[day] = _block(file, *key, 0, day)
            _add(days[day], day, part)
    _keep_all(file, changed)


def refresh(file: Statements, touched: Iterable[Place]) -> None:
    """Make anew what is summed up of the days in which rows have gone.

    Within the transaction in which they did; raises what the driver raises.
    """
    changed: Days = {}
    for chamber, sensor, start_ms, end_ms in touched:
        days = changed.setdefault((chamber, sensor), {})
        for day in _days(start_ms, end_ms):
            if day not in days:
                days[day] = _day(file, chamber, sensor, day)
    _keep_all(file, changed)


def _days(start_ms: int, end_ms: int) -> range:
    return range(start_ms // DAY_MS, end_ms // DAY_MS + 1)


def _keep_all(file: Statements, days: Days) -> None:
    """Keep blocks of the first level, and with them those above."""
    for (chamber, sensor), changed in days.items():
        below = changed
        for level in range(len(WIDTHS_MS)):
            above: dict[int, Stretches] = {}
            for number, block in below.items():
                _keep(file, chamber, sensor, level, number, block)
                if level + 1 < len(WIDTHS_MS):
                    parent, place = divmod(number, PER_NEXT)
                    if parent not in above:
                        above[parent] = _block(file, chamber, sensor, level + 1, parent)
                    above[parent] = _with(above[parent], place * NEXT_OF_BLOCK, block)
            below = above


def _with(block: Stretches, place: int, below: Stretches) -> Stretches:
    """A block in which twelve stretches are exchanged for what one of the level below has."""
    left = np.ones(PER_BLOCK, np.bool_)
    left[place : place + NEXT_OF_BLOCK] = False
    made = Stretches.none(PER_BLOCK)
    made.add(np.flatnonzero(left), block.where(left))
    made.add(place + np.arange(PER_BLOCK) // PER_NEXT, below)
    return made


def _day(file: Statements, chamber: str, sensor: str, day: int) -> Stretches:
    begin_ms = day * DAY_MS
    found = Stretches.none(PER_BLOCK)
    asked = (chamber, sensor, begin_ms - ROW_SPAN_MS, begin_ms + DAY_MS - 1, begin_ms)
    for values in file.execute(_ROWS, asked).fetchall():
        row = dict(zip(_COLUMNS, values, strict=True))
        if row["end_ms"] - row["start_ms"] > SHORT_ROW_MS:
            payload = "SELECT payload FROM stretch WHERE id = ?"
            (row["payload"],) = file.execute(payload, (row["id"],)).fetchone()
        _add(found, day, _part(row))
    return found


def _part(row: Mapping[str, Any]) -> Stretches:
    """What a row has of the stretches of the first level."""
    if row["end_ms"] - row["start_ms"] <= SHORT_ROW_MS:
        extremes = (to_units(row["low_c"]), to_units(row["high_c"]))
        columns = (*extremes, row["start_ms"], row["end_ms"], row["count"])
        return Stretches(*(np.array([each], np.int64) for each in columns))
    try:
        return of_readings(*unpack(row["payload"], row["start_ms"], row["count"]))
    except ValueError as error:
        log.error("a row of %s is left out of summaries: %s", row["sensor"], error)
        return Stretches.none(0)


def _add(found: Stretches, day: int, part: Stretches) -> None:
    """Add to the stretches of a day those of a row; a longer one counts where its middle is."""
    at = ((part.first_ms + part.last_ms) // 2 - day * DAY_MS) // WIDTHS_MS[0]
    inside = (at >= 0) & (at < PER_BLOCK)
    found.add(at[inside], part.where(inside))


def _block(file: Statements, chamber: str, sensor: str, level: int, number: int) -> Stretches:
    row = file.execute(
        f"SELECT content FROM summary WHERE {_OF_BLOCK}",  # noqa: S608 - ours
        (chamber, sensor, level, number),
    ).fetchone()
    if row is not None:
        try:
            return read_block(row[0], level, number)
        except ValueError as error:
            log.error("summaries of %s %s are made anew in part: %s", chamber, sensor, error)
    return Stretches.none(PER_BLOCK)


def _keep(
    file: Statements,
    chamber: str,
    sensor: str,
    level: int,
    number: int,
    found: Stretches,
) -> None:
    key = (chamber, sensor, level, number)
    if not found.count.any():
        file.execute(f"DELETE FROM summary WHERE {_OF_BLOCK}", key)  # noqa: S608 - ours
        return
    file.execute(
        "INSERT INTO summary (chamber, sensor, level, number, content) VALUES (?, ?, ?, ?, ?)"
        " ON CONFLICT (chamber, sensor, level, number) DO UPDATE SET content = excluded.content",
        (*key, _write_block(found, level, number)),
    )
