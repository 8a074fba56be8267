"""Toolpaths: taken in, read beside the watch, kept as their layers.

What is sent comes block by block into a file of the data directory; what lies in a
watched folder stays there. Each is read once by a niced program of its own, and its
file goes when what it builds is kept. What was not read yet when the service stopped is
read at its next start.
"""

from __future__ import annotations

import asyncio
import logging
import os
import shutil
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import BinaryIO
from uuid import uuid4

from stillair.database import plain
from stillair.errors import (
    CommandRefused,
    InputError,
    NoRoomError,
    Refusal,
    StillairError,
    StoreError,
    ToolpathError,
)
from stillair.jobs.toolpath import Bounds, Layers, MotionLimits, Outlines, Whole
from stillair.runtime.worker import Workshop
from stillair.storage import toolpaths as rows
from stillair.storage.items import Item
from stillair.storage.journal import Journal
from stillair.storage.outbox import micros

log = logging.getLogger(__name__)

LOOK_S = 5.0  # between two looks into the watched folders
AT_ONCE = 2  # that come in; the disk is a card
BLOCK_BYTES = 1 << 20
FREE_BYTES = 300 * 10**6  # the journal and the readings come first
MOST_FILES = 2000  # looked at in a watched folder
NAME_LENGTH = 120
# Endings under which toolpaths lie about; in a folder of anything only these are read.
ENDINGS = frozenset((".gcode", ".gco", ".gc", ".g", ".nc", ".ngc", ".tap", ".cnc"))
TOO_LARGE = f"A toolpath has at most {Bounds().bytes // 10**6} MB here."
GONE = "its file is gone, or its name is no plain text; give it again"


class TooLargeError(StillairError):
    """More was sent than a toolpath may have."""


@dataclass(frozen=True, slots=True)
class MachineSettings:
    """What a chamber's settings say of toolpaths."""

    limits: MotionLimits
    folder: Path | None = None


class Toolpaths:
    """Take toolpaths in and have them read.

    Parameters
    ----------
    folder : Path
        Where what is sent lies until it has been read.
    kept : callable
        Questions about what is kept.
    workshop : Workshop
        Of its own: a long toolpath holds nothing else up.
    machines : dict
        By chamber what its settings say; the first is meant where none is named.
    """

    def __init__(
        self,
        folder: Path,
        *,
        journal: Journal,
        kept: Callable[[], rows.Toolpaths],
        workshop: Workshop,
        machines: dict[str, MachineSettings],
        wall: Callable[[], datetime],
        free_bytes: Callable[[Path], int] = lambda path: shutil.disk_usage(path).free,
        look_s: float = LOOK_S,
    ) -> None:
        self._folder = folder
        self._journal = journal
        self._kept = kept
        self._workshop = workshop
        self._machines = machines
        self._wall = wall
        self._free_bytes = free_bytes
        self._look_s = look_s
        self._coming = 0
        self._seen: dict[str, str] = {}  # files of watched folders, as they were last
        self._news = asyncio.Event()
        self._logged = ""
        self._tidy = False
        self._tidying = asyncio.Lock()

    # --- coming in -------------------------------------------------------------------

    async def receive(self, chamber: str, name: str, sent: AsyncIterator[bytes]) -> str:
        """Take a toolpath that is sent; returns its id. It is read after that.

        Raises `TooLargeError`, `NoRoomError`, `CommandRefused` while others come in,
        `StoreError`, and whatever `sent` does; then nothing of it stays.
        """
        if self._coming >= AT_ONCE:
            raise CommandRefused(
                Refusal.CONFLICT, "Other toolpaths are just coming in; send it again in a minute."
            )
        await self._tidied()
        self._coming += 1
        toolpath = uuid4().hex
        part = self._folder / f"{toolpath}.part"
        try:
            size_bytes = await self._written(part, sent)
            await asyncio.to_thread(self._noted, toolpath, chamber, name, part, size_bytes)
        finally:
            self._coming -= 1
            with suppress(OSError):
                await asyncio.to_thread(part.unlink, missing_ok=True)
        self._news.set()
        return toolpath

    async def _written(self, path: Path, sent: AsyncIterator[bytes]) -> int:
        file = await asyncio.to_thread(self._opened, path)
        size_bytes = 0
        waiting = bytearray()
        try:
            async for block in sent:
                size_bytes += len(block)
                if size_bytes > Bounds().bytes:
                    raise TooLargeError(TOO_LARGE)
                waiting += block
                if len(waiting) >= BLOCK_BYTES:
                    await asyncio.to_thread(self._write, file, bytes(waiting))
                    waiting.clear()
            await asyncio.to_thread(self._write, file, bytes(waiting))
            await asyncio.to_thread(self._finish, file)
        finally:
            with suppress(OSError):
                await asyncio.to_thread(file.close)
        return size_bytes

    def _opened(self, path: Path) -> BinaryIO:
        with _keeping():
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            return path.open("xb")

    def _write(self, file: BinaryIO, block: bytes) -> None:
        with _keeping():
            if self._free_bytes(self._folder) < FREE_BYTES + len(block):
                raise NoRoomError("The disk is nearly full: a toolpath has no room on it.")
            file.write(block)

    @staticmethod
    def _finish(file: BinaryIO) -> None:
        with _keeping():
            file.flush()
            os.fsync(file.fileno())

    def _noted(self, toolpath: str, chamber: str, name: str, part: Path, size_bytes: int) -> None:
        """Give a file its name and a row; in that order, as a row without a file is refused."""
        with _keeping():
            part.rename(self._file(toolpath))
        try:
            self._add(toolpath, chamber, name, "", size_bytes)
        except StoreError:
            with suppress(OSError):
                self._file(toolpath).unlink()
            raise

    def _add(self, toolpath: str, chamber: str, name: str, source: str, size_bytes: int) -> None:
        printable = "".join(c if c.isprintable() else " " for c in plain(name)).strip()
        rows.add(
            self._journal,
            toolpath,
            chamber=chamber,
            name=printable[:NAME_LENGTH] or "toolpath",
            source=source,
            size_bytes=size_bytes,
            at_us=micros(self._wall().timestamp()),
        )

    # --- read ------------------------------------------------------------------------

    async def run(self) -> None:
        """Look into watched folders and read what has come, until cancelled."""
        while True:
            self._news.clear()
            try:
                await self._tidied()
                await asyncio.to_thread(self._look)
                for item in await asyncio.to_thread(self._kept().waiting):
                    await self._read(item)
                self._logged = ""
            except (StoreError, OSError) as error:
                self._log(f"toolpaths can't be read just now: {error}")
            with suppress(TimeoutError):
                await asyncio.wait_for(self._news.wait(), self._look_s)

    def _log(self, trouble: str) -> None:
        """Tell a trouble once, not each time it comes again."""
        if self._logged != trouble:
            self._logged = trouble
            log.warning("%s", trouble)

    async def _tidied(self) -> None:
        """Before anything else comes in, remove what a stop in between has left."""
        async with self._tidying:
            if not self._tidy:
                await asyncio.to_thread(self._sweep)
                self._tidy = True

    async def _read(self, item: Item) -> None:
        """Have one toolpath read, and keep what it builds or why it can't be."""
        toolpath = str(item["id"])
        path, to = self._source(item), self._folder / f"{toolpath}.columns"
        machine = self._machines.get(str(item["chamber"]))
        limits = machine.limits if machine else MotionLimits()
        try:
            if path is None or not await asyncio.to_thread(path.is_file):
                raise InputError(GONE)
            await asyncio.to_thread(self._folder.mkdir, mode=0o700, parents=True, exist_ok=True)
            whole = await self._workshop.toolpath(toolpath, path, to, limits)
            await asyncio.to_thread(self._keep, toolpath, whole, to)
            log.info("toolpath %s: %d layers", item["name"], whole.layers)
        except ToolpathError as error:
            await self._refuse(toolpath, error.line, error.reason)
        except InputError as error:
            await self._refuse(toolpath, None, str(error))
        except TimeoutError:
            await self._refuse(toolpath, None, "reading it took too long and was given up")
        except StoreError:
            raise  # it waits on, and is read again
        except StillairError as error:
            log.error("toolpath %s could not be read: %s", item["name"], error)
            await self._refuse(toolpath, None, "reading it failed; the service's log says how")
        for done in (to, self._file(toolpath)):
            await asyncio.to_thread(done.unlink, missing_ok=True)

    def _keep(self, toolpath: str, whole: Whole, columns: Path) -> None:
        rows.keep(self._journal, toolpath, whole, columns.read_bytes())

    async def _refuse(self, toolpath: str, line: int | None, reason: str) -> None:
        await asyncio.to_thread(rows.refuse, self._journal, toolpath, line, reason)

    def _source(self, item: Item) -> Path | None:
        """The file of a toolpath that waits; None where its folder is watched no more."""
        source = str(item["source"])
        if not source:
            return self._file(str(item["id"]))
        machine = self._machines.get(str(item["chamber"]))
        if machine is None or machine.folder is None:
            return None
        return machine.folder / source.split("/", 1)[0]

    def _file(self, toolpath: str) -> Path:
        return self._folder / f"{toolpath}.toolpath"

    def _sweep(self) -> None:
        if not self._folder.is_dir():
            return
        wanted = {self._file(str(item["id"])) for item in self._kept().waiting()}
        for path in self._folder.iterdir():
            if path not in wanted:
                path.unlink(missing_ok=True)

    def _look(self) -> None:
        """Note the files of watched folders that are new and have stopped growing."""
        watched = [(key, m.folder) for key, m in self._machines.items() if m.folder is not None]
        if not watched:
            return
        known = self._kept().sources()
        # Else a folder of more files than are kept would be read over and over.
        before_us = self._kept().given_up_before_us()
        seen: dict[str, str] = {}
        for chamber, folder in watched:
            try:
                files = list(_files(folder))
            except OSError as error:
                self._log(f"{chamber}: the folder of toolpaths can't be read: {error.strerror}")
                continue
            for name, size_bytes, changed_us, source in files:
                if changed_us < before_us:
                    continue
                path = f"{folder}/{name}"
                seen[path] = source
                if self._seen.get(path) == source and source not in known and size_bytes:
                    self._add(uuid4().hex, chamber, name, source, size_bytes)
                    known.add(source)
        self._seen = seen

    # --- asked for -------------------------------------------------------------------

    def page(self, after: int, limit: int) -> tuple[list[Item], int | None]:
        """Toolpaths as they are told, newest last, and after which to ask on."""
        items, more = self._kept().page(after, limit)
        return [self._told(item) for item in items], more

    def one(self, toolpath: str) -> Item:
        """One toolpath. Raises `CommandRefused` (unknown)."""
        item = self._kept().one(toolpath)
        if item is None:
            raise CommandRefused(Refusal.UNKNOWN, "There is no such toolpath.")
        return self._told(item)

    def layers(self, toolpath: str) -> tuple[Layers, Outlines]:
        """The layers of a toolpath. Raises `CommandRefused` unless it has been read."""
        found = self._kept().layers(toolpath)
        if found is None:
            item = self.one(toolpath)
            raise CommandRefused(
                Refusal.CONFLICT,
                "It is still being read; ask again."
                if item["state"] != rows.REFUSED
                else "It can't be read, so it has no layers.",
            )
        return found

    def of_job(self, job: str) -> str | None:
        """The id of the toolpath that a job follows."""
        return self._kept().of_job(job)

    def check_followed(self, toolpath: str) -> None:
        """Raise `CommandRefused` for a toolpath that no job can follow."""
        if self.one(toolpath)["state"] == rows.REFUSED:
            raise CommandRefused(Refusal.CONFLICT, rows.UNREADABLE)

    def follow(self, job: str, toolpath: str | None) -> None:
        """A job follows this toolpath, or none. Raises `CommandRefused`."""
        rows.follow(self._journal, job, toolpath, micros(self._wall().timestamp()))

    def remove(self, toolpath: str) -> None:
        """Forget a toolpath. Raises `CommandRefused` while a job follows it."""
        self.one(toolpath)
        rows.remove(self._journal, toolpath)
        with suppress(OSError):
            self._file(toolpath).unlink(missing_ok=True)

    def _told(self, item: Item) -> Item:
        """An item without what is ours alone, and with how far it is."""
        share = self._workshop.share(str(item["id"])) if item["state"] == rows.WAITING else None
        told = {key: value for key, value in item.items() if key != "source"}
        return {**told, "share": share}


@contextmanager
def _keeping() -> Iterator[None]:
    """Turn errors of the disk into ours."""
    try:
        yield
    except OSError as error:
        raise StoreError(f"a toolpath can't be kept: {error.strerror}") from error


def _files(folder: Path) -> Iterable[tuple[str, int, int, str]]:
    """The toolpaths in a folder: name, size, when it was changed, and a mark of that."""
    found = 0
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                # A link could lead out of the folder, to what whoever made it may not read.
                if not entry.is_file(follow_symlinks=False) or entry.name.startswith("."):
                    continue
                if Path(entry.name).suffix.lower() not in ENDINGS:
                    continue
                found += 1
                if found > MOST_FILES:
                    return
                told = entry.stat(follow_symlinks=False)
                mark = f"{plain(entry.name)}/{told.st_size} {told.st_mtime_ns}"
                yield entry.name, told.st_size, told.st_mtime_ns // 1000, mark
    except FileNotFoundError:
        return  # a disk that is plugged in now and then
