"""Put the readings of several sensors on one axis of time, in no more points than asked for.

Either every reading has its row, or the window is cut into stretches of equal
length, each with two rows: the lowest and the highest reading of the stretch,
in the order in which they came. Where a sensor has no reading in a row, its
last one still counts until the next, unless the two lie further apart than a
silent sensor may; then, and where a reading is known to be missing, the row
has none.
"""

from __future__ import annotations

import math
import statistics
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from stillair.storage.packing import MISSING, UNITS_PER_K, Floats, Ints
from stillair.storage.summaries import Stretches

SILENT_MS = 30_000  # and three usual intervals: the contract's measure of a silent sensor
USUAL_OF = 1_000  # readings tell the usual interval
ROW_TOLERANCE_MS = 500  # readings of one second belong to one row


def usual_ms(times_ms: Ints) -> float:
    """The usual interval between readings, 0 if there are fewer than two."""
    return float(statistics.median(np.diff(times_ms).tolist())) if len(times_ms) > 1 else 0.0


def longest_hold_ms(interval_ms: float) -> float:
    """How far apart two readings may lie without a gap between them."""
    return max(SILENT_MS, 3 * interval_ms)


class Buckets:
    """Lowest and highest reading of one sensor in each stretch of a window.

    Pieces may be given in any order, and overlap; each must be sorted.
    """

    def __init__(self, start_ms: int, width_ms: float, count: int) -> None:
        self._start_ms = start_ms
        self._width_ms = width_ms
        self._low = np.full(count, np.inf)
        self._low_ms = np.zeros(count)
        self._high = np.full(count, -np.inf)
        self._high_ms = np.zeros(count)
        self._first_ms = np.full(count, np.inf)
        self._last_ms = np.full(count, -np.inf)
        self._last = np.full(count, np.nan)
        self._missing = np.zeros(count, np.bool_)
        self._interval_ms = 0.0

    def add(self, times_ms: Ints, units: Ints) -> None:
        """Take a piece of readings, all within the window."""
        if not len(times_ms):
            return
        absent = units == MISSING
        if absent.any():
            self._missing[self._places(times_ms[absent])] = True
            times_ms, units = times_ms[~absent], units[~absent]
        if not len(times_ms):
            return
        self._interval_ms = max(self._interval_ms, usual_ms(times_ms[:USUAL_OF]))
        # Where each stretch begins in the piece: few places to look for, many readings.
        first, last = self._places(times_ms[[0, -1]])
        edges_ms = self._start_ms + np.arange(first, last + 1) * self._width_ms
        begins = np.searchsorted(times_ms, np.ceil(edges_ms).astype(np.int64), "left")
        begins[0] = 0
        ends = np.append(begins[1:], len(times_ms))
        filled = ends > begins
        at, begins, ends = np.flatnonzero(filled) + first, begins[filled], ends[filled]
        for extreme, extreme_ms, found in (
            (self._low, self._low_ms, np.minimum.reduceat(units, begins)),
            (self._high, self._high_ms, np.maximum.reduceat(units, begins)),
        ):
            which = np.flatnonzero(units == np.repeat(found, ends - begins))
            # The first reading of each stretch that equals its extreme.
            first_of = which[np.searchsorted(which, begins)]
            value = found / UNITS_PER_K
            better = value < extreme[at] if extreme is self._low else value > extreme[at]
            extreme[at[better]] = value[better]
            extreme_ms[at[better]] = times_ms[first_of[better]]
        self._first_ms[at] = np.minimum(self._first_ms[at], times_ms[begins])
        later = times_ms[ends - 1] > self._last_ms[at]
        self._last_ms[at[later]] = times_ms[ends[later] - 1]
        self._last[at[later]] = units[ends[later] - 1] / UNITS_PER_K

    def _places(self, times_ms: Ints) -> Ints:
        """In which stretches instants lie."""
        places = ((times_ms - self._start_ms) / self._width_ms).astype(np.int64)
        return places.clip(0, len(self._low) - 1)

    def add_summary(self, found: Stretches) -> None:
        """Take what is known of whole stretches; which extreme came first isn't."""
        buckets = self._places((found.first_ms + found.last_ms) // 2)
        known = found.low != MISSING
        self._missing[buckets[~known]] = True
        at, found = buckets[known], found.where(known)
        if not len(at):
            return
        low_c, high_c = found.low / UNITS_PER_K, found.high / UNITS_PER_K
        np.minimum.at(self._low, at, low_c)
        np.maximum.at(self._high, at, high_c)
        np.minimum.at(self._first_ms, at, found.first_ms)
        later = found.last_ms > self._last_ms[at]
        self._last[at[later]] = (low_c[later] + high_c[later]) / 2
        np.maximum.at(self._last_ms, at, found.last_ms)
        intervals_ms = (found.last_ms - found.first_ms) / np.maximum(found.count - 1, 1)
        self._interval_ms = max(self._interval_ms, float(intervals_ms.min()))

    @property
    def empty(self) -> bool:
        """Whether nothing at all fell into the window."""
        return not (np.isfinite(self._low).any() or self._missing.any())

    def values(self) -> Floats:
        """Two values for each stretch, NaN where the sensor has none."""
        low = np.where(np.isfinite(self._low), self._low, np.nan)
        high = np.where(np.isfinite(self._high), self._high, np.nan)
        low_first = self._low_ms <= self._high_ms
        values = np.empty(2 * len(low))
        values[0::2] = np.where(low_first, low, high)
        values[1::2] = np.where(low_first, high, low)
        return self._hold(values)

    def _hold(self, values: Floats) -> Floats:
        present = np.flatnonzero(np.isfinite(self._low))
        limit_ms = longest_hold_ms(self._interval_ms)
        for here, after in pairwise(present.tolist()):
            if (
                after - here > 1
                and self._first_ms[after] - self._last_ms[here] <= limit_ms
                and not self._missing[here + 1 : after].any()
            ):
                values[2 * here + 2 : 2 * after] = self._last[here]
        return values

    def times_s(self) -> Floats:
        """The instants of the two rows of each stretch, seconds since the epoch."""
        quarters = np.arange(2 * len(self._low)) * 2 + 1
        return (self._start_ms + quarters * self._width_ms / 4) / 1000


def rows_of(columns: dict[str, tuple[Ints, Ints]]) -> tuple[Ints, dict[str, Ints]]:
    """All readings, one row for those of about the same time; `MISSING` where there is none.

    Instants of each sensor must increase. Readings of different sensors share
    a row while they lie within half a second of the row's first.
    """
    names = list(columns)
    times_ms = np.concatenate([columns[name][0] for name in names])
    sensors = np.repeat(np.arange(len(names)), [len(columns[name][0]) for name in names])
    order = np.lexsort((sensors, times_ms))
    row_of = group(times_ms[order], sensors[order])
    row_times = times_ms[order][np.flatnonzero(np.diff(row_of, prepend=-1))]
    rows = np.empty(len(order), np.int64)
    rows[order] = row_of
    table = {}
    begin = 0
    for name in names:
        units = columns[name][1]
        column = np.full(len(row_times), MISSING, np.int64)
        column[rows[begin : begin + len(units)]] = units
        table[name] = column
        begin += len(units)
    return row_times, table


def group(times_ms: Ints, sensors: NDArray[np.int64]) -> Ints:
    """The number of the row of each reading, in the order of time."""
    rows = np.empty(len(times_ms), np.int64)
    row, begin_ms, taken = -1, -math.inf, set[int]()
    for index, (at_ms, sensor) in enumerate(zip(times_ms.tolist(), sensors.tolist(), strict=True)):
        if at_ms - begin_ms > ROW_TOLERANCE_MS or sensor in taken:
            row, begin_ms, taken = row + 1, at_ms, set()
        taken.add(sensor)
        rows[index] = row
    return rows


def held_over(row_times: Ints, column: Ints, times_ms: Ints, units: Ints) -> Floats:
    """The values of one sensor in each row, its last reading held where the rule allows."""
    present = column != MISSING
    values = np.where(present, column / UNITS_PER_K, np.nan)
    known = units != MISSING
    if known.sum() < 2:
        return values
    limit_ms = longest_hold_ms(usual_ms(times_ms[known]))
    before = np.searchsorted(times_ms, row_times, "right") - 1
    after = before + 1
    inside = (before >= 0) & (after < len(times_ms)) & ~present
    before, after = before.clip(0), after.clip(0, len(times_ms) - 1)
    held = inside & known[before] & known[after] & (times_ms[after] - times_ms[before] <= limit_ms)
    return np.where(held, units[before] / UNITS_PER_K, values)
