"""Readings as a CSV file, read row by row so that neither size nor end of the file matters.

The form: line 1 is a header; its first column is `time_s` (seconds, increasing,
perhaps negative, perhaps with gaps) or `time` (ISO 8601; the rows then tell
seconds from the first one); every other column is one sensor in degrees
Celsius; an empty field is a missing reading. UTF-8, commas, LF or CRLF.

Every fault is an `InputError` of one line that names line, column, what is
wrong and what to do. The first one refuses the whole file: a row that was
skipped would be a gap in what was watched, and nobody would know of it. At
most one line of 64 KiB is held at a time.
"""

from __future__ import annotations

import csv
import stat
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self, TextIO

from stillair.errors import InputError

LONGEST_LINE_BYTES = 64 * 1024
LOWEST_C = -273.15  # absolute zero; what merely can't be true in a chamber is a sensor's fault
HIGHEST_C = 3000.0  # above the range of every thermocouple type of IEC 60584-1
LARGEST_TIME_S = 1e11  # seconds since the epoch fit, milliseconds don't
LONGEST_GAP_S = 100 * 86400.0  # the watch ticks through every second of a gap

HEADER = "the first line has to be a header, such as time_s,top,low"
LEAVE = "leave the field empty if the reading is missing"
PUT = "put one, or take the line out"

Row = tuple[float, tuple[float | None, ...]]


class ReadingTable:
    """The rows of one open file, in one pass.

    `sensors` are the columns' names in their order. `start_at` is the wall
    time of the first row once that has been read, where the file gives
    ISO 8601 times (naive where the file's are); else None.
    """

    def __init__(self, stream: BinaryIO, name: str) -> None:
        self._stream = stream
        self._name = name
        self._line = 0
        self.start_at: datetime | None = None
        header = self._next_line()
        if header is None:
            raise InputError(f"{name}: line 1: the file is empty; {HEADER}")
        self._columns = self._header(header.removeprefix("\ufeff"))
        self._iso = self._columns[0] == "time"
        self.sensors: tuple[str, ...] = tuple(self._columns[1:])

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; safe to call twice."""
        self._stream.close()

    @property
    def position_bytes(self) -> int:
        """How much of the file has been read."""
        return self._stream.tell()

    def rows(self) -> Iterator[Row]:
        """Yield `(t_s, temperatures)` to the end. Raises `InputError` at the first fault."""
        width = len(self._columns)
        last_s: float | None = None
        blank: int | None = None
        while (text := self._next_line()) is not None:
            if not text.strip():
                blank = blank or self._line
                continue
            if blank is not None:
                self._line = blank
                raise self._fault("the line is empty; take it out")
            fields = self._split(text)
            if len(fields) != width:
                few = len(fields) < width
                column = self._columns[len(fields)] if few else None
                raise self._fault(
                    f"{len(fields)} fields, but the header has {width} columns;"
                    " a missing reading keeps its comma",
                    column,
                )
            t_s = self._time_s(fields[0])
            if last_s is not None:
                if t_s <= last_s:
                    raise self._fault(
                        f"time must increase, but {_shown(fields[0])} does not come after"
                        " the line before; take one of the two out, or sort the file",
                        self._columns[0],
                    )
                if t_s - last_s > LONGEST_GAP_S:
                    raise self._fault(
                        f"{_shown(fields[0])} is more than 100 days after the line before;"
                        " correct it, or split the file there",
                        self._columns[0],
                    )
            last_s = t_s
            yield t_s, self._temperatures(fields)

    # --- one line ----------------------------------------------------------

    def _next_line(self) -> str | None:
        self._line += 1
        try:
            raw = self._stream.readline(LONGEST_LINE_BYTES + 1)
        except OSError as error:
            raise self._fault(f"the file can't be read: {_why(error)}") from error
        if not raw:
            return None
        if b"\0" in raw:
            raise self._fault("this is no text: it holds a zero byte; take the line out")
        if len(raw) > LONGEST_LINE_BYTES:
            raise self._fault(f"the line is longer than {LONGEST_LINE_BYTES} bytes; take it out")
        try:
            text = raw.decode("utf-8")
        except UnicodeDecodeError as error:
            raise self._fault(
                f"this is no UTF-8 text: byte 0x{raw[error.start]:02x} at position"
                f" {error.start + 1}; save the file as UTF-8"
            ) from error
        return text.removesuffix("\n").removesuffix("\r")

    def _split(self, text: str) -> list[str]:
        if '"' not in text:
            return text.split(",")
        try:
            return next(csv.reader([text], strict=True))
        except csv.Error as error:
            raise self._fault(
                "a quoted field has no proper end; close its quotation mark"
            ) from error

    def _header(self, text: str) -> list[str]:
        names = [name.strip() for name in self._split(text)]
        first = names[0]
        if first not in ("time_s", "time"):
            if _is_number(first):
                raise self._fault(f"this line has numbers; {HEADER}")
            if ";" in text or "\t" in text:
                raise self._fault("columns must be separated by commas; save the file so")
            raise self._fault(
                f"the first column must be time_s or time, not {_shown(first)}; rename it"
            )
        if len(names) < 2:
            raise self._fault("there is no column besides the time; each sensor needs one")
        seen: set[str] = set()
        for position, name in enumerate(names, 1):
            if not name:
                raise self._fault(f"column {position} has no name; give it one, such as top")
            if not name.isprintable() or len(name) > 200:
                raise self._fault(
                    f"the name of column {position} is no usable name: 200 characters at most,"
                    " none of them a control character"
                )
            if name in seen:
                raise self._fault("the name stands twice; rename one of the two", name)
            seen.add(name)
        return names

    def _time_s(self, field: str) -> float:
        column = self._columns[0]
        if not field.strip():
            raise self._fault(f"the time is missing; {PUT}", column)
        if self._iso:
            return self._iso_s(field.strip())
        if not _is_number(field):
            raise self._fault(f"{_shown(field)} is no number of seconds; {PUT}", column)
        t_s = float(field)
        if not -LARGEST_TIME_S <= t_s <= LARGEST_TIME_S:  # not-a-number fails this too
            raise self._fault(f"{_shown(field)} is no usable number of seconds; {PUT}", column)
        return t_s

    def _iso_s(self, field: str) -> float:
        column = self._columns[0]
        try:
            at = datetime.fromisoformat(field)
        except ValueError as error:
            raise self._fault(
                f"{_shown(field)} is no ISO 8601 time, such as 2026-05-02T09:00:00Z; {PUT}", column
            ) from error
        if self.start_at is None:
            self.start_at = at
            return 0.0
        if (at.tzinfo is None) != (self.start_at.tzinfo is None):
            raise self._fault(
                "some times have an offset from UTC and some have none; give all of them one,"
                " such as a Z at the end",
                column,
            )
        return (at - self.start_at).total_seconds()

    def _temperatures(self, fields: list[str]) -> tuple[float | None, ...]:
        out: list[float | None] = []
        for position in range(1, len(fields)):
            field = fields[position]
            if not field:
                out.append(None)
                continue
            try:
                value = float(field)
            except ValueError as error:
                if not field.strip():
                    out.append(None)
                    continue
                raise self._fault(
                    f"{_shown(field)} is no number; {LEAVE}", self._columns[position]
                ) from error
            if not LOWEST_C <= value <= HIGHEST_C:  # not-a-number fails this too
                raise self._fault(
                    f"{_shown(field)} is no temperature a thermometer gives; {LEAVE}",
                    self._columns[position],
                )
            if "_" in field or not field.isascii():  # Python reads 1_0 and foreign digits
                raise self._fault(f"{_shown(field)} is no number; {LEAVE}", self._columns[position])
            out.append(value)
        return tuple(out)

    def _fault(self, what: str, column: str | None = None) -> InputError:
        where = f"line {self._line}" + (f", column {column}" if column else "")
        return InputError(f"{self._name}: {where}: {what}")


def open_table(path: Path) -> ReadingTable:
    """Open a file of readings (a regular file or a pipe) and read its header.

    Raises `InputError` when there is no such file or its header is wrong.
    """
    try:
        stream = path.open("rb")
    except OSError as error:
        raise InputError(f"{_one_line(path)}: the file can't be opened: {_why(error)}") from error
    try:
        return ReadingTable(stream, _one_line(path))
    except InputError:
        stream.close()
        raise


def check_table(path: Path) -> None:
    """Read a regular file once from end to end, so that a fault is known before work begins.

    Does nothing for a pipe or a device, which can be read only once.
    Raises `InputError` at the first fault.
    """
    try:
        regular = stat.S_ISREG(path.stat().st_mode)
    except OSError as error:
        raise InputError(f"{_one_line(path)}: the file can't be opened: {_why(error)}") from error
    if not regular:
        return
    with open_table(path) as table:
        for _ in table.rows():
            pass


def write_table(stream: TextIO, sensors: Sequence[str], rows: Iterable[Row]) -> None:
    """Write readings in the form that `open_table` reads; None becomes an empty field.

    Raises `ValueError` for a row that has not one value for each sensor.
    """
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["time_s", *sensors])
    for t_s, temperatures in rows:
        if len(temperatures) != len(sensors):
            raise ValueError(f"{len(temperatures)} values for {len(sensors)} sensors at {t_s} s")
        writer.writerow([_figure(t_s), *("" if c is None else _figure(c) for c in temperatures)])


def _figure(value: float) -> str:
    """The shortest decimal that reads back as the same value."""
    return str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)


def _is_number(field: str) -> bool:
    if "_" in field or not field.isascii():
        return False
    try:
        float(field)
    except ValueError:
        return False
    return True


def _shown(field: str) -> str:
    """A field as a person may see it in one line."""
    return repr(field if len(field) <= 40 else field[:37] + "...")


def _one_line(path: Path) -> str:
    return str(path) if str(path).isprintable() else repr(str(path))


def _why(error: OSError) -> str:
    return (error.strerror or type(error).__name__).lower()
