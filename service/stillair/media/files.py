"""Picture files in one folder: written whole or not at all, under names that are made here."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from uuid import uuid4

from stillair.errors import StoreError

FREE_BYTES = 300 * 10**6  # the journal and the readings come first
FILM = ".webm"
FILM_BYTES = 300_000_000  # no film is larger
UNKNOWN_BYTES = 50 * 10**6
NAME = re.compile(r"[0-9a-f]{32}\.jpg")
PART = ".part"


def new_id() -> str:
    """The id of a new picture; its file has the same name."""
    return uuid4().hex


class PictureFiles:
    """Write, read and remove JPEG files; every method raises `StoreError`."""

    def __init__(
        self,
        folder: Path,
        *,
        free_bytes: Callable[[Path], int] = lambda path: shutil.disk_usage(path).free,
    ) -> None:
        self._folder = folder
        self._free_bytes = free_bytes

    def write(self, name: str, data: bytes) -> None:
        """Keep one picture; having returned, it survives a power cut."""
        path = self._path(name)
        part = path.with_suffix(PART)
        with errors("a picture can't be kept"):
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            if self._free_bytes(self._folder) < FREE_BYTES + len(data):
                raise StoreError("no picture is kept: the disk is nearly full")
            try:
                with part.open("wb") as file:
                    file.write(data)
                    file.flush()
                    os.fsync(file.fileno())
                part.replace(path)
            except OSError:
                with suppress(OSError):
                    part.unlink()
                raise

    def check(self) -> None:
        """Try whether a picture could be kept, and leave nothing behind."""
        name = f"{new_id()}.jpg"
        self.write(name, b"")
        self.remove(name)

    def read(self, name: str) -> bytes | None:
        """One picture, None where there is none of that name."""
        with errors("a picture can't be read"):
            try:
                return self._path(name).read_bytes()
            except FileNotFoundError:
                return None

    def remove(self, name: str) -> None:
        """Remove one picture; harmless where there is none."""
        with errors("a picture can't be removed"):
            self._path(name).unlink(missing_ok=True)

    def sweep(self, known: set[str]) -> int:
        """Remove what a crash left half written; returns how many files.

        Whole pictures that nobody knows of, because the journal was damaged say,
        stay for whoever looks into the folder; above 50 MB the oldest of them go.
        """
        removed = 0
        with errors("pictures can't be listed"):
            if not self._folder.is_dir():
                return 0
            unknown: list[tuple[float, int, Path]] = []
            for path in self._folder.iterdir():
                if path.suffix == PART:
                    path.unlink(missing_ok=True)
                    removed += 1
                elif NAME.fullmatch(path.name) and path.name not in known:
                    told = path.stat()
                    unknown.append((told.st_mtime, told.st_size, path))
            over_bytes = sum(size for _, size, _ in unknown) - UNKNOWN_BYTES
            for _, size, path in sorted(unknown):
                if over_bytes <= 0:
                    break
                path.unlink(missing_ok=True)
                over_bytes -= size
                removed += 1
        return removed

    def _path(self, name: str) -> Path:
        if NAME.fullmatch(name) is None:
            raise StoreError("that is no picture's name")
        return self._folder / name


@contextmanager
def errors(doing: str) -> Iterator[None]:
    """Whatever a disk refuses as `StoreError`, with what was being done."""
    try:
        yield
    except OSError as error:
        raise StoreError(f"{doing}: {error.strerror or type(error).__name__}") from error
