"""A recorded file played as if its sensors were there now.

One `Recording` streams one file in the CSV form of `stillair.thermal.table`,
at the speed of its clock, and holds one row and one value a column, whatever
the file's length. Its first row is now when it is made.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Final, Literal

from stillair.clock import Clock
from stillair.errors import InputError, ReadingFault, SensorError
from stillair.thermal.table import ReadingTable, Row, open_table

AtEnd = Literal["stop", "repeat"]

_ROWS_AT_ONCE: Final = 20_000  # so that a jump of the clock can't hold up who reads


class Recording:
    """The rows of one file, each due when the clock gets to it.

    Raises `InputError` when the file can't be used at all. It must be a plain
    file: a pipe could hang the loop that reads it.
    """

    def __init__(self, path: Path, clock: Clock, at_end: AtEnd = "stop") -> None:
        if at_end not in ("stop", "repeat"):
            raise ValueError(f"at_end is stop or repeat, not {at_end!r}")
        if not path.is_file():
            raise InputError(f"{path}: there is no such plain file")
        self.path = path
        self._clock = clock
        self._at_end = at_end
        self._lock = threading.Lock()
        self._table: ReadingTable
        self._rows: Iterator[Row]
        self._first_s: float
        self._last_s: float
        self._next: Row | None
        self._open()
        self.sensors: tuple[str, ...] = self._table.sensors
        if self._next is None:
            self._table.close()
            raise InputError(f"{path}: there is no row after the header")
        self._first_s = self._last_s = self._next[0]
        self._interval_s = 0.0
        self._origin_s = clock.now_s()  # when the row with the first row's time is due
        self._new: dict[str, float] = {}
        self._fault: str = ""

    def take(self, column: str) -> float | None:
        """The newest value of a column at or before now; each is given once, None in between.

        Raises `InputError` from the first fault in the file on, and
        `EOFError` from one interval after the last row on.
        """
        with self._lock:
            self._advance()
            if column in self._new:
                return self._new.pop(column)
            if self._fault:
                raise InputError(self._fault)
            if self._next is None and self._behind_s() >= self._length_s():
                raise EOFError
            return None

    def close(self) -> None:
        """Close the file; safe to call twice."""
        with self._lock:
            self._table.close()
            if not self._fault:
                self._fault = f"{self.path}: the file has been closed"

    def _advance(self) -> None:
        if self._fault:
            return
        try:
            for _ in range(_ROWS_AT_ONCE):
                if self._next is None and not self._begin_again():
                    return
                assert self._next is not None
                t_s, temperatures = self._next
                if self._behind_s() < t_s - self._first_s:
                    return
                for column, temperature_c in zip(self.sensors, temperatures, strict=True):
                    if temperature_c is not None:
                        self._new[column] = temperature_c
                if t_s > self._last_s:
                    self._interval_s = t_s - self._last_s
                self._last_s = t_s
                self._next = next(self._rows, None)
        except InputError as error:
            self._fault = str(error)

    def _begin_again(self) -> bool:
        """Go back to the first row, due one interval after the last; False when it stops there."""
        self._table.close()
        if self._at_end == "stop":
            return False
        missed = self._behind_s() // self._length_s()
        self._origin_s += self._length_s() * max(1.0, missed)
        self._open()
        if self._table.sensors != self.sensors or self._next is None:
            raise InputError(f"{self.path}: the file has changed while it was played")
        self._first_s = self._last_s = self._next[0]
        return True

    def _behind_s(self) -> float:
        """How long ago the first row was due."""
        return self._clock.now_s() - self._origin_s

    def _length_s(self) -> float:
        """From the first row to the end, which is one interval after the last row."""
        return self._last_s - self._first_s + (self._interval_s or 1.0)

    def _open(self) -> None:
        self._table = open_table(self.path)
        self._rows = self._table.rows()
        try:
            self._next = next(self._rows, None)
        except InputError:
            self._table.close()
            raise


class RecordingSensor:
    """One column of a recording. Raises `InputError` when it has no such column."""

    blocking = False

    def __init__(self, name: str, recording: Recording, column: str) -> None:
        if column not in recording.sensors:
            raise InputError(
                f"{recording.path} has no column {column!r}, only {', '.join(recording.sensors)}"
            )
        self.name = name
        self._recording = recording
        self._column = column

    def read(self) -> float | None:
        """The newest value not yet given, degrees Celsius. Raises `SensorError`."""
        try:
            return self._recording.take(self._column)
        except InputError as error:
            raise SensorError(self.name, str(error), retry=False) from error
        except EOFError:
            raise SensorError(
                self.name, "the recording has ended", fault=ReadingFault.SILENT, retry=False
            ) from None

    def describe(self) -> str:
        return f"column {self._column} of the recording {self._recording.path}"

    def close(self) -> None:
        self._recording.close()
