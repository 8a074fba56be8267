"""Pictures of a film to come, one after the other in one file: what a crash leaves is readable.

Each record is a head (instant, length, CRC-32) and a JPEG; zeros fill the last sector. Whatever
stops the writing tears the last records at most; who reads ends there.
"""

from __future__ import annotations

import math
import os
import struct
import zlib
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

from stillair.errors import StoreError
from stillair.media.files import errors
from stillair.media.ring import Shot
from stillair.sectors import Sectors

HEAD = struct.Struct("<dII")
LONGEST_BYTES = 4 * 2**20  # of one picture; a ring has none so large


class Spool:
    """The pictures of one film; every method raises `StoreError`."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.count = 0
        self.size_bytes = 0
        self.last_s = -math.inf

    @classmethod
    def found(cls, path: Path) -> Spool:
        """One that was begun before a restart: what is torn at its end is cut off."""
        spool = cls(path)
        with errors("the pictures of a film can't be read"):
            if not path.is_file():
                return spool
            with path.open("rb") as file:
                for shot in shots(file):
                    spool._count(shot)
            if path.stat().st_size > spool.size_bytes:
                os.truncate(path, spool.size_bytes)
        return spool

    def append(self, taken: Sequence[Shot]) -> None:
        """Keep pictures; having returned, they survive a power cut."""
        if not taken:
            return
        data = b"".join(map(_record, taken))
        with errors("the pictures of a film can't be kept"):
            self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            try:
                file = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o600)
                sectors = Sectors(self.path, file)
                try:
                    sectors.write(data, self.size_bytes)
                    os.fsync(file)
                finally:
                    sectors.close()
                    os.close(file)
            except OSError:
                with suppress(OSError):  # half a record would hide all that come after it
                    os.truncate(self.path, self.size_bytes)
                raise
        for shot in taken:
            self._count(shot)

    def remove(self) -> None:
        """Let go of all of them; harmless twice."""
        with errors("the pictures of a film can't be removed"):
            self.path.unlink(missing_ok=True)

    def _count(self, shot: Shot) -> None:
        self.count += 1
        self.size_bytes += HEAD.size + len(shot.jpeg)
        self.last_s = shot.t_s


def shots(file: BinaryIO) -> Iterator[Shot]:
    """The pictures in an open spool, one by one, up to where it is torn."""
    while len(head := file.read(HEAD.size)) == HEAD.size:
        t_s, length, crc = HEAD.unpack(head)
        if not 0 < length <= LONGEST_BYTES or not math.isfinite(t_s):
            return
        jpeg = file.read(length)
        if len(jpeg) < length or zlib.crc32(jpeg) != crc:
            return
        yield Shot(t_s, jpeg)


def _record(shot: Shot) -> bytes:
    if len(shot.jpeg) > LONGEST_BYTES or not math.isfinite(shot.t_s):
        raise StoreError("no picture of a film is so large")
    return HEAD.pack(shot.t_s, len(shot.jpeg), zlib.crc32(shot.jpeg)) + shot.jpeg
