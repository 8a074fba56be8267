"""Bring an archive in beside what is there: checked whole, then all of it or nothing.

    opened ─> every file read once, against its hash and by value ─> staged ─> settled ─> committed

Whoever reads pages meanwhile sees nothing of it before it is all there; where a service runs
it goes on. What `storage.brought` says of numbers, names and of being stopped in the middle
holds here.
"""

from __future__ import annotations

import fcntl
import json
import math
import os
import shutil
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import IO
from uuid import uuid4

import numpy as np

from stillair.database import hand_over, store_errors
from stillair.jobs.toolpath import Whole
from stillair.media.files import FILM, FILM_BYTES, FREE_BYTES
from stillair.runtime.archive_file import FILM_FOLDER, PICTURE_FOLDER, Progress
from stillair.runtime.archive_form import (
    ENTRIES,
    FILMS,
    KEY,
    LAST_MS,
    OLD_FORM,
    PICTURES,
    SETTINGS,
    TOOLPATHS,
    WORDS,
    ArchivedChamber,
    ArchiveError,
    ArchiveHead,
    Counts,
    list_of,
    text,
    whole,
)
from stillair.runtime.archive_media import (
    Shift,
    check_picture,
    film_row,
    named,
    picture_row,
    settings_row,
    take_film,
)
from stillair.runtime.archive_reading import OpenArchive, opened
from stillair.runtime.archive_values import (
    fresh_of,
    layer_columns,
    read_readings,
    refusal,
    sensor_of,
    sized,
)
from stillair.runtime.backup import ARCHIVE, BRINGING_IN, IN_USE, JOURNAL
from stillair.storage import kept_lines
from stillair.storage.archive import Archive
from stillair.storage.brought import Stage
from stillair.storage.clips import KEPT
from stillair.storage.coming import clear_up, connected
from stillair.storage.journal import Journal
from stillair.storage.readings import Readings
from stillair.storage.toolpaths import READY, REFUSED

PICTURE_BYTES = 30 * 10**6


@dataclass(frozen=True, slots=True)
class BroughtIn:
    """What has been brought in: chambers by their keys in the file, and how much of it is new."""

    chambers: Mapping[str, str]
    added: Counts
    already: Counts


def bring_in(
    file: Path,
    folder: Path,
    *,
    shift_s: float = 0.0,
    as_chamber: str | None = None,
    alone: bool = False,
    at: datetime | None = None,
    progress: Progress = lambda _: None,
) -> BroughtIn:
    """Add an archive to a data folder, all of it or nothing; what is there already is left alone.

    `shift_s` moves all wall times, seconds. `as_chamber` is the key under which a chamber is
    brought in: "KEY", or "KEY-IN-FILE=KEY" where the file has several. `alone`: whoever
    calls holds the folder itself, and nothing watches yet. A service may run meanwhile.
    Raises `ArchiveError`, `StoreError`.
    """
    if not math.isfinite(shift_s) or abs(shift_s) > 1e10:
        raise ArchiveError(f"times can't be moved by {shift_s:g} s")
    with store_errors(f"{folder} can't be used"):
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    with _one_at_a_time(folder), _held(folder, alone) as running:
        if not running:
            _make_ready(folder)
        _clear_up(folder)
        try:
            with opened(file) as archive:
                return _bring_in(
                    _Coming(archive, folder, round(shift_s * 1000), running, progress),
                    as_chamber,
                    at or datetime.now(UTC),
                )
        finally:
            _clear_up(folder)


def finish(folder: Path) -> None:
    """End what was stopped in the middle, at a start. Raises `StoreError`."""
    if (folder / BRINGING_IN).is_dir() and (folder / JOURNAL).is_file():
        with suppress(ArchiveError), _one_at_a_time(folder):
            _clear_up(folder)


def _clear_up(folder: Path) -> None:
    clear_up(folder / BRINGING_IN, folder / JOURNAL, folder / ARCHIVE, _homes(folder))


def _homes(folder: Path) -> dict[str, Path]:
    """Where files belong, by what their names end with."""
    return {".jpg": folder / PICTURE_FOLDER, FILM: folder / FILM_FOLDER}


@contextmanager
def _one_at_a_time(folder: Path) -> Iterator[None]:
    with store_errors(f"{folder} can't be used"):
        descriptor = os.open(folder, os.O_RDONLY)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise ArchiveError(
                "something is just being brought in; wait until it is done"
            ) from None
        yield
    finally:
        os.close(descriptor)


@contextmanager
def _held(folder: Path, alone: bool) -> Iterator[bool]:
    """Whether a service runs there; else none can be started meanwhile."""
    if alone:
        yield False
        return
    flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW
    with store_errors(f"{folder} can't be used"):
        lock = os.open(folder / IN_USE, flags, 0o600)
    try:
        hand_over(folder, folder / IN_USE)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            running = False
        except OSError:
            running = True
        yield running
    finally:
        os.close(lock)


def _make_ready(folder: Path) -> None:
    """Have both stores there, with the tables of this program."""
    Journal.open(folder / JOURNAL).close()
    Archive.open(folder / ARCHIVE).close()


def _bring_in(coming: _Coming, as_chamber: str | None, at: datetime) -> BroughtIn:
    head = coming.archive.head
    keys = _targets(head, as_chamber)
    with closing(connected(coming.folder / JOURNAL)) as journal:
        watched = {row[0] for row in journal.execute("SELECT chamber FROM watch_mark")}
        if as_chamber is None:
            _check_boxes(head, journal)
    coming.need_room()
    stage = Stage(
        coming.folder / BRINGING_IN,
        coming.folder / JOURNAL,
        coming.folder / ARCHIVE,
        uuid4().hex,
        lambda key: coming.running or key in watched,
    )
    try:
        with coming.archive.member(WORDS):
            pass
        found: dict[str, tuple[Counts, Counts]] = {}
        for chamber in head.chambers:
            here = keys[chamber.key]
            found[here] = coming.take(stage, chamber, here)
        coming.archive.finish()
        coming.progress("sorting in")
        settled = stage.settle([(there, here) for there, here in keys.items()])
        added = sum((new for new, _ in found.values()), Counts())
        already = sum((old for _, old in found.values()), Counts())
        added = replace(added, jobs=settled.jobs, entries=settled.entries)
        already = replace(already, jobs=settled.jobs_there, entries=settled.entries_there)
        if added:
            at_us = round(at.timestamp() * 1e6)
            for chamber in head.chambers:
                detail = {"made_at": head.made_at, "made_with": head.made_with}
                stage.note(keys[chamber.key], chamber.name, at_us, detail)
            stage.commit(_homes(coming.folder))
    finally:
        stage.close()
    return BroughtIn(keys, added, already)


def _targets(head: ArchiveHead, as_chamber: str | None) -> dict[str, str]:
    """What each chamber is called here. Raises `ArchiveError`."""
    keys = {chamber.key: chamber.key for chamber in head.chambers}
    if as_chamber is None:
        return keys
    there, equals, here = as_chamber.rpartition("=")
    if not equals and len(keys) == 1:
        there = next(iter(keys))
    if not KEY.fullmatch(here) or len(here) > 100:
        raise ArchiveError(f"{here[:40]!r} is no chamber's key: small letters, digits and hyphens")
    if there not in keys:
        known = ", ".join(keys) or "none"
        raise ArchiveError(f"say which chamber is to be {here}, as KEY={here}; it holds {known}")
    keys[there] = here
    if len(set(keys.values())) < len(keys):
        raise ArchiveError(f"two of its chambers would be {here}")
    return keys


def _check_boxes(head: ArchiveHead, journal: sqlite3.Connection) -> None:
    """Refuse to mix two boxes under one key. Raises `ArchiveError`."""
    for chamber in head.chambers:
        boxes = {
            row[0]
            for row in journal.execute(
                "SELECT DISTINCT json_extract(body, '$.box') FROM job"
                " WHERE chamber = ? AND json_valid(body)",
                (chamber.key,),
            )
        } - {None, ""}
        if boxes and chamber.boxes and not boxes & set(chamber.boxes):
            other = f"{chamber.key}-2"
            how = other if len(head.chambers) == 1 else f"{chamber.key}={other}"
            raise ArchiveError(
                f"its chamber {chamber.name!r} is another box than the one that is called so "
                f"here; bring it in under a key of its own: --as {how}"
            )


class _Coming:
    """An archive on its way in; takes what is in it, checked by value."""

    def __init__(
        self,
        archive: OpenArchive,
        folder: Path,
        shift_ms: int,
        running: bool,
        progress: Progress,
    ) -> None:
        self.archive = archive
        self.folder = folder
        self.running = running
        self.progress = progress
        self._shift = Shift(shift_ms)

    def need_room(self) -> None:
        """Raise `ArchiveError` unless there is room for all of it."""
        needed_bytes = FREE_BYTES
        for name in self.archive.names(""):
            share = 1 if name.endswith((".jpg", FILM)) else 4 if name.endswith(".jsonl") else 0.25
            needed_bytes += round(share * self.archive.size_bytes(name))
        with store_errors(f"{self.folder} can't be used"):
            free_bytes = shutil.disk_usage(self.folder).free
        if free_bytes < needed_bytes:
            raise ArchiveError(f"there is no room: {needed_bytes // 10**6} MB have to be free")

    def take(self, stage: Stage, chamber: ArchivedChamber, here: str) -> tuple[Counts, Counts]:
        """Stage a chamber; how much of it is new, and was here, entries aside."""
        begin = f"chambers/{chamber.key}/"
        self.progress(f"{chamber.name}: what happened")
        entries, jobs = 0, set()
        for entry in self._lines(f"{begin}{ENTRIES}", chamber.key):
            entries += 1
            if entry.topic == "job":
                jobs.add(entry.job)
            stage.take_line(here, self._moved(entry))
        new, old = self._pictures(stage, chamber, here)
        films, known_films = set_up, known_settings = 0, 0
        if self.archive.head.form > OLD_FORM:
            films, known_films = self._films(stage, chamber, here)
            set_up, known_settings = self._settings(stage, chamber, here)
        more, less = self._toolpaths(stage, chamber, here)
        added, there = self._readings(stage, chamber, here)
        fresh = Counts(pictures=new, films=films, toolpaths=more, settings=set_up, readings=added)
        known = Counts(
            pictures=old,
            films=known_films,
            toolpaths=less,
            settings=known_settings,
            readings=there,
        )
        told = fresh + known + Counts(jobs=len(jobs), entries=entries)
        if told != chamber.counts:
            raise ValueError(f"it holds {told.said()}, and says {chamber.counts.said()}")
        return fresh, known

    def _lines(self, name: str, key: str) -> Iterator[kept_lines.KeptLine]:
        for count, found in enumerate(self.archive.records(name), 1):
            try:
                yield kept_lines.read(found, key)
            except (ValueError, KeyError, TypeError) as error:
                raise ValueError(f"{name}, line {count}: {error}") from None

    def _moved(self, entry: kept_lines.KeptLine) -> kept_lines.KeptLine:
        if not self._shift.ms:
            return entry
        at_us = self._shift.at_us(entry.at_us)
        return replace(entry, at_us=at_us, boot=self._shift.boot(entry.boot))

    # --- pictures, films, settings -------------------------------------------------------

    def _pictures(self, stage: Stage, chamber: ArchivedChamber, here: str) -> tuple[int, int]:
        begin = f"chambers/{chamber.key}/"
        new = old = 0
        for found in self.archive.records(f"{begin}{PICTURES}"):
            picture = named(found, "picture")
            name = f"{begin}pictures/{picture}.jpg"
            size_bytes = sized(self.archive, name, PICTURE_BYTES)
            row = picture_row(found, chamber.key, here, size_bytes, self._shift)
            with self.archive.member(name) as file:
                data = file.read(PICTURE_BYTES)
            check_picture(data, name)
            if stage.take_picture(row):
                new += 1
                with self._written(stage.folder / f"{picture}.jpg") as to:
                    to.write(data)
            else:
                old += 1
        return new, old

    def _films(self, stage: Stage, chamber: ArchivedChamber, here: str) -> tuple[int, int]:
        begin = f"chambers/{chamber.key}/"
        new = old = 0
        for found in self.archive.records(f"{begin}{FILMS}"):
            film, there = named(found, "film"), chamber.key
            name, is_kept = f"{begin}films/{film}{FILM}", found.get("state") == KEPT
            size_bytes = sized(self.archive, name, FILM_BYTES) if is_kept else 0
            is_new = stage.take_film(film_row(found, there, here, size_bytes, self._shift))
            new, old = new + is_new, old + (not is_new)
            if is_kept and is_new:
                path = stage.folder / f"{film}{FILM}"
                with self.archive.member(name) as file, self._written(path) as to:
                    take_film(file, name, to)
            elif is_kept:
                with self.archive.member(name):
                    pass  # it is what it should be, and here
        return new, old

    def _settings(self, stage: Stage, chamber: ArchivedChamber, here: str) -> tuple[int, int]:
        new = old = 0
        for found in self.archive.records(f"chambers/{chamber.key}/{SETTINGS}"):
            is_new = stage.take_settings(settings_row(found, here, self._shift))
            new, old = new + is_new, old + (not is_new)
        return new, old

    @staticmethod
    @contextmanager
    def _written(path: Path) -> Iterator[IO[bytes]]:
        """A new file, on the disk once it is whole."""
        with store_errors("what comes can't be kept"):
            descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with open(descriptor, "wb") as file:  # noqa: PTH123 - a path would be open to others
                yield file
                file.flush()
                os.fsync(file.fileno())

    # --- toolpaths ---------------------------------------------------------------------

    def _toolpaths(self, stage: Stage, chamber: ArchivedChamber, here: str) -> tuple[int, int]:
        begin = f"chambers/{chamber.key}/"
        new = old = 0
        for found in self.archive.records(f"{begin}{TOOLPATHS}"):
            toolpath, kept = named(found, "toolpath"), found.get("kept")
            if not isinstance(kept, dict):
                raise ValueError("a toolpath doesn't say how it was kept")
            if found.get("state") not in (READY, REFUSED):
                raise ValueError(f"the toolpath {toolpath} has been neither read nor refused")
            columns, body = None, {"refused": refusal(found.get("refused"))}
            if found["state"] == READY:
                kept_lines.fit(Whole, found.get("whole"), "whole")
                columns = layer_columns(
                    self.archive, f"{begin}toolpaths/{toolpath}", found["whole"]
                )
                body = {"whole": found["whole"]}
            jobs = [text(job, 200) for job in list_of(found.get("jobs"), 10_000)]
            since = list_of(kept.get("followed_us"), 10_000)
            for job in jobs:
                kept_lines.check_id(job, chamber.key, "job")
            row = {
                "id": toolpath,
                "at_us": self._shift.at_us(kept.get("at_us")),
                "name": text(found.get("name"), 300),
                "chamber": here,
                "source": text(kept.get("source"), 1000),
                "state": found["state"],
                "size_bytes": whole(found.get("size_bytes")),
                "body": json.dumps(body, allow_nan=False),
                "columns": columns,
            }
            moved = [self._shift.at_us(at_us) for at_us in since]
            if stage.take_toolpath(row, zip(jobs, moved, strict=True)):
                new += 1
            else:
                old += 1
        return new, old

    # --- readings ------------------------------------------------------------------------

    def _readings(self, stage: Stage, chamber: ArchivedChamber, here: str) -> tuple[int, int]:
        new = old = 0
        last: dict[str, int] = {}
        begin = f"chambers/{chamber.key}/readings/"
        with closing(Readings(self.folder / ARCHIVE)) as kept:
            known = set(kept.sensors(here))
            folder = ""
            for name in self.archive.names(begin):
                if name.rpartition("/")[0] != folder:
                    folder = name.rpartition("/")[0]
                    self.progress(f"{chamber.name}: readings, {folder.rpartition('/')[2]}")
                with self.archive.member(name) as file:
                    sensor = sensor_of(file, name, self.archive.head.form)
                    for times_ms, units in read_readings(file, name, last.get(sensor, -1)):
                        last[sensor] = int(times_ms[-1])
                        fresh = np.ones(len(times_ms), np.bool_)
                        times_ms = times_ms + self._shift.ms
                        whole(int(times_ms[0]), 0, LAST_MS)
                        whole(int(times_ms[-1]), 0, LAST_MS)
                        if sensor in known:
                            fresh = fresh_of(kept, here, sensor, times_ms, units)
                        stage.take_readings(here, sensor, times_ms[fresh], units[fresh])
                        new += int(fresh.sum())
                        old += int(len(fresh) - fresh.sum())
        return new, old
