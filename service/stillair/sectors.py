"""Write to a file by whole sectors, past the kernel's pages: a few bytes cost no whole page.

A card is charged each page of 4 KiB in which a byte has changed, and where the kernel keeps
many of them as one piece, all of that. A sector is what a disk itself writes. Where a file
system doesn't take writes of this kind, they go the kernel's way.
"""

from __future__ import annotations

import errno
import mmap
import os
from pathlib import Path

SECTOR_BYTES = 512  # where a disk has larger ones, the kernel refuses them


class Sectors:
    """Write to an open file. Not thread-safe; raises `OSError`.

    What is written lies on the disk only after an `fdatasync` of `file`. Behind it the rest of
    its last sector is made zeros: who writes somewhere wants nothing of what lay behind.
    """

    def __init__(self, path: Path, file: int) -> None:
        self._file = file
        self._direct = _opened_directly(path)
        self._end = 0
        self._begun = b""  # what the sector before `_end` has

    def write(self, data: bytes, at: int) -> None:
        """Write all of it at a place, or raise; a second try may then begin there again."""
        if not self._write_directly(data, at):
            while data:
                written = os.pwrite(self._file, data, at)
                if written <= 0:
                    raise OSError(errno.EIO, os.strerror(errno.EIO))
                data, at = data[written:], at + written

    def close(self) -> None:
        """Let go of what was opened here, not of the file; harmless twice."""
        if self._direct >= 0:
            os.close(self._direct)
        self._direct = -1

    def _write_directly(self, data: bytes, at: int) -> bool:
        """Write whole sectors, the begun one again; False if they can't be written so."""
        if self._direct < 0:
            return False
        begin = at // SECTOR_BYTES * SECTOR_BYTES
        begun = self._begun if at == self._end else os.pread(self._file, at - begin, begin)
        content = begun.ljust(at - begin, b"\0") + data
        with mmap.mmap(-1, -(-len(content) // SECTOR_BYTES) * SECTOR_BYTES) as sectors:
            sectors[: len(content)] = content
            try:
                written = os.pwritev(self._direct, [sectors], begin)
            except OSError as error:
                if error.errno != errno.EINVAL:
                    raise
                written = -1
            if written != len(sectors):
                # Not on this file system, or not all of it: the kernel's way says why.
                self.close()
                return False
        self._end = begin + len(content)
        self._begun = content[len(content) // SECTOR_BYTES * SECTOR_BYTES :]
        return True


def _opened_directly(path: Path) -> int:
    """The file opened so that what is written passes the kernel's pages, -1 if it can't be."""
    try:
        return os.open(path, os.O_WRONLY | os.O_DIRECT)
    except OSError:
        return -1
