"""The newest readings in a file that lies in memory: safe from a kill, and no wear for a card.

The tail gets them all three quarters of a minute. Until then the whole of what it doesn't
have stands here, with where the tail ended: once that has grown, what is here counts no
more. A link beside the archive leads to the file, so that any process finds it.

    header: magic, generation and end of the tail, checksum          content: as a record's
"""

from __future__ import annotations

import logging
import os
import secrets
import struct
import zlib
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from stillair.storage.tail import Series, pack_series, unpack_series

log = logging.getLogger(__name__)

MAGIC = b"stillair recent 1\n"
HEADER = struct.Struct(f"<{len(MAGIC)}sQQI")
LARGEST_BYTES = 16 * 2**20


class Recent:
    """The newest readings of one archive. Not thread-safe.

    Parameters
    ----------
    link
        Where it is found, on the disk.
    folder
        A folder in memory that outlives the process.
    """

    def __init__(self, link: Path, folder: Path) -> None:
        self._link = link
        self._path = folder / f"stillair-{secrets.token_hex(8)}"
        self._there = False
        self._failing = False

    def put(self, generation: int, end: int, series: Iterable[Series]) -> bool:
        """Exchange what is here; False if that can't be done."""
        content = pack_series(series)
        head = HEADER.pack(MAGIC, generation, end, zlib.crc32(content))
        coming = self._path.with_name(f"{self._path.name}.part")
        try:
            coming.unlink(missing_ok=True)
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW
            with os.fdopen(os.open(coming, flags, 0o600), "wb") as file:
                file.write(head + content)
            coming.rename(self._path)
            if not self._there:
                self._lead_here()
                self._there = True
        except OSError as error:
            if not self._failing:
                log.warning("the newest readings go to the disk at once: %s", error)
            self._failing = True
            return False
        self._failing = False
        return True

    def clear(self) -> None:
        """Take it away, also what a process that was killed has left."""
        for path in (self._path, self._link.resolve(), self._link):
            with suppress(OSError):
                path.unlink()
        self._there = False

    def _lead_here(self) -> None:
        if (left := self._link.resolve()) != self._path:
            with suppress(OSError):
                left.unlink()
        coming = self._link.with_name(f"{self._link.name}.part")
        coming.unlink(missing_ok=True)
        coming.symlink_to(self._path)
        coming.rename(self._link)


def link_of(archive: Path) -> Path:
    """Where what is newest of an archive is found."""
    return archive.with_name(f"{archive.name}-recent")


def read_recent(archive: Path) -> tuple[int, int, list[Series]] | None:
    """Generation and end of the tail behind which these readings belong, None if there are none."""
    try:
        with link_of(archive).open("rb") as file:
            if os.fstat(file.fileno()).st_uid != archive.parent.stat().st_uid:
                return None
            content = file.read(LARGEST_BYTES)
        magic, generation, end, checksum = HEADER.unpack_from(content)
        body = content[HEADER.size :]
        if magic != MAGIC or zlib.crc32(body) != checksum:
            return None
        return generation, end, list(unpack_series(body)) if body else []
    except (OSError, ValueError, struct.error, zlib.error):
        return None
