"""Readings in memory until they are packed; the first of each series are in the tail as well.

Nothing here touches a disk. A series ends when it fills a row, spans hours, or the
clock is set back behind its last reading; so instants in a series never decrease.
"""

from __future__ import annotations

import threading
from array import array
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import compress

import numpy as np

from stillair.storage.packing import Ints
from stillair.storage.stretches import FULL, ROW_SPAN_MS, fitting, room_bytes
from stillair.storage.tail import Key, Series

FIRST_LOOK = 2_000  # readings after which the size of a row is first looked at
FEWEST_READINGS = 300  # make a row where memory gets short


@dataclass(slots=True, eq=False)
class Open:
    """A series; the first `written` readings of it are in the tail."""

    series: Series
    written: int = 0
    look_at: int = FIRST_LOOK  # so many may fill a row
    dropped: bool = False

    @property
    def key(self) -> Key:
        return self.series.chamber, self.series.sensor

    @property
    def is_long(self) -> bool:
        times_ms = self.series.times_ms
        return len(times_ms) > 1 and times_ms[-1] - times_ms[0] >= ROW_SPAN_MS // 2


Fresh = list[tuple[Open, Series]]  # a series, and what of it is not in the tail yet


class Growing:
    """All series of an archive that aren't packed yet. Thread-safe.

    `add` may come from any thread, all that changes what is written or packed from one.

    Attributes
    ----------
    lost : int
        Readings that had no room.
    """

    def __init__(self, row_readings: int, memory_readings: int) -> None:
        self.lost = 0
        self._row_readings = row_readings
        self._memory_readings = memory_readings
        self._lock = threading.Lock()
        self._open: dict[Key, Open] = {}
        self._ended: list[Open] = []  # waiting to be packed, in the order of time
        self._count = 0
        self._packed: Counter[Key] = Counter()  # of the tail's first readings

    @property
    def count(self) -> int:
        """How many readings there are."""
        return self._count

    def add(self, key: Key, at_ms: int, units: int) -> None:
        """Take one reading; where memory is full the oldest go."""
        with self._lock:
            self._take(key, at_ms, units)
            if self._count > self._memory_readings:
                self._drop()

    def lose(self) -> None:
        """Count a reading that can't be taken."""
        with self._lock:
            self.lost += 1

    def held(self, chamber: str, start_ms: int, end_ms: int) -> dict[str, list[tuple[Ints, Ints]]]:
        """Readings of a window: for each sensor pieces of instants and units."""
        pieces: dict[str, list[tuple[Ints, Ints]]] = {}
        with self._lock:
            chosen = [
                (each.series.sensor, array("q", each.series.times_ms), each.series.units[:])
                for each in self._all()
                if each.series.chamber == chamber and _touches(each.series, start_ms, end_ms)
            ]
        for sensor, times_ms, units in chosen:
            pieces.setdefault(sensor, []).append(
                (np.frombuffer(times_ms, np.int64), np.frombuffer(units, np.int64))
            )
        return pieces

    def chambers(self) -> set[str]:
        """Chambers of which there are any."""
        with self._lock:
            return {each.series.chamber for each in self._all()}

    # --- into the tail -------------------------------------------------------------

    def fresh(self) -> Fresh:
        """What the tail doesn't have yet."""
        with self._lock:
            return [
                (each, _part(each.series, each.written, len(each.series.times_ms)))
                for each in self._all()
                if len(each.series.times_ms) > each.written
            ]

    def mark_written(self, fresh: Fresh) -> None:
        """The tail has it."""
        with self._lock:
            for each, part in fresh:
                each.written += len(part.times_ms)
                if each.dropped:
                    self._packed[each.key] += len(part.times_ms)

    def carried(self) -> list[Series]:
        """What a new tail has to begin with: all that the old one has and no row does."""
        with self._lock:
            return [_part(each.series, 0, each.written) for each in self._all()]

    def begin_tail(self, packed: Counter[Key]) -> None:
        """The tail is another one, of which so many first readings are packed."""
        with self._lock:
            self._packed = packed

    # --- into rows -----------------------------------------------------------------

    def end_full(self) -> list[Open]:
        """End what fills rows; returns all that waits to be packed, in the order of time."""
        with self._lock:
            is_short = self._count > self._memory_readings // 2
            most = min(self._row_readings, FEWEST_READINGS) if is_short else self._row_readings
            due = {
                key: (each, arrays(each.series))
                for key, each in self._open.items()
                if len(each.series.times_ms) >= min(most, each.look_at) or each.is_long
            }
        for key, (each, (times_ms, units)) in due.items():
            # Looking takes a millisecond or two, in which readings may come.
            count = min(len(times_ms), most)
            if count < most and not each.is_long:
                room = room_bytes(*key)
                count, payload = fitting(times_ms, units, room)
                if count == len(times_ms) and len(payload) < FULL * room:
                    each.look_at = max(count * room // len(payload), count + count // 50 + 1)
                    continue
            with self._lock:
                if self._open.get(key) is each:
                    self._end_first(key, count)
        with self._lock:
            return list(self._ended)

    def packed_with(self, ended: Iterable[Open]) -> Counter[Key]:
        """How many of the tail's first readings rows have, once these are packed."""
        with self._lock:
            packed = Counter(self._packed)
        for each in ended:
            packed[each.key] += each.written
        return packed

    def let_go(self, ended: Iterable[Open]) -> None:
        """Rows have these."""
        with self._lock:
            gone = set(ended)
            self._ended = [each for each in self._ended if each not in gone]
            for each in gone:
                self._packed[each.key] += each.written
                self._count -= len(each.series.times_ms)

    # --- after a start, after trouble, and when somebody erases ----------------------

    def take_up(self, found: Iterable[Series]) -> None:
        """Take what an earlier process left in the tail; it comes before what came since."""
        with self._lock:
            since = list(self._all())
            self._ended, self._open, self._count = [], {}, 0
            for series in found:
                self._take_all(series)
            for each in self._all():
                each.written = len(each.series.times_ms)
            for each in since:
                self._take_all(each.series)

    def written(self) -> int:
        """How many readings the tail has and no row does."""
        with self._lock:
            return sum(each.written for each in self._all())

    def forget_written(self) -> None:
        """The tail is lost."""
        with self._lock:
            for each in self._all():
                each.written = 0

    def forget_between(self, chamber: str, start_ms: int, end_ms: int) -> bool:
        """Let a chamber's readings of a window go; whether there were any."""
        with self._lock:
            before = self._count
            for each in self._all():
                series = each.series
                if series.chamber == chamber and _touches(series, start_ms, end_ms):
                    kept = [not start_ms <= at_ms <= end_ms for at_ms in series.times_ms]
                    each.series = Series(
                        *each.key,
                        array("q", compress(series.times_ms, kept)),
                        array("q", compress(series.units, kept)),
                    )
                    each.written = sum(kept[: each.written])
                    self._count -= len(kept) - sum(kept)
            self._ended = [each for each in self._ended if each.series.times_ms]
            self._open = {k: each for k, each in self._open.items() if each.series.times_ms}
            return self._count < before

    # --- under the lock ----------------------------------------------------------------

    def _all(self) -> Iterator[Open]:
        yield from self._ended
        yield from self._open.values()

    def _take_all(self, series: Series) -> None:
        for at_ms, units in zip(series.times_ms, series.units, strict=True):
            self._take((series.chamber, series.sensor), at_ms, units)

    def _take(self, key: Key, at_ms: int, units: int) -> None:
        each = self._open.get(key)
        if each is not None:
            times_ms = each.series.times_ms
            if at_ms < times_ms[-1] or at_ms - times_ms[0] > ROW_SPAN_MS:
                self._ended.append(self._open.pop(key))
                each = None
        if each is None:
            each = self._open[key] = Open(Series(*key))
        each.series.times_ms.append(at_ms)
        each.series.units.append(units)
        self._count += 1

    def _end_first(self, key: Key, count: int) -> None:
        """End the first readings of an open series; what came behind them stays open."""
        each = self._open.pop(key)
        series = each.series
        rest = _part(series, count, len(series.times_ms))
        if rest.times_ms:
            # Those that come next are likely to need about as many.
            self._open[key] = Open(rest, max(0, each.written - count), max(count, FIRST_LOOK))
        each.series = _part(series, 0, count)
        each.written = min(each.written, count)
        self._ended.append(each)

    def _drop(self) -> None:
        """Let the oldest series go; the disk has been refusing for hours."""
        if not self._ended:
            self._ended, self._open = list(self._open.values()), {}
        each = self._ended.pop(0)
        each.dropped = True
        self._packed[each.key] += each.written  # nobody wants it from the tail either
        self._count -= len(each.series.times_ms)
        self.lost += len(each.series.times_ms)


def arrays(series: Series) -> tuple[Ints, Ints]:
    """Instants and units of a series as it is now."""
    return np.array(series.times_ms, np.int64), np.array(series.units, np.int64)


def _touches(series: Series, start_ms: int, end_ms: int) -> bool:
    return series.times_ms[0] <= end_ms and series.times_ms[-1] >= start_ms


def _part(series: Series, begin: int, end: int) -> Series:
    return Series(
        series.chamber, series.sensor, series.times_ms[begin:end], series.units[begin:end]
    )
