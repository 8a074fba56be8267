"""The archive: every reading, packed, at little cost to a memory card.

    add ─> open series in memory ──flush──> recent, a file in memory  (a kill loses what
                    │              │                                   came since)
                    │              └ 45 s ─> tail file, and sync  (a power cut loses that)
                    └──── full: pack ──> row in archive.db, summaries made anew

Rows are never rewritten, except where somebody erases a part of one. The commit
that brings a row also says how many of the tail's readings are packed by now.
Once most of them are, a new tail is begun with the others before a commit names
it as the one that counts. So whatever moment a process dies in, each reading is
in exactly one place. Without a folder in memory each flush goes to the tail.

Instants are seconds since the epoch, kept to the millisecond; temperatures
degrees Celsius, kept to 10^-7 K. When the clock is set back, a series is ended
and another begun, so instants within a row never decrease.
"""

from __future__ import annotations

import json
import logging
import sqlite3
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

from sqlalchemy import ColumnElement, Engine, delete, insert, select, update
from sqlalchemy.engine import Connection
from sqlmodel import col

from stillair.database import DamagedStoreError, inodes_of, open_store, put_back, store_errors
from stillair.storage import migrations
from stillair.storage.growing import Growing, Open
from stillair.storage.packing import Ints, to_units, unpack
from stillair.storage.recent import Recent, link_of, read_recent
from stillair.storage.stretches import ROW_READINGS, ROW_SPAN_MS, packed_rows, rows_of
from stillair.storage.summaries import add_rows, refresh
from stillair.storage.tables import Stretch, TailMark
from stillair.storage.tail import Key, Series, Tail, counts_of, not_packed

log = logging.getLogger(__name__)

PACKED_READINGS = 1_000  # in a tail, and more than wait in it: then it is begun anew
SYNC_EVERY_S = 45.0  # with a flush every 10 s a power cut loses at most 55 s
MEMORY_READINGS = 600_000  # held while the disk refuses, 9.6 MB; the oldest go first
RECENT_READINGS = 20_000  # written anew with each flush; 80 sensors have 4,000 in a minute
REMOVE_ROWS = 200  # in one transaction
VACUUM_PAGES = 2_000
LAST_S = 1e11  # a label further from 1970 than this is none


class Archive:
    """Take readings and keep them. Thread-safe; `add` never waits for the disk.

    Attributes
    ----------
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
        memory_folder: Path | None = None,
    ) -> None:
        self.path = path
        self.repaired: str | None = None
        self._wall = wall
        self._monotonic_s = monotonic_s
        self._row_readings = row_readings
        self._growing = Growing(row_readings, memory_readings)
        self._recent = None if memory_folder is None else Recent(link_of(path), memory_folder)
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
            self._growing.lose()
        else:
            self._growing.add((chamber, sensor), round(at_epoch_s * 1000), to_units(temperature_c))

    def held(self, chamber: str, start_ms: int, end_ms: int) -> dict[str, list[tuple[Ints, Ints]]]:
        """Readings that are not packed yet: for each sensor pieces of instants and units."""
        return self._growing.held(chamber, start_ms, end_ms)

    @property
    def lost(self) -> int:
        """Readings that could not be kept since the start."""
        return self._growing.lost

    def chambers(self) -> set[str]:
        """Chambers of which there are readings that are not packed yet."""
        return self._growing.chambers()

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
            ended = self._growing.end_full()
            fresh = self._growing.fresh()
            is_due = sync or self._monotonic_s() - self._synced_s >= SYNC_EVERY_S
            parts = [part for _, part in fresh]
            if self._kept_in_memory(parts) and not ended and not is_due:
                return
            self._tail.append(parts)
            self._growing.mark_written(fresh)
            if is_due:
                self._tail.sync()
                self._synced_s = self._monotonic_s()
            if ended:
                self._pack(ended)

    def close(self) -> None:
        """Flush, sync and let the files go; harmless twice. Raises `StoreError`."""
        with self._disk:
            try:
                if self._tail is not None:
                    self.flush(sync=True)
                    if self._recent is not None:
                        self._recent.clear()
            finally:
                self._release()

    def take_in(self, rows: Sequence[dict[str, Any]]) -> None:
        """Keep rows that `packed_rows` made, here or elsewhere. Raises `StoreError`."""
        if rows:
            with self._transaction("readings can't be brought in") as connection:
                _insert(connection, rows)

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
        """Remove a chamber's readings of a stretch; returns how many rows are gone or cut.

        Seconds since the epoch. Of rows that reach beyond it the rest is packed anew.
        Raises `StoreError`.
        """
        start_ms, end_ms = round(start_s * 1000), round(end_s * 1000)
        with self._disk:
            self.flush(sync=True)
            if self._growing.forget_between(chamber, start_ms, end_ms):
                self._renew_tail()
        within = (
            col(Stretch.chamber) == chamber,
            col(Stretch.start_ms) >= start_ms,
            col(Stretch.end_ms) <= end_ms,
        )
        removed = 0
        while count := self._remove_oldest(*within):
            removed += count
        return removed + self._cut(chamber, start_ms, end_ms)

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
        few = select(*_PLACE).where(*which).order_by(col(Stretch.end_ms)).limit(REMOVE_ROWS)
        with self._transaction("old readings can't be removed") as connection:
            rows = connection.execute(few).all()
            connection.execute(delete(Stretch).where(col(Stretch.id).in_([row[0] for row in rows])))
            refresh(_file(connection), [(row[1], row[2], row[3], row[4]) for row in rows])
        return len(rows)

    def _cut(self, chamber: str, start_ms: int, end_ms: int) -> int:
        """Take the readings of a stretch out of rows that reach beyond it."""
        across = select(Stretch.__table__).where(  # type: ignore[attr-defined]  # a table
            col(Stretch.chamber) == chamber,
            col(Stretch.start_ms) >= start_ms - ROW_SPAN_MS,
            col(Stretch.start_ms) <= end_ms,
            col(Stretch.end_ms) >= start_ms,
        )
        with self._transaction("readings can't be removed") as connection:
            rows = connection.execute(across).mappings().all()
            for row in rows:
                connection.execute(delete(Stretch).where(col(Stretch.id) == row["id"]))
                with suppress(ValueError):  # of a damaged one nothing can be told apart
                    times_ms, units = unpack(row["payload"], row["start_ms"], row["count"])
                    for kept in (times_ms < start_ms, times_ms > end_ms):
                        _insert(
                            connection,
                            list(rows_of(chamber, row["sensor"], times_ms[kept], units[kept])),
                        )
            places = [
                (row["chamber"], row["sensor"], row["start_ms"], row["end_ms"]) for row in rows
            ]
            refresh(_file(connection), places)
        return len(rows)

    def _kept_in_memory(self, parts: Sequence[Series]) -> bool:
        """Whether a kill leaves these; where the disk refuses for long they get too many."""
        if self._recent is None or sum(len(part.times_ms) for part in parts) > RECENT_READINGS:
            return False
        assert self._tail is not None
        return self._recent.put(self._tail.generation, self._tail.end, parts)

    def _pack(self, ended: Sequence[Open]) -> None:
        """Bring series into rows."""
        assert self._engine is not None
        rows = [row for each in ended for row in packed_rows(each.series, self._row_readings)]
        packed = self._growing.packed_with(ended)
        try:
            with (
                store_errors("the archive can't keep readings"),
                self._engine.begin() as connection,
            ):
                _insert(connection, rows)
                connection.execute(update(TailMark).values(packed=_told(packed)))
        except DamagedStoreError:
            self._set_aside()
            raise
        self._growing.let_go(ended)
        if packed.total() >= max(PACKED_READINGS, self._growing.count):
            self._renew_tail()

    def _renew_tail(self) -> None:
        """Begin a new tail with what is not packed yet, and leave the old one."""
        assert self._engine is not None
        assert self._tail is not None
        old, generation = self._tail, self._tail.generation + 1
        new = Tail.begin(self._tail_path(generation), generation, self._growing.carried())
        try:
            with (
                store_errors("the archive can't keep readings"),
                self._engine.begin() as connection,
            ):
                marked = update(TailMark).values(generation=generation, packed=_told(Counter()))
                connection.execute(marked)
        except BaseException as error:
            new.close()
            with suppress(OSError):
                new.path.unlink()
            if isinstance(error, DamagedStoreError):
                self._set_aside()
            raise
        self._tail = new
        self._growing.begin_tail(Counter())
        old.close()
        with suppress(OSError):
            old.path.unlink()

    def _set_aside(self) -> None:
        # The next call does it, and takes up the tail, which is whole.
        self._suspect = True
        self._release()

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
            mark = connection.execute(select(col(TailMark.generation), col(TailMark.packed)))
            found = mark.first()
            # A new archive; behind a damaged one the newest tail still has its readings.
            generation = found[0] if found else max(generations, default=0)
            packed = packed_of(found[1]) if found else Counter()
            if found is None:
                marked = insert(TailMark).values(id=1, generation=generation, packed=_told(packed))
                connection.execute(marked)
        tail, whole = Tail.resume(self._tail_path(generation), generation)
        recent = None if self._resumed else read_recent(self.path)
        if recent is not None and recent[:2] == (generation, tail.end):
            tail.append(recent[2])
            whole += recent[2]
        left = list(not_packed(whole, packed))
        # A power cut may leave less in the tail than rows have of it by now.
        is_whole = counts_of(whole) >= packed
        self._growing.begin_tail(packed)
        if not self._resumed:
            self._growing.take_up(left)
            self._resumed = True
        elif sum(len(series.times_ms) for series in left) != self._growing.written():
            # The tail was lost with the file that somebody removed; memory has it all.
            self._growing.forget_written()
            is_whole = False
        self._tail = tail
        if not is_whole:
            self._renew_tail()
        for other in generations:
            if other != self._tail.generation:
                with suppress(OSError):
                    self._tail_path(other).unlink()


def tail_generations(archive: Path) -> list[int]:
    """The generations of the tail files that lie beside an archive."""
    prefix = f"{archive.name}-tail-"
    names = (path.name.removeprefix(prefix) for path in archive.parent.glob(f"{prefix}*"))
    return sorted(int(name) for name in names if name.isascii() and name.isdigit())


def packed_of(told: str) -> Counter[Key]:
    """How many of the first readings of a tail are packed, as its mark tells it."""
    return Counter({(chamber, sensor): count for chamber, sensor, count in json.loads(told)})


def _told(packed: Counter[Key]) -> str:
    return json.dumps([[*key, count] for key, count in packed.items() if count])


_PLACE = (
    *(col(Stretch.id), col(Stretch.chamber), col(Stretch.sensor)),
    *(col(Stretch.start_ms), col(Stretch.end_ms)),
)


def _insert(connection: Connection, rows: Sequence[dict[str, Any]]) -> None:
    """Keep rows, and what they come to."""
    if rows:
        connection.execute(insert(Stretch), list(rows))
        add_rows(_file(connection), rows)


def _file(connection: Connection) -> sqlite3.Connection:
    return cast("sqlite3.Connection", connection.connection.driver_connection)
