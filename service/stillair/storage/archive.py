"""The archive: every reading, packed, at little cost to a memory card.

    add ─> open series in memory ──flush──> tail file      (a kill loses what came since)
                    │                          │ every 45 s: sync  (a power cut loses that)
                    └──── full: pack ──> row in archive.db, and a new tail

Rows are never rewritten. A new tail is begun, with what is not packed yet,
before the rows are committed; the commit names the tail that counts from then
on. So whatever moment a process dies in, each reading is in exactly one place.

Instants are seconds since the epoch, kept to the millisecond; temperatures
degrees Celsius, kept to 10^-7 K. When the clock is set back, a series is ended
and another begun, so instants within a row never decrease.
"""

from __future__ import annotations

import logging
import threading
import time
from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import ColumnElement, Engine, delete, insert, select, update
from sqlalchemy.engine import Connection
from sqlmodel import col

from stillair.database import DamagedStoreError, inodes_of, open_store, put_back, store_errors
from stillair.storage import migrations
from stillair.storage.packing import Ints, pack, summarize, to_units
from stillair.storage.tables import Stretch, TailMark
from stillair.storage.tail import Series, Tail

log = logging.getLogger(__name__)

ROW_READINGS = 600  # 10 minutes at one reading a second
FEWEST_READINGS = 300  # less than this waits in the tail when others are packed
ROW_SPAN_MS = 3_600_000  # a row never spans more, so a question knows how far back to look
SYNC_EVERY_S = 45.0  # with a flush every 10 s a power cut loses at most 55 s
MEMORY_READINGS = 400_000  # held while the disk refuses, 6.4 MB; the oldest go first
REMOVE_ROWS = 200  # in one transaction
VACUUM_PAGES = 2_000
LAST_S = 1e11  # a label further from 1970 than this is none


@dataclass(slots=True)
class _Open:
    """A series that still grows; the first `written` readings of it are in the tail."""

    series: Series
    written: int = 0

    def is_due(self, least: int) -> bool:
        times_ms = self.series.times_ms
        return len(times_ms) >= least or (
            len(times_ms) > 1 and times_ms[-1] - times_ms[0] >= ROW_SPAN_MS // 2
        )


class Archive:
    """Take readings and keep them. Thread-safe; `add` never waits for the disk.

    Attributes
    ----------
    lost : int
        Readings that could not be kept since the start.
    repaired : str or None
        One sentence if a damaged file was set aside since the start.
    """

    def __init__(
        self,
        path: Path,
        *,
        wall: Callable[[], datetime] = lambda: datetime.now(UTC),
        monotonic_s: Callable[[], float] = time.monotonic,
        row_readings: int = ROW_READINGS,
        memory_readings: int = MEMORY_READINGS,
    ) -> None:
        self.path = path
        self.lost = 0
        self.repaired: str | None = None
        self._wall = wall
        self._monotonic_s = monotonic_s
        self._row_readings = row_readings
        self._memory_readings = memory_readings
        self._lock = threading.Lock()  # series in memory; never held during input or output
        self._open: dict[tuple[str, str], _Open] = {}
        self._ended: list[_Open] = []  # waiting to be packed
        self._held = 0
        self._disk = threading.RLock()  # files
        self._engine: Engine | None = None
        self._tail: Tail | None = None
        self._inodes: tuple[int | None, int | None] = (None, None)
        self._resumed = False
        self._suspect = False
        self._synced_s = monotonic_s()

    @classmethod
    def open(cls, path: Path, **options: Any) -> Archive:
        """An archive that has taken up what an earlier process left. Raises `StoreError`."""
        archive = cls(path, **options)
        archive.ready()
        return archive

    # --- called from anywhere ------------------------------------------------

    def add(
        self, chamber: str, sensor: str, at_epoch_s: float, temperature_c: float | None
    ) -> None:
        """Take one reading, None for a missing one; it counts as kept after the next flush."""
        if not abs(at_epoch_s) < LAST_S:
            with self._lock:
                self.lost += 1
            return
        at_ms, units = round(at_epoch_s * 1000), to_units(temperature_c)
        with self._lock:
            self._take((chamber, sensor), at_ms, units)
            if self._held > self._memory_readings:
                self._forget()

    def held(self, chamber: str, start_ms: int, end_ms: int) -> dict[str, list[tuple[Ints, Ints]]]:
        """Readings that are not packed yet: for each sensor pieces of instants and units."""
        pieces: dict[str, list[tuple[Ints, Ints]]] = {}
        with self._lock:
            chosen = [
                (each.series.sensor, array("q", each.series.times_ms), each.series.units[:])
                for each in (*self._ended, *self._open.values())
                if each.series.chamber == chamber and _touches(each.series, start_ms, end_ms)
            ]
        for sensor, times_ms, units in chosen:
            pieces.setdefault(sensor, []).append(
                (np.frombuffer(times_ms, np.int64), np.frombuffer(units, np.int64))
            )
        return pieces

    def chambers(self) -> set[str]:
        """Chambers of which there are readings that are not packed yet."""
        with self._lock:
            return {each.series.chamber for each in (*self._ended, *self._open.values())}

    # --- called by one housekeeping thread -------------------------------------

    def ready(self) -> None:
        """Open the files unless they are open. Raises `StoreError`."""
        with self._disk:
            if self._tail is not None and self._inodes == inodes_of(self.path):
                return
            if self._tail is not None and self._engine is not None:
                # Rows would go where nobody finds them.
                self.repaired = put_back(self._engine, self.path, self._inodes[0])
                self._engine = None
            self._release()
            # Reading gigabytes takes long, so the whole file is checked only on suspicion.
            self._engine, repaired = open_store(
                self.path, migrations.ARCHIVE, check=self._suspect, wall=self._wall
            )
            self._inodes = inodes_of(self.path)
            self._suspect = False
            self.repaired = repaired or self.repaired
            self._resume(self._engine)

    def flush(self, *, sync: bool = False) -> None:
        """Make what was added safe from a kill, at times from a power cut; pack what is full.

        Call it at least every 10 s. Raises `StoreError`; then all is still
        held in memory and the next call tries again.
        """
        with self._disk:
            self.ready()
            assert self._tail is not None
            with self._lock:
                growing = [
                    (each, len(each.series.times_ms))
                    for each in (*self._ended, *self._open.values())
                    if len(each.series.times_ms) > each.written
                ]
                fresh = [_part(each.series, each.written, end) for each, end in growing]
            self._tail.append(fresh)
            with self._lock:
                for each, end in growing:
                    each.written = end
            if sync or self._monotonic_s() - self._synced_s >= SYNC_EVERY_S:
                self._tail.sync()
                self._synced_s = self._monotonic_s()
            if self._has_full():
                self._pack()

    def close(self) -> None:
        """Flush, sync and let the files go; harmless twice. Raises `StoreError`."""
        with self._disk:
            try:
                if self._tail is not None:
                    self.flush(sync=True)
            finally:
                self._release()

    def take_in(self, rows: Sequence[dict[str, Any]]) -> None:
        """Keep rows that `packed_rows` made, here or elsewhere. Raises `StoreError`."""
        if rows:
            with self._transaction("readings can't be brought in") as connection:
                connection.execute(insert(Stretch), list(rows))

    def forget_before(
        self, before_at: datetime, *, only: Sequence[str] = (), others_than: Sequence[str] = ()
    ) -> int:
        """Remove packed rows that ended before an instant; returns how many.

        Of the chambers in `only`, or of all but `others_than`. Raises `StoreError`.
        """
        old = [col(Stretch.end_ms) < round(before_at.timestamp() * 1000)]
        if only:
            old.append(col(Stretch.chamber).in_(only))
        if others_than:
            old.append(col(Stretch.chamber).not_in(others_than))
        removed = 0
        while count := self._remove_oldest(*old):
            removed += count
        return removed

    def forget_between(self, chamber: str, start_s: float, end_s: float) -> int:
        """Remove a chamber's packed rows that lie wholly in a stretch; returns how many.

        Seconds since the epoch. Rows that reach beyond it stay: they hold other readings too.
        Raises `StoreError`.
        """
        inside = (
            col(Stretch.chamber) == chamber,
            col(Stretch.start_ms) >= round(start_s * 1000),
            col(Stretch.end_ms) <= round(end_s * 1000),
        )
        removed = 0
        while count := self._remove_oldest(*inside):
            removed += count
        return removed

    def shrink_to(self, room_bytes: int) -> int:
        """Remove the oldest packed rows until the file's content fits; returns how many.

        Room that is given up goes back to the disk, 8 MB at a call. Raises `StoreError`.
        """
        removed = 0
        while self.used_bytes() > room_bytes and (count := self._remove_oldest()):
            removed += count
        with self._disk, store_errors("room can't be given back"):
            self.ready()
            assert self._engine is not None
            connection = self._engine.raw_connection()
            try:
                # It gives back one page at a step, and only a script is stepped to its end.
                script = f"PRAGMA incremental_vacuum({VACUUM_PAGES})"
                connection.driver_connection.executescript(script)  # type: ignore[union-attr]  # open
            finally:
                connection.close()
        return removed

    def used_bytes(self) -> int:
        """How much of the file holds content. Raises `StoreError`."""
        with self._transaction("the archive can't be measured") as connection:
            size, pages, free = (
                int(connection.exec_driver_sql(f"PRAGMA {name}").scalar() or 0)
                for name in ("page_size", "page_count", "freelist_count")
            )
        return size * (pages - free)

    # --- series in memory (under `_lock`) ----------------------------------------

    def _take(self, key: tuple[str, str], at_ms: int, units: int) -> None:
        series = self._open.get(key)
        if series is not None:
            times_ms = series.series.times_ms
            if at_ms < times_ms[-1] or at_ms - times_ms[0] > ROW_SPAN_MS:
                self._ended.append(self._open.pop(key))
                series = None
        if series is None:
            series = self._open[key] = _Open(Series(*key))
        series.series.times_ms.append(at_ms)
        series.series.units.append(units)
        self._held += 1

    def _take_all(self, series: Iterable[Series]) -> None:
        for each in series:
            for at_ms, units in zip(each.times_ms, each.units, strict=True):
                self._take((each.chamber, each.sensor), at_ms, units)

    def _forget(self) -> None:
        """Let the oldest series go; the disk has been refusing for hours."""
        if not self._ended:
            self._end_full(1)
        gone = len(self._ended.pop(0).series.times_ms)
        self._held -= gone
        self.lost += gone

    def _end_full(self, least: int) -> None:
        for key in [key for key, each in self._open.items() if each.is_due(least)]:
            self._ended.append(self._open.pop(key))

    # --- files (under `_disk`) ------------------------------------------------------

    @contextmanager
    def _transaction(self, doing: str) -> Iterator[Connection]:
        with self._disk:
            self.ready()
            assert self._engine is not None
            with store_errors(doing), self._engine.begin() as connection:
                yield connection

    def _remove_oldest(self, *which: ColumnElement[bool]) -> int:
        """Remove a few rows; short, because readings wait for the lock meanwhile."""
        ids = select(col(Stretch.id)).where(*which).order_by(col(Stretch.end_ms))
        with self._transaction("old readings can't be removed") as connection:
            few = connection.execute(ids.limit(REMOVE_ROWS)).scalars().all()
            connection.execute(delete(Stretch).where(col(Stretch.id).in_(few)))
        return len(few)

    def _has_full(self) -> bool:
        with self._lock:
            return bool(self._ended) or any(
                each.is_due(self._row_readings) for each in self._open.values()
            )

    def _pack(self) -> None:
        assert self._engine is not None
        assert self._tail is not None
        with self._lock:
            self._end_full(min(FEWEST_READINGS, self._row_readings))
            ended = list(self._ended)
            carried = [(each, _part(each.series, 0, each.written)) for each in self._open.values()]
        rows = [_row(each.series) for each in ended]
        old, generation = self._tail, self._tail.generation + 1
        new = Tail.begin(self._tail_path(generation), generation, [part for _, part in carried])
        try:
            with (
                store_errors("the archive can't keep readings"),
                self._engine.begin() as connection,
            ):
                connection.execute(insert(Stretch), rows)
                connection.execute(update(TailMark).values(generation=generation))
        except BaseException as error:
            new.close()
            with suppress(OSError):
                new.path.unlink()
            if isinstance(error, DamagedStoreError):
                # The next call sets it aside and takes up the tail, which is whole.
                self._suspect = True
                self._release()
            raise
        self._tail = new
        old.close()
        with suppress(OSError):
            old.path.unlink()
        with self._lock:
            done = {id(each) for each in ended}
            self._ended = [each for each in self._ended if id(each) not in done]
            self._held -= sum(len(each.series.times_ms) for each in ended)

    def _release(self) -> None:
        if self._tail is not None:
            self._tail.close()
            self._tail = None
        if self._engine is not None:
            self._engine.dispose()
            self._engine = None

    def _tail_path(self, generation: int) -> Path:
        return self.path.with_name(f"{self.path.name}-tail-{generation}")

    def _resume(self, engine: Engine) -> None:
        """Find the tail that counts, take up its readings, remove all others."""
        generations = tail_generations(self.path)
        with store_errors("the archive can't be read"), engine.begin() as connection:
            generation = connection.execute(select(col(TailMark.generation))).scalar()
            if generation is None:
                # A new archive; behind a damaged one the newest tail still has its readings.
                generation = max(generations, default=0)
                connection.execute(insert(TailMark).values(id=1, generation=generation))
        path = self._tail_path(generation)
        tail, found = Tail.resume(path, generation)
        with self._lock:
            known = [*self._ended, *self._open.values()]
            if not self._resumed:
                # What an earlier process left comes before what has been added since.
                self._ended, self._open, self._held = [], {}, 0
                self._take_all(found)
                for each in (*self._ended, *self._open.values()):
                    each.written = len(each.series.times_ms)
                self._take_all(each.series for each in known)
                self._resumed = True
            elif sum(len(s.times_ms) for s in found) != sum(each.written for each in known):
                # The tail was lost with the file that somebody removed; memory has it all.
                tail.close()
                tail = Tail.begin(path, generation)
                for each in known:
                    each.written = 0
        self._tail = tail
        for other in generations:
            if other != generation:
                with suppress(OSError):
                    self._tail_path(other).unlink()


def tail_generations(archive: Path) -> list[int]:
    """The generations of the tail files that lie beside an archive."""
    prefix = f"{archive.name}-tail-"
    names = (path.name.removeprefix(prefix) for path in archive.parent.glob(f"{prefix}*"))
    return sorted(int(name) for name in names if name.isascii() and name.isdigit())


def _touches(series: Series, start_ms: int, end_ms: int) -> bool:
    return series.times_ms[0] <= end_ms and series.times_ms[-1] >= start_ms


def _part(series: Series, begin: int, end: int) -> Series:
    return Series(
        series.chamber, series.sensor, series.times_ms[begin:end], series.units[begin:end]
    )


def packed_rows(series: Series, most: int = ROW_READINGS) -> list[dict[str, Any]]:
    """A sensor's readings, whose times never decrease, as the rows in which they are kept."""
    return [_row(part) for part in _stretches(series, most)]


def _stretches(series: Series, most: int) -> Iterator[Series]:
    begin, times_ms = 0, series.times_ms
    for end in range(1, len(times_ms) + 1):
        last = end == len(times_ms)
        if last or end - begin >= most or times_ms[end] - times_ms[begin] > ROW_SPAN_MS:
            yield _part(series, begin, end)
            begin = end


def _row(series: Series) -> dict[str, Any]:
    times_ms = np.frombuffer(array("q", series.times_ms), np.int64)
    units = np.frombuffer(array("q", series.units), np.int64)
    return row_of(series.chamber, series.sensor, times_ms, units)


def row_of(chamber: str, sensor: str, times_ms: Ints, units: Ints) -> dict[str, Any]:
    """The row of a stretch of readings, at least one; instants must not decrease."""
    summary = summarize(units)
    return {
        "chamber": chamber,
        "sensor": sensor,
        "start_ms": int(times_ms[0]),
        "end_ms": int(times_ms[-1]),
        "count": len(times_ms),
        "low_c": summary.low_c,
        "high_c": summary.high_c,
        "mean_c": summary.mean_c,
        "payload": pack(times_ms, units),
    }
