"""Read an archive that anybody may have made: bounded, and every byte held against its list.

A zip says of itself how large it is, and may lie. So its list is looked at before anything is
unpacked, no file is read further than `archive.json` says, and each has to have the SHA-256
that stands there. Names are those of the form and nothing else: nothing is ever written under
a name out of the file.
"""

from __future__ import annotations

import hashlib
import io
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, cast

from stillair.runtime.archive_form import (
    HEAD,
    LINE_BYTES,
    MEMBER,
    ArchiveError,
    ArchiveHead,
    read_head,
    record,
)

MOST_FILES = 500_000
DIRECTORY_BYTES = 100 * 10**6
HEAD_BYTES = 100 * 10**6
MOST_TIMES = 250  # larger than packed: readings come to some 15, text to 30, a bomb to 1,000
SPARE_BYTES = 50 * 10**6
CHUNK_BYTES = 2**18
_END = struct.Struct("<4s4H2IH")  # APPNOTE 4.3.16
_END_64 = struct.Struct("<4sQ2H2I4Q")  # APPNOTE 4.3.14
_WHERE_64 = struct.Struct("<4sIQI")  # APPNOTE 4.3.15
_PLAIN = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)


class OpenArchive:
    """An archive whose list is as it should be; made by `opened`."""

    def __init__(self, file: zipfile.ZipFile, head: ArchiveHead) -> None:
        self.head = head
        self._zip = file
        self._unread = set(head.files)
        self.read_bytes = 0
        self.total_bytes = sum(int(row["bytes"]) for row in head.files.values())

    def names(self, begin: str) -> list[str]:
        """Files whose names begin so, in the order of those."""
        return sorted(name for name in self.head.files if name.startswith(begin))

    def has(self, name: str) -> bool:
        """Whether it holds a file of that name."""
        return name in self.head.files

    def size_bytes(self, name: str) -> int:
        """How large a file is."""
        return int(self.head.files[name]["bytes"])

    @contextmanager
    def member(self, name: str) -> Iterator[IO[bytes]]:
        """One file, which has to be what the list says. Raises `ValueError` where it isn't."""
        if name not in self._unread:
            raise ValueError(f"{name} is missing, or spoken of twice")
        row = self.head.files[name]
        with self._zip.open(name) as packed:
            checked = _Checked(packed, int(row["bytes"]))
            reader = io.BufferedReader(checked, CHUNK_BYTES)
            yield cast("IO[bytes]", reader)
            while reader.read(CHUNK_BYTES):
                pass
        if checked.left_bytes or checked.digest() != row["sha256"]:
            raise ValueError(f"{name} is not what it was when the archive was made")
        self._unread.discard(name)
        self.read_bytes += int(row["bytes"])

    def records(self, name: str) -> Iterator[dict[str, Any]]:
        """The lines of a file, each a record. Raises `ValueError` naming the line."""
        with self.member(name) as file:
            for number, line in lines(file, name):
                try:
                    found = record(line)
                except ValueError as error:
                    raise ValueError(f"{name}, line {number}: {error}") from None
                yield found

    def finish(self) -> None:
        """Raise `ValueError` where it holds what nothing in it speaks of."""
        if self._unread:
            raise ValueError(f"nothing in it speaks of {min(self._unread)}")


def lines(file: IO[bytes], name: str) -> Iterator[tuple[int, bytes]]:
    """Lines with their numbers. Raises `ValueError` for one that is too long or cut off."""
    number = 0
    while line := file.readline(LINE_BYTES + 1):
        number += 1
        if not line.endswith(b"\n"):
            raise ValueError(f"{name}, line {number} is cut off or too long")
        yield number, line


@contextmanager
def opened(path: Path) -> Iterator[OpenArchive]:
    """An archive to be read. Raises `ArchiveError` with the reason, also while it is read."""
    try:
        _check_directory(path)
        with zipfile.ZipFile(path) as file:
            yield OpenArchive(file, _head(path, file))
    except ArchiveError as error:
        raise ArchiveError(f"nothing was brought in from {path}: {error}") from None
    except (
        *(zipfile.BadZipFile, zlib.error, ValueError, EOFError, KeyError),
        *(RecursionError, NotImplementedError, RuntimeError, struct.error),
    ) as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise ArchiveError(
            f"nothing was brought in: {path} is no whole archive of Stillair: {reason[:300]}"
        ) from error
    except OSError as error:
        raise ArchiveError(
            f"nothing was brought in: {path} can't be read: {error.strerror or error}"
        ) from error


def _head(path: Path, file: zipfile.ZipFile) -> ArchiveHead:
    found = file.infolist()
    by_name = {info.filename: info for info in found}
    if len(by_name) < len(found):
        raise ValueError("it holds a file twice")
    for info in found:
        if info.flag_bits & 1 or info.compress_type not in _PLAIN:
            raise ValueError(f"{info.filename[:80]!r} is packed in a way that no archive is")
        if info.filename != HEAD and not MEMBER.fullmatch(info.filename):
            raise ValueError(f"it holds {info.filename[:80]!r}, which no archive does")
    total_bytes = sum(info.file_size for info in found)
    if total_bytes > MOST_TIMES * path.stat().st_size + SPARE_BYTES:
        raise ValueError("it would unpack to far more than an archive does")
    if HEAD not in by_name:
        raise ValueError(f"there is no {HEAD} in it")
    if by_name[HEAD].file_size > HEAD_BYTES:
        raise ValueError(f"its {HEAD} is too large")
    with file.open(HEAD) as packed:
        head = read_head(packed.read(HEAD_BYTES))
    sizes = {name: info.file_size for name, info in by_name.items() if name != HEAD}
    if sizes != {name: row["bytes"] for name, row in head.files.items()}:
        raise ValueError("it differs from its own list")
    keys = {each.key for each in head.chambers}
    for name in sizes:
        if name.startswith("chambers/") and name.split("/")[1] not in keys:
            raise ValueError(f"it names no chamber for {name[:80]!r}")
    return head


def _check_directory(path: Path) -> None:
    """Refuse a file whose list alone would fill the memory. Raises `ValueError`."""
    size = path.stat().st_size
    with path.open("rb") as file:
        file.seek(max(0, size - 65_557))
        tail = file.read()
        at = tail.rfind(b"PK\5\6")
        if at < 0 or len(tail) - at < _END.size:
            raise ValueError("it is no zip file, or it is cut off")
        _, _, _, _, count, listed_bytes, _, _ = _END.unpack_from(tail, at)
        if at >= _WHERE_64.size and tail[at - _WHERE_64.size :][:4] == b"PK\6\7":
            _, _, begin, _ = _WHERE_64.unpack_from(tail, at - _WHERE_64.size)
            file.seek(min(begin, size))
            found = file.read(_END_64.size)
            if len(found) < _END_64.size:
                raise ValueError("it is cut off")
            *_, count, listed_bytes, _ = _END_64.unpack(found)
    if count > MOST_FILES or listed_bytes > min(DIRECTORY_BYTES, size):
        raise ValueError("it holds more files than an archive does")


class _Checked(io.RawIOBase):
    """A file that is read no further than it may be, and hashed meanwhile."""

    def __init__(self, file: IO[bytes], size_bytes: int) -> None:
        super().__init__()
        self._file = file
        self._hash = hashlib.sha256()
        self.left_bytes = size_bytes

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        data = self._file.read(min(len(buffer), self.left_bytes)) if self.left_bytes else b""
        self.left_bytes -= len(data)
        self._hash.update(data)
        buffer[: len(data)] = data
        return len(data)

    def digest(self) -> str:
        """SHA-256 of what was read."""
        return self._hash.hexdigest()
