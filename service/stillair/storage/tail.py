"""The append-only file of the readings of the last minutes, before they are packed.

A record holds what came since the one before, of every sensor. It is in the
kernel's hands when `append` returns (safe from a kill) and on the disk after
`sync` (safe from a power cut). The file grows by whole chunks of zeros, and
records are written by sectors, so that one costs no whole page. A record that was torn,
and all behind it, is dropped when the file is read.

    header: magic, generation          record: length, checksum, series packed as in rows
"""

from __future__ import annotations

import logging
import os
import struct
import zlib
from array import array
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from stillair.database import store_errors
from stillair.sectors import Sectors
from stillair.storage.packing import pack, unpack

log = logging.getLogger(__name__)

MAGIC = b"stillair readings 1\n"
HEADER = struct.Struct(f"<{len(MAGIC)}sQ")
RECORD = struct.Struct("<II")
PACKED = b"\2"  # begins a record; one of the first form begins as zlib's do, with 0x78
SERIES = struct.Struct("<HHIIq")  # lengths of chamber, sensor and payload, count, first instant
SERIES_1 = struct.Struct("<HHI")
CHUNK_BYTES = 16_384
PAGE_BYTES = 4_096
LARGEST_RECORD_BYTES = 64 * 2**20

Key = tuple[str, str]  # chamber and sensor


@dataclass(slots=True)
class Series:
    """Readings of one sensor in the order in which they came: milliseconds and units."""

    chamber: str
    sensor: str
    times_ms: array[int] = field(default_factory=lambda: array("q"))
    units: array[int] = field(default_factory=lambda: array("q"))


class Tail:
    """One tail file, open for appending. Not thread-safe; raises `StoreError`."""

    def __init__(self, path: Path, generation: int, file: int, end: int) -> None:
        self.path = path
        self.generation = generation
        self._file = file
        self._end = end
        self._room = os.fstat(file).st_size
        self._sectors = Sectors(path, file)

    @property
    def end(self) -> int:
        """Where the next record begins."""
        return self._end

    @classmethod
    def begin(cls, path: Path, generation: int, series: Iterable[Series] = ()) -> Tail:
        """A new file, on the disk with the given readings when this returns."""
        with store_errors(f"{path.name} can't be made"):
            file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600)
            tail = cls(path, generation, file, 0)
            try:
                tail._write(HEADER.pack(MAGIC, generation))
                tail.append(series)
                os.fsync(file)
                folder = os.open(path.parent, os.O_RDONLY)
                try:
                    os.fsync(folder)
                finally:
                    os.close(folder)
            except BaseException:
                tail.close()
                raise
        return tail

    @classmethod
    def resume(cls, path: Path, generation: int) -> tuple[Tail, list[Series]]:
        """An existing file and what is in it; a broken one is begun anew."""
        with store_errors(f"{path.name} can't be read"):
            file = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
            os.close(file)
        found = list(read_tail(path))
        if not found:
            return cls.begin(path, generation), []
        end = found[-1][0]
        with store_errors(f"{path.name} can't be read"):
            return cls(path, generation, os.open(path, os.O_RDWR), end), [
                series for _, each in found for series in each
            ]

    def append(self, series: Iterable[Series]) -> None:
        """Hand readings to the kernel; all of them or, if it raises, none."""
        if content := pack_series(series):
            self._write(RECORD.pack(len(content), zlib.crc32(content)) + content)

    def sync(self) -> None:
        """Bring what was appended to the disk."""
        with store_errors(f"{self.path.name} can't be written"):
            os.fdatasync(self._file)

    def close(self) -> None:
        """Let the file go; harmless twice."""
        self._sectors.close()
        if self._file >= 0:
            os.close(self._file)
        self._file = -1

    def _write(self, data: bytes) -> None:
        with store_errors(f"{self.path.name} can't be written"):
            end = self._end + len(data)
            if end > self._room:
                room = -(-end // CHUNK_BYTES) * CHUNK_BYTES
                # Page by page: what is written at once the kernel may keep as one piece, and
                # write whole whenever a byte of it has changed.
                for begin in range(self._room, room, PAGE_BYTES):
                    _pwrite(self._file, bytes(min(PAGE_BYTES, room - begin)), begin)
                self._room = room
            # Behind a write that failed halfway the next one begins at the same place again.
            self._sectors.write(data, self._end)
            self._end = end


def read_tail(path: Path) -> Iterator[tuple[int, list[Series]]]:
    """Records of a tail file, each with where it ends; also while another process appends.

    Ends at the first record that is torn. Raises `StoreError` if the file can't be read.
    """
    with store_errors(f"{path.name} can't be read"), path.open("rb") as file:
        head = file.read(HEADER.size)
        if len(head) < HEADER.size or HEADER.unpack(head)[0] != MAGIC:
            return
        end = HEADER.size
        yield end, []
        while len(prefix := file.read(RECORD.size)) == RECORD.size:
            length, checksum = RECORD.unpack(prefix)
            if not 0 < length <= LARGEST_RECORD_BYTES:
                return
            content = file.read(length)
            if len(content) < length or zlib.crc32(content) != checksum:
                return
            end += RECORD.size + length
            try:
                yield end, list(unpack_series(content))
            except (ValueError, struct.error, zlib.error):
                log.exception("%s: a record was left out", path.name)
                yield end, []


def counts_of(found: Iterable[Series]) -> Counter[Key]:
    """How many readings there are of each chamber and sensor."""
    counts: Counter[Key] = Counter()
    for series in found:
        counts[series.chamber, series.sensor] += len(series.times_ms)
    return counts


def not_packed(found: Iterable[Series], packed: Mapping[Key, int]) -> Iterator[Series]:
    """What is left of a tail's series without the first readings of each chamber and sensor."""
    left = dict(packed)
    for series in found:
        key = (series.chamber, series.sensor)
        passed = min(left.get(key, 0), len(series.times_ms))
        if passed:
            left[key] -= passed
            series = Series(*key, series.times_ms[passed:], series.units[passed:])
        if series.times_ms:
            yield series


def pack_series(series: Iterable[Series]) -> bytes:
    """The content of a record; empty without a reading."""
    content = b"".join(_pack(each) for each in series if each.times_ms)
    return PACKED + content if content else b""


def _pack(series: Series) -> bytes:
    chamber, sensor = series.chamber.encode(), series.sensor.encode()
    payload = pack(np.array(series.times_ms, np.int64), np.array(series.units, np.int64))
    lengths = (len(chamber), len(sensor), len(payload))
    head = SERIES.pack(*lengths, len(series.times_ms), series.times_ms[0])
    return head + chamber + sensor + payload


def unpack_series(content: bytes) -> Iterator[Series]:
    """What `pack_series` was given. Raises what the libraries do for a damaged one."""
    if content[:1] != PACKED:
        yield from _unpack_1(zlib.decompress(content))
        return
    offset = len(PACKED)
    while offset < len(content):
        *lengths, count, start_ms = SERIES.unpack_from(content, offset)
        offset += SERIES.size
        parts = []
        for length in lengths:
            parts.append(content[offset : offset + length])
            offset += length
        times_ms, units = unpack(parts[2], start_ms, count)
        series = Series(parts[0].decode(), parts[1].decode())
        series.times_ms.frombytes(times_ms.tobytes())
        series.units.frombytes(units.tobytes())
        yield series


def _unpack_1(content: bytes) -> Iterator[Series]:
    """The first form, which older boards wrote: numbers as they are, deflated."""
    offset = 0
    while offset < len(content):
        chamber_len, sensor_len, count = SERIES_1.unpack_from(content, offset)
        offset += SERIES_1.size
        names = content[offset : offset + chamber_len + sensor_len]
        offset += len(names)
        series = Series(names[:chamber_len].decode(), names[chamber_len:].decode())
        for numbers in (series.times_ms, series.units):
            numbers.frombytes(content[offset : offset + 8 * count])
            offset += 8 * count
        if len(series.units) != count:
            raise ValueError("a series is cut off")
        yield series


def _pwrite(file: int, data: bytes, offset: int) -> None:
    while data:
        written = os.pwrite(file, data, offset)
        data, offset = data[written:], offset + written
