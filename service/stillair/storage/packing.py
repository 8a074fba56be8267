"""Put the readings of one sensor over one stretch of time into a few bytes, without loss.

A temperature is counted in units of 10^-7 K and an instant in milliseconds.
1/16, 1/128 and 1/4 K, tenths and hundredths are whole numbers of that unit,
with or without a correction added; the greatest common step of a stretch is
found and divided out, so each costs no more than its own resolution needs.

A sensor is read at even intervals, so an instant is kept as how far it lies
from where it was due, and how many intervals it came after the one before.
Each column is given to pcodec in the narrowest integers that hold it, as it is
or as differences, whichever is smaller; that library codes it close to its
entropy. (Its linear prediction would save thermocouples another 5 %, but in
1.1.0 it fails for lengths just above a multiple of 512.)

    payload: version | checksum of the rest | count | interval | columns
    columns: missing or not, intervals passed, milliseconds off, temperatures
    column:  kind | least, step, length of what follows, each with its width | pcodec

What version 1 has written (differences, byte planes apart, deflated) is read
by `packing_1`.

References
----------
Duda, J. (2013). Asymmetric numeral systems. arXiv:1311.2540: the coder of
pcodec, https://github.com/pcodec/pcodec, format 4.
"""

from __future__ import annotations

import statistics
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillair.storage import packing_1

UNITS_PER_K = 10_000_000
MISSING = -(2**63)  # in place of a temperature that isn't there
LARGEST_C = 1e6  # what is larger is no temperature
VERSION = 2  # a payload of version 1 begins with what zlib's begin with, 0x78
HEAD = struct.Struct("<BI")  # version, checksum
PACE = struct.Struct("<Id")  # count, milliseconds from one reading to the next
KINDS = (None, np.dtype("<i2"), np.dtype("<i4"), np.dtype("<i8"))  # of numbers; None: all the same
PLAUSIBLE_MS = 2.0**52  # whole milliseconds that a double still tells apart

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Summary:
    """What can be told of a stretch without unpacking it; None if all of it is missing."""

    low_c: float | None
    high_c: float | None
    mean_c: float | None


def to_units(temperature_c: float | None) -> int:
    """A temperature in units of 10^-7 K, `MISSING` for none or for no finite number."""
    # NaN fails the comparison as well.
    if temperature_c is None or not abs(temperature_c) <= LARGEST_C:
        return MISSING
    return round(temperature_c * UNITS_PER_K)


def to_celsius(units: Ints) -> Floats:
    """Temperatures of an array of units, NaN where one is missing."""
    return np.where(units == MISSING, np.nan, units / UNITS_PER_K)


def summarize(units: Ints) -> Summary:
    """Extremes and mean of a stretch."""
    known = units[units != MISSING]
    if not len(known):
        return Summary(None, None, None)
    return Summary(
        float(known.min()) / UNITS_PER_K,
        float(known.max()) / UNITS_PER_K,
        float(known.mean()) / UNITS_PER_K,
    )


def pack(times_ms: Ints, units: Ints) -> bytes:
    """The payload of a stretch, at least one reading; instants must not decrease.

    They count from the first.
    """
    known = units != MISSING
    since_ms = times_ms - times_ms[0]
    steps_ms = np.diff(since_ms, prepend=0)
    usual_ms = max(statistics.median(steps_ms[1:].tolist()), 1.0) if len(steps_ms) > 1 else 1.0
    passed = np.rint(steps_ms / usual_ms).astype(np.int64)
    total = int(passed.sum())
    interval_ms = float(since_ms[-1]) / total if total else 0.0
    off_ms = since_ms - _due_ms(passed, interval_ms)
    content = PACE.pack(len(units), interval_ms)
    content += pack_columns((known.astype(np.int64), passed, off_ms, units[known]))
    return HEAD.pack(VERSION, zlib.crc32(content)) + content


def unpack(payload: bytes, start_ms: int, count: int) -> tuple[Ints, Ints]:
    """Instants and units of a stretch. Raises `ValueError` if the payload is damaged.

    Takes no more memory than `count` readings need.
    """
    if payload[:1] != bytes((VERSION,)):
        since_ms, known, numbers = packing_1.unpack(payload, count)
    else:
        since_ms, known, numbers = _unpack(payload, count)
    since_ms += start_ms
    if len(numbers) == count:
        return since_ms, numbers
    units = np.full(count, MISSING, np.int64)
    units[known] = numbers
    return since_ms, units


def _unpack(payload: bytes, count: int) -> tuple[Ints, NDArray[np.bool_], Ints]:
    begin = HEAD.size + PACE.size
    if len(payload) < begin:
        raise ValueError("damaged readings: cut off")
    _, checksum = HEAD.unpack_from(payload)
    if zlib.crc32(payload[HEAD.size :]) != checksum:
        raise ValueError("damaged readings: the checksum differs")
    packed, interval_ms = PACE.unpack_from(payload, HEAD.size)
    if packed != count:
        raise ValueError("damaged readings: their number is not what it should be")
    reader = ColumnReader(payload, begin)
    known = reader.next(count).astype(np.bool_)
    passed = reader.next(count)
    off_ms = reader.next(count)
    return _due_ms(passed, interval_ms) + off_ms, known, reader.next(int(known.sum()))


def _due_ms(passed: Ints, interval_ms: float) -> Ints:
    """When each reading was due. One product and one floor: the same on every machine."""
    due_ms: Floats = np.floor(np.cumsum(passed) * interval_ms)
    return due_ms.clip(-PLAUSIBLE_MS, PLAUSIBLE_MS).astype(np.int64)


# --- columns of whole numbers -----------------------------------------------------------------


def pack_columns(columns: Sequence[Ints]) -> bytes:
    """Whole numbers, each column by itself; `ColumnReader` gives them back in order."""
    return b"".join(map(_pack_column, columns))


def _pack_column(numbers: Ints) -> bytes:
    least = int(numbers.min()) if len(numbers) else 0
    above = numbers - least  # may wrap around, and does so back again
    if not above.any():
        return bytes((0,)) + _number(least)
    step = int(np.gcd.reduce(above))
    above //= step
    largest = max(int(above.max()), -int(above.min()) - 1)
    kind = next(n for n, each in enumerate(KINDS) if each and largest <= np.iinfo(each).max)
    coded = _coded(above.astype(KINDS[kind]))
    return bytes((kind,)) + _number(least) + _number(step) + _number(len(coded)) + coded


def _number(number: int) -> bytes:
    width = number.bit_length() // 8 + 1
    return bytes((width,)) + number.to_bytes(width, "little", signed=True)


def _coded(numbers: NDArray[np.signedinteger]) -> bytes:
    """As it is or as differences, whichever is smaller."""
    # A third of a millisecond that a process without readings never needs.
    from pcodec import ChunkConfig, DeltaSpec, ModeSpec, standalone

    ways = (DeltaSpec.no_op(), DeltaSpec.try_consecutive(1))
    each = [ChunkConfig(delta_spec=way, mode_spec=ModeSpec.classic()) for way in ways]
    coded: list[bytes] = [standalone.simple_compress(numbers, config) for config in each]
    return min(coded, key=len)


class ColumnReader:
    """Takes columns out of what `pack_columns` has made, one behind the other."""

    def __init__(self, content: bytes, begin: int = 0) -> None:
        self._content = content
        self._at = begin

    def next(self, count: int) -> Ints:
        """The next column. Raises `ValueError` if it is damaged or has another length."""
        from pcodec import standalone

        (kind,) = self._bytes(1)
        if kind >= len(KINDS):
            raise ValueError("damaged readings: a column of an unknown kind")
        least = self._number()
        if KINDS[kind] is None:
            return np.full(count, least, np.int64)
        step = self._number()
        coded = self._bytes(self._number())
        numbers = np.empty(count, KINDS[kind])
        try:
            told = standalone.simple_decompress_into(coded, numbers)
        except RuntimeError as error:
            raise ValueError(f"damaged readings: {error}") from error
        if told.n_processed != count or not told.finished:
            raise ValueError("damaged readings: their number is not what it should be")
        found = numbers.astype(np.int64)
        found *= step
        found += least
        return found

    def _number(self) -> int:
        (width,) = self._bytes(1)
        number = int.from_bytes(self._bytes(width), "little", signed=True)
        if not -(2**63) <= number < 2**63:
            raise ValueError("damaged readings: a number without bounds")
        return number

    def _bytes(self, length: int) -> bytes:
        begin, self._at = self._at, self._at + length
        if not begin <= self._at <= len(self._content):
            raise ValueError("damaged readings: a column is cut off")
        return self._content[begin : self._at]
