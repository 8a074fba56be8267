"""A small file, written beforehand, for what the journal can't take just now.

Its room on the disk is taken while there is some, so that an alarm on a full
disk still has a place. The file begins with a header that names its
generation; each record carries a checksum over generation, position and
content. Emptying the file is one small write, the next generation: after it
no old record is valid any more. A record that was torn ends the file.

    header: magic, generation, checksum          record: length, checksum, content
"""

from __future__ import annotations

import logging
import os
import struct
import threading
import zlib
from collections.abc import Sequence
from pathlib import Path

from stillair.database import store_errors
from stillair.errors import StoreError
from stillair.sectors import Sectors
from stillair.storage.records import Parcel, dump, load

log = logging.getLogger(__name__)

SIZE_BYTES = 2**20  # about 1,500 outcomes
MAGIC = b"stillair"
HEADER = struct.Struct("<8sQI")
RECORD = struct.Struct("<II")


class EmergencyJournal:
    """Keep outcomes in order, durable when `append` returns, until the journal has them.

    Making the file may fail on a full disk; then it is tried again at each
    call, and until then every `append` raises `StoreError`.
    """

    def __init__(self, path: Path, *, size_bytes: int = SIZE_BYTES) -> None:
        self._path = path
        self._size_bytes = size_bytes
        self._lock = threading.Lock()
        self._file: int | None = None
        self._sectors: Sectors | None = None
        self._generation = 0
        self._end = HEADER.size

    def prepare(self) -> None:
        """Take the file's room on the disk. Raises `StoreError`."""
        with self._lock:
            self._open()

    def read(self) -> list[Parcel]:
        """What is kept here, oldest first. Raises `StoreError`."""
        with self._lock:
            file = self._open()
            with store_errors(f"{self._path.name} can't be read"):
                data = os.pread(file, self._end, 0)
        parcels = []
        offset = HEADER.size
        while offset < self._end:
            length, _checksum = RECORD.unpack_from(data, offset)
            offset += RECORD.size
            try:
                parcels.append(
                    load(Parcel, zlib.decompress(data[offset : offset + length]).decode())
                )
            except (ValueError, zlib.error):
                log.exception("%s: a record from another version was left out", self._path.name)
            offset += length
        return parcels

    def append(self, parcels: Sequence[Parcel]) -> int:
        """Keep parcels; returns how many of them found room. Raises `StoreError`."""
        with self._lock:
            file = self._open()
            data, end, taken = bytearray(), self._end, 0
            for parcel in parcels:
                content = zlib.compress(dump(parcel).encode(), 1)
                if end + RECORD.size + len(content) > self._size_bytes:
                    break
                data += RECORD.pack(len(content), self._checksum(end, content)) + content
                end = self._end + len(data)
                taken += 1
            if data:
                with store_errors(f"{self._path.name} can't be written"):
                    self._write(bytes(data), self._end)
                    os.fdatasync(file)
                self._end = end
            return taken

    def clear(self) -> None:
        """Forget all records: the journal has them. Raises `StoreError`."""
        with self._lock:
            file = self._open()
            if self._end == HEADER.size:
                return
            with store_errors(f"{self._path.name} can't be written"):
                self._begin(file, self._generation + 1)

    def close(self) -> None:
        """Let the file go; harmless twice."""
        with self._lock:
            if self._sectors is not None:
                self._sectors.close()
            if self._file is not None:
                os.close(self._file)
            self._file = self._sectors = None

    def _open(self) -> int:
        if self._file is not None:
            return self._file
        with store_errors(f"{self._path.name} can't be used"):
            self._path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            file = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600)
            try:
                present = os.fstat(file).st_size
                if present < self._size_bytes:
                    _write(file, bytes(self._size_bytes - present), present)
                self._sectors = Sectors(self._path, file)
                self._find_end(file)
            except BaseException:
                if self._sectors is not None:
                    self._sectors.close()
                    self._sectors = None
                os.close(file)
                raise
            self._file = file
        return file

    def _write(self, data: bytes, at: int) -> None:
        assert self._sectors is not None
        self._sectors.write(data, at)

    def _find_end(self, file: int) -> None:
        data = os.pread(file, self._size_bytes, 0)
        magic, generation, checksum = HEADER.unpack_from(data)
        if magic != MAGIC or checksum != zlib.crc32(data[: HEADER.size - 4]):
            self._begin(file, int.from_bytes(os.urandom(4), "little"))
            return
        self._generation, self._end = generation, HEADER.size
        while self._end + RECORD.size <= len(data):
            length, checksum = RECORD.unpack_from(data, self._end)
            begin = self._end + RECORD.size
            content = data[begin : begin + length]
            if (
                not length
                or len(content) < length
                or checksum != self._checksum(self._end, content)
            ):
                break
            self._end = begin + length

    def _begin(self, file: int, generation: int) -> None:
        head = HEADER.pack(MAGIC, generation, 0)[: HEADER.size - 4]
        self._write(head + struct.pack("<I", zlib.crc32(head)), 0)
        os.fsync(file)
        self._generation, self._end = generation, HEADER.size

    def _checksum(self, offset: int, content: bytes) -> int:
        return zlib.crc32(content, zlib.crc32(struct.pack("<QQ", self._generation, offset)))


def _write(file: int, data: bytes, offset: int) -> None:
    """Write all of it, or raise."""
    while data:
        written = os.pwrite(file, data, offset)
        if written <= 0:
            raise StoreError("nothing could be written")
        data, offset = data[written:], offset + written
