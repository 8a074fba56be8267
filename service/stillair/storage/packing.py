"""Put the readings of one sensor over one stretch of time into a few bytes, without loss.

A temperature is counted in units of 10^-7 K and an instant in milliseconds.
1/16, 1/128 and 1/4 K, tenths and hundredths are whole numbers of that unit,
with or without a correction added; the greatest common step of a stretch is
found and divided out, so each costs no more than its own resolution needs.
What is left are differences, or differences of differences, in the narrowest
integers, byte planes apart, deflated.

    payload: deflate( version | base | step | times | missing | values )

References
----------
Pelkonen, T. et al. (2015). Gorilla: a fast, scalable, in-memory time series
database. VLDB 8(12): differences of differences of instants.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

UNITS_PER_K = 10_000_000
MISSING = -(2**63)  # in place of a temperature that isn't there
LARGEST_C = 1e6  # what is larger is no temperature
VERSION = 1
HEAD = struct.Struct("<Bqq")
COLUMN = struct.Struct("<BBI")

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
    """The payload of a stretch; instants must not decrease and count from the first."""
    missing = units == MISSING
    known = units[~missing]
    base = int(known[0]) if len(known) else 0
    known = known - base
    step = int(np.gcd.reduce(known)) or 1
    content = HEAD.pack(VERSION, base, step)
    content += _column(times_ms - times_ms[0])
    content += _bytes(np.packbits(missing).tobytes() if missing.any() else b"")
    content += _column(known // step)
    return zlib.compress(content, 9)


def unpack(payload: bytes, start_ms: int, count: int) -> tuple[Ints, Ints]:
    """Instants and units of a stretch. Raises `ValueError` if the payload is damaged."""
    try:
        inflate = zlib.decompressobj()
        content = inflate.decompress(payload, 1024 + 20 * count)
        if not inflate.eof:
            # Only at its end does the stream check itself.
            raise ValueError("damaged readings: the stream doesn't end")
        version, base, step = HEAD.unpack_from(content)
        if version != VERSION:
            raise ValueError(f"unknown version {version}")
        times_ms, offset = _read_column(content, HEAD.size)
        bits, offset = _read_bytes(content, offset)
        known, offset = _read_column(content, offset)
    except (zlib.error, struct.error, TypeError) as error:
        raise ValueError(f"damaged readings: {error}") from error
    missing = np.zeros(count, np.bool_)
    if bits:
        missing = np.unpackbits(np.frombuffer(bits, np.uint8))[:count].astype(np.bool_)
    if len(times_ms) != count or len(missing) != count or len(known) != count - missing.sum():
        raise ValueError("damaged readings: their number is not what it should be")
    units = np.full(count, MISSING, np.int64)
    units[~missing] = known * step + base
    return times_ms + start_ms, units


def _column(numbers: Ints) -> bytes:
    """Differences of the first or the second order, whichever is smaller once deflated."""
    columns = []
    for order in (1, 2):
        differences = np.diff(numbers, order, prepend=np.zeros(order, np.int64))
        width = _width(differences)
        planes = differences.astype(f"<i{width}").view(np.uint8).reshape(-1, width).T
        columns.append(COLUMN.pack(order, width, len(numbers)) + planes.tobytes())
    return min(columns, key=lambda column: len(zlib.compress(column, 6)))


def _width(numbers: Ints) -> int:
    largest = int(np.abs(numbers).max(initial=0))
    return next(width for width in (1, 2, 4, 8) if largest < 2 ** (8 * width - 1))


def _read_column(content: bytes, offset: int) -> tuple[Ints, int]:
    order, width, count = COLUMN.unpack_from(content, offset)
    if order not in (1, 2) or width not in (1, 2, 4, 8):
        raise ValueError("damaged readings: a column of an unknown kind")
    begin, end = offset + COLUMN.size, offset + COLUMN.size + width * count
    if end > len(content):
        raise ValueError("damaged readings: a column is cut off")
    planes = np.frombuffer(content[begin:end], np.uint8).reshape(width, count)
    numbers = np.ascontiguousarray(planes.T).view(f"<i{width}").reshape(count).astype(np.int64)
    for _ in range(order):
        numbers = np.cumsum(numbers)
    return numbers, end


def _bytes(data: bytes) -> bytes:
    return struct.pack("<I", len(data)) + data


def _read_bytes(content: bytes, offset: int) -> tuple[bytes, int]:
    (length,) = struct.unpack_from("<I", content, offset)
    begin = offset + 4
    return content[begin : begin + length], begin + length
