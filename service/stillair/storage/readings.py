"""Read the archive: columns for a chart, rows for an export.

What is not packed yet is included, from the memory of the archive or, in
another process, from its tail file. Reads are short and bounded: payloads come
a few at a time, and a question about days or years is answered from summaries. A
damaged row, or block of summaries, is left out and counted in `damaged`.
"""

from __future__ import annotations

import heapq
import logging
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, cast

import numpy as np
from sqlalchemy import bindparam, func, select, text
from sqlmodel import col

from stillair.database import DamagedStoreError, Reads, reads_of
from stillair.errors import StoreError
from stillair.model import JsonValue
from stillair.storage.archive import packed_of, tail_generations
from stillair.storage.packing import MISSING, UNITS_PER_K, Ints, unpack
from stillair.storage.recent import read_recent
from stillair.storage.stretches import ROW_SPAN_MS
from stillair.storage.summaries import Stretches, blocks_of, level_for, read_block
from stillair.storage.tables import Stretch, TailMark
from stillair.storage.tail import Series, not_packed, read_tail
from stillair.storage.thinning import ROW_TOLERANCE_MS, Buckets, held_over, rows_of

log = logging.getLogger(__name__)

FEWEST_POINTS, MOST_POINTS = 2, 20_000
BATCH_ROWS = 32  # payloads read at once, about 130 kB
EARLIEST_S, LATEST_S = -1e11, 1e11
EARLIEST_MS, LATEST_MS = -(10**14), 10**14

Piece = tuple[Ints, Ints]


@dataclass(frozen=True, slots=True)
class ReadingRows:
    """All readings of a chamber as rows: seconds since the epoch, then one value a sensor."""

    sensors: tuple[str, ...]
    rows: Iterator[tuple[float, tuple[float | None, ...]]]


@dataclass(frozen=True, slots=True)
class _Row:
    id: int
    start_ms: int
    end_ms: int
    count: int


class Live(Protocol):
    """Where the readings are that are not packed yet."""

    def held(self, chamber: str, start_ms: int, end_ms: int) -> dict[str, list[Piece]]:
        """For each sensor pieces that touch a stretch of time. May raise `StoreError`."""

    def chambers(self) -> set[str]:
        """Chambers of which there are any. May raise `StoreError`."""


class Readings:
    """Answer questions about readings. Thread-safe; every method raises `StoreError`.

    `archive` is a file, or who reads its table elsewhere; `live` holds what is not packed yet.
    A file may do without: then that is read from its tail.
    """

    def __init__(self, archive: Path | Reads, live: Live | None = None) -> None:
        self._path = archive if isinstance(archive, Path) else None
        self._archive = live
        self._reader = reads_of(archive)
        self._damaged: set[tuple[str, int]] = set()

    @property
    def damaged(self) -> int:
        """How many damaged rows and blocks have been met."""
        return len(self._damaged)

    def close(self) -> None:
        """Let the file go; harmless twice."""
        self._reader.close()

    def columns(
        self, chamber: str, start_s: float, end_s: float, points: int
    ) -> dict[str, JsonValue]:
        """Readings of all sensors on one axis of time, at most `points` rows.

        `{"time_s": [...], "sensors": {name: [...]}}`, seconds since the epoch
        and degrees Celsius, None for a gap. The lowest and highest reading of
        each stretch survive.
        """
        start_ms, end_ms = _window(start_s, end_s)
        points = min(max(points, FEWEST_POINTS), MOST_POINTS)
        held = self._held(chamber, start_ms, end_ms)
        sensors = sorted({*self._sensors(chamber, start_ms, end_ms), *held})
        width_ms = max((end_ms - start_ms + 1) / (points // 2), 1.0)
        level = level_for(width_ms)
        found: dict[str, list[_Row]] = {}
        if level is None:
            found = {name: self._rows(chamber, name, start_ms, end_ms) for name in sensors}
            if all(
                sum(row.count for row in found[name])
                + sum(len(times) for times, _ in held.get(name, ()))
                <= points
                for name in sensors
            ):
                answer = self._all(found, held, start_ms, end_ms)
                if len(cast("list[float]", answer["time_s"])) <= points:
                    return answer
        thinned: dict[str, JsonValue] = {}
        times_s: list[JsonValue] = []
        for name in sensors:
            buckets = Buckets(start_ms, width_ms, points // 2)
            if level is not None:
                self._summaries(chamber, name, start_ms, end_ms, level, buckets)
            else:
                for piece in _joined(self._pieces(found[name])):
                    buckets.add(*_cut(piece, start_ms, end_ms))
            for piece in held.get(name, ()):
                buckets.add(*_cut(piece, start_ms, end_ms))
            if not buckets.empty:
                thinned[name] = _nulls(buckets.values())
                times_s = times_s or np.round(buckets.times_s(), 3).tolist()
        return {"time_s": times_s, "sensors": thinned}

    def rows(self, chamber: str, start_s: float, end_s: float) -> ReadingRows:
        """All readings in the order of time, with little memory however many there are.

        Readings of several sensors within half a second share a row.
        """
        start_ms, end_ms = _window(start_s, end_s)
        held = self._held(chamber, start_ms, end_ms)
        sensors = tuple(sorted({*self._sensors(chamber, start_ms, end_ms), *held}))
        streams = [
            self._stream(chamber, name, index, start_ms, end_ms, held.get(name, []))
            for index, name in enumerate(sensors)
        ]
        return ReadingRows(sensors, _join(heapq.merge(*streams), len(sensors)))

    def chambers(self) -> list[str]:
        """Chambers of which readings are kept."""
        if self._archive is not None:
            found = self._archive.chambers()
        else:
            found = {series.chamber for series in self._tail()}
        query = select(func.min(col(Stretch.chamber)))
        with self._reader.connection("the archive can't be read") as connection:
            name: str | None = ""
            while name is not None:  # hopping along the index, which has a row for each stretch
                name = connection.execute(query.where(col(Stretch.chamber) > name)).scalar()
                found |= {name} if name else set()
        return sorted(found)

    def pieces(
        self,
        chamber: str,
        sensor: str,
        start_ms: int = EARLIEST_MS,
        end_ms: int = LATEST_MS,
    ) -> Iterator[Piece]:
        """One sensor's readings as they are kept: milliseconds since the epoch, and units.

        Pieces one behind the other, each instant once.
        """
        held = self._held(chamber, start_ms, end_ms).get(sensor, [])
        return self._merged(chamber, sensor, start_ms, end_ms, held)

    def sensors(self, chamber: str) -> list[str]:
        """Sensors of which a chamber has readings."""
        held = self._held(chamber, EARLIEST_MS, LATEST_MS)
        return sorted({*self._sensors(chamber, EARLIEST_MS, LATEST_MS), *held})

    def newest_s(self, chamber: str, start_s: float, end_s: float) -> float | None:
        """The instant of the newest reading in a stretch, of any sensor; None where there is none.

        Seconds since the epoch.
        """
        start_ms, end_ms = _window(start_s, end_s)
        newest = [
            int(times_ms[-1])
            for sensor in self.sensors(chamber)
            for times_ms, _ in self.pieces(chamber, sensor, start_ms, end_ms)
        ]
        return max(newest) / 1000.0 if newest else None

    # --- from the file -----------------------------------------------------------

    def _sensors(self, chamber: str, start_ms: int, end_ms: int) -> list[str]:
        """Sensors with rows in the window."""
        given = _given(chamber, "", start_ms, end_ms)
        with self._reader.connection("the archive can't be read") as connection:
            return list(connection.execute(_SENSORS, given).scalars())

    def _rows(
        self, chamber: str, sensor: str, start_ms: int, end_ms: int, after: _Row | None = None
    ) -> list[_Row]:
        """Rows of the window in the order of time; with `after` the next few behind that."""
        given = _given(chamber, sensor, start_ms, end_ms)
        query = _ROWS
        if after is not None:
            query = _ROWS_BEHIND
            given |= {"behind_ms": after.start_ms, "behind_id": after.id}
        with self._reader.connection("the archive can't be read") as connection:
            return [_Row(*row) for row in connection.execute(query, given)]

    def _pieces(self, rows: Sequence[_Row]) -> Iterator[Piece]:
        for begin in range(0, len(rows), BATCH_ROWS):
            batch = rows[begin : begin + BATCH_ROWS]
            payloads = self._payloads([row.id for row in batch])
            for row in batch:
                try:
                    yield unpack(payloads[row.id], row.start_ms, row.count)
                except (KeyError, ValueError) as error:
                    self._leave_out("row", row.id, error)

    def _payloads(self, ids: Sequence[int]) -> dict[int, bytes]:
        try:
            with self._reader.connection("the archive can't be read") as connection:
                found = connection.execute(_PAYLOADS, {"ids": list(ids)})
                return {row[0]: row[1] for row in found}
        except DamagedStoreError:
            if len(ids) == 1:
                return {}
            middle = len(ids) // 2
            return {**self._payloads(ids[:middle]), **self._payloads(ids[middle:])}

    def _summaries(
        self, chamber: str, sensor: str, start_ms: int, end_ms: int, level: int, buckets: Buckets
    ) -> None:
        """Give what is known of the window at a level of summaries to `buckets`."""
        first, last = blocks_of(level, start_ms, end_ms)
        given = {"chamber": chamber, "sensor": sensor, "level": level}
        given |= {"first": first - 1, "last": last}
        with self._reader.connection("the archive can't be read") as connection:
            rows = connection.execute(_BLOCKS, given).all()
        parts = []
        for row_id, number, content in rows:
            try:
                parts.append(read_block(content, level, number))
            except ValueError as error:
                self._leave_out("block", row_id, error)
        if parts:
            found = Stretches.joined(parts)
            inside = (found.count > 0) & (found.first_ms <= end_ms) & (found.last_ms >= start_ms)
            buckets.add_summary(found.where(inside))

    def _leave_out(self, what: str, number: int, error: Exception) -> None:
        if (what, number) not in self._damaged:
            self._damaged.add((what, number))
            log.error("%s %d of the archive was left out: %s", what, number, error)

    # --- from memory or the tail -----------------------------------------------------

    def _held(self, chamber: str, start_ms: int, end_ms: int) -> dict[str, list[Piece]]:
        if self._archive is not None:
            return self._archive.held(chamber, start_ms, end_ms)
        held: dict[str, list[Piece]] = {}
        for series in self._tail():
            if series.chamber == chamber:
                held.setdefault(series.sensor, []).append(
                    (
                        np.frombuffer(series.times_ms, np.int64),
                        np.frombuffer(series.units, np.int64),
                    )
                )
        return {
            sensor: inside
            for sensor, pieces in held.items()
            if (inside := [p for p in pieces if p[0][0] <= end_ms and p[0][-1] >= start_ms])
        }

    def _tail(self) -> Iterator[Series]:
        """What the tail file holds and no row does; nothing where there is no file."""
        if (archive := self._path) is None:
            return
        with self._reader.connection("the archive can't be read") as connection:
            query = select(col(TailMark.generation), col(TailMark.packed))
            mark = connection.execute(query).first()
        generation = mark[0] if mark else max(tail_generations(archive), default=0)
        path = archive.with_name(f"{archive.name}-tail-{generation}")
        if path.exists():
            recent = read_recent(archive)  # first: the tail may get it meanwhile
            records = list(read_tail(path))
            found = [series for _, record in records for series in record]
            if recent is not None and records and recent[:2] == (generation, records[-1][0]):
                found.extend(recent[2])
            yield from not_packed(found, packed_of(mark[1]) if mark else {})

    # --- putting together ----------------------------------------------------------------

    def _all(
        self,
        found: dict[str, list[_Row]],
        held: dict[str, list[Piece]],
        start_ms: int,
        end_ms: int,
    ) -> dict[str, JsonValue]:
        """Every reading, one row for those of about the same time."""
        columns = {}
        for name, rows in found.items():
            pieces = [*self._pieces(rows), *held.get(name, ())]
            if pieces:
                times_ms, units = _sorted(pieces, start_ms, end_ms)
                if len(times_ms):
                    columns[name] = (times_ms, units)
        if not columns:
            return {"time_s": [], "sensors": {}}
        row_times, table = rows_of(columns)
        return {
            "time_s": (row_times / 1000).tolist(),
            "sensors": {
                name: _nulls(held_over(row_times, table[name], *columns[name])) for name in columns
            },
        }

    def _stream(
        self,
        chamber: str,
        sensor: str,
        index: int,
        start_ms: int,
        end_ms: int,
        held: list[Piece],
    ) -> Iterator[tuple[int, int, int]]:
        """Readings of one sensor in the order of time: instant, number of the sensor, units."""
        for times_ms, units in self._merged(chamber, sensor, start_ms, end_ms, held):
            for at_ms, value in zip(times_ms.tolist(), units.tolist(), strict=True):
                yield at_ms, index, value

    def _merged(
        self, chamber: str, sensor: str, start_ms: int, end_ms: int, held: list[Piece]
    ) -> Iterator[Piece]:
        """Pieces one behind the other, each instant once; none is empty.

        What is kept may reach across a window and have no reading in it.
        """
        pending: list[Piece] = []
        for piece in self._in_order(chamber, sensor, start_ms, end_ms, held):
            if pending:
                # Pieces overlap only where the clock was set back.
                times_ms, units = _sorted(pending, start_ms, end_ms)
                ready = int(np.searchsorted(times_ms, piece[0][0], "left"))
                if ready:
                    yield times_ms[:ready], units[:ready]
                pending = [(times_ms[ready:], units[ready:])]
            pending.append(piece)
        if pending and len((last := _sorted(pending, start_ms, end_ms))[0]):
            yield last

    def _in_order(
        self, chamber: str, sensor: str, start_ms: int, end_ms: int, held: list[Piece]
    ) -> Iterator[Piece]:
        """Pieces in the order of their beginnings, packed ones and held ones."""
        waiting = sorted(held, key=lambda piece: int(piece[0][0]))
        after = _Row(-1, start_ms - ROW_SPAN_MS - 1, 0, 0)
        while rows := self._rows(chamber, sensor, start_ms, end_ms, after):
            for piece in self._pieces(rows):
                while waiting and waiting[0][0][0] <= piece[0][0]:
                    yield waiting.pop(0)
                yield piece
            after = rows[-1]
        yield from waiting


def _join(
    readings: Iterator[tuple[int, int, int]], sensors: int
) -> Iterator[tuple[float, tuple[float | None, ...]]]:
    row: list[float | None] = [None] * sensors
    taken: set[int] = set()
    begin_ms = -math.inf
    for at_ms, index, units in readings:
        if taken and (at_ms - begin_ms > ROW_TOLERANCE_MS or index in taken):
            yield begin_ms / 1000, tuple(row)
            row, taken = [None] * sensors, set()
        if not taken:
            begin_ms = at_ms
        taken.add(index)
        row[index] = None if units == MISSING else units / UNITS_PER_K
    if taken:
        yield begin_ms / 1000, tuple(row)


# Put together once: a chart asks a dozen of them.
_INSIDE = "chamber = :chamber AND start_ms BETWEEN :earliest_ms AND :end_ms AND end_ms >= :start_ms"
# Hopping along the index: it has a row for each hour of each sensor.
_SENSORS = text(
    "WITH RECURSIVE hop(name) AS ("  # noqa: S608 - ours
    " SELECT min(sensor) FROM stretch WHERE chamber = :chamber UNION ALL"
    " SELECT (SELECT min(sensor) FROM stretch WHERE chamber = :chamber AND sensor > name)"
    " FROM hop WHERE name IS NOT NULL)"
    " SELECT name FROM hop WHERE name IS NOT NULL"
    f" AND EXISTS (SELECT 1 FROM stretch WHERE sensor = name AND {_INSIDE})"
)
_FOUND = (
    "SELECT id, start_ms, end_ms, count FROM stretch"  # noqa: S608 - ours
    f" WHERE sensor = :sensor AND {_INSIDE}"
)
_ROWS = text(f"{_FOUND} ORDER BY start_ms, id")
_ROWS_BEHIND = text(
    f"{_FOUND} AND (start_ms > :behind_ms OR start_ms = :behind_ms AND id > :behind_id)"
    f" ORDER BY start_ms, id LIMIT {BATCH_ROWS}"
)
_PAYLOADS = text("SELECT id, payload FROM stretch WHERE id IN :ids").bindparams(
    bindparam("ids", expanding=True)
)
_BLOCKS = text(
    "SELECT id, number, content FROM summary WHERE chamber = :chamber AND sensor = :sensor"
    " AND level = :level AND number BETWEEN :first AND :last"
)


def _given(chamber: str, sensor: str, start_ms: int, end_ms: int) -> dict[str, Any]:
    return {
        "chamber": chamber,
        "sensor": sensor,
        "start_ms": start_ms,
        "end_ms": end_ms,
        "earliest_ms": start_ms - ROW_SPAN_MS,
    }


def _window(start_s: float, end_s: float) -> tuple[int, int]:
    if not (math.isfinite(start_s) and math.isfinite(end_s) and start_s <= end_s):
        raise StoreError(f"no stretch of time: from {start_s} to {end_s}")
    return (
        math.floor(max(start_s, EARLIEST_S) * 1000),
        math.ceil(min(end_s, LATEST_S) * 1000),
    )


def _cut(piece: Piece, start_ms: int, end_ms: int) -> Piece:
    begin, end = np.searchsorted(piece[0], (start_ms, end_ms + 1), "left")
    return piece[0][begin:end], piece[1][begin:end]


def _joined(pieces: Iterator[Piece]) -> Iterator[Piece]:
    """Fewer and longer pieces: arithmetic on many short ones is mostly overhead."""
    waiting: list[Piece] = []
    for piece in pieces:
        if waiting and (len(waiting) == BATCH_ROWS or piece[0][0] < waiting[-1][0][-1]):
            yield _concatenated(waiting)
            waiting = []
        waiting.append(piece)
    if waiting:
        yield _concatenated(waiting)


def _concatenated(pieces: Sequence[Piece]) -> Piece:
    return (
        np.concatenate([times_ms for times_ms, _ in pieces]),
        np.concatenate([units for _, units in pieces]),
    )


def _sorted(pieces: Sequence[Piece], start_ms: int, end_ms: int) -> Piece:
    """One piece in the order of time, each instant once."""
    times_ms, units = _concatenated([_cut(piece, start_ms, end_ms) for piece in pieces])
    times_ms, first = np.unique(times_ms, return_index=True)
    return times_ms, units[first]


def _nulls(values: Any) -> list[JsonValue]:
    return [None if math.isnan(value) else value for value in values.tolist()]
