"""Take out everything that is kept, in an open form, and bring it in on another board.

The form is `archive_form`'s. An archive is made while the service runs and holds nobody up:
every read is short, and no more than a few thousand readings are in memory. What is brought in
comes beside what is there, all of it or nothing: see `storage.brought`.
"""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import json
import os
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime, timedelta
from itertools import groupby
from pathlib import Path
from typing import IO, Any

import numpy as np

from stillair import __version__
from stillair.database import store_errors, sync
from stillair.jobs.toolpath import Layers, Outlines
from stillair.media.files import FILM, PictureFiles
from stillair.model import chamber_key
from stillair.runtime.archive_form import (
    DAY_MS,
    ENTRIES,
    FILMS,
    HEAD,
    LAST_MS,
    PICTURES,
    README,
    SETTINGS,
    TOOLPATHS,
    WORDS,
    ArchivedChamber,
    ArchiveError,
    ArchiveHead,
    Counts,
    head_bytes,
)
from stillair.runtime.archive_media import (
    BLOCK_BYTES,
    film_line,
    json_of,
    picture_line,
    settings_line,
)
from stillair.runtime.archive_values import heading
from stillair.runtime.backup import ARCHIVE, JOURNAL
from stillair.storage.clips import KEPT, MAKING
from stillair.storage.coming import COMING
from stillair.storage.items import label
from stillair.storage.kept_lines import KeptLine, written
from stillair.storage.layers import unpacked
from stillair.storage.packing import MISSING, UNITS_PER_K, Ints
from stillair.storage.pictures import file_name
from stillair.storage.readings import Readings
from stillair.storage.taking_out import TakingOut
from stillair.storage.toolpaths import READY, REFUSED

PICTURE_FOLDER, FILM_FOLDER = "pictures", "clips"
FIRST_DAY = date(1970, 1, 1)
Progress = Callable[[str], object]


@dataclass(frozen=True, slots=True)
class TakenOut:
    """An archive that has been made; `left_out` counts what nobody understands any more."""

    path: Path
    counts: Counts
    size_bytes: int
    left_out: int


def export(
    folder: Path,
    to: Path,
    *,
    names: Mapping[str, str] | None = None,
    at: datetime | None = None,
    progress: Progress = lambda _: None,
) -> TakenOut:
    """Write all that is kept in a data folder to one file, which appears once it is whole.

    `names`: how chambers are called, by key. Raises `ArchiveError`, `StoreError`.
    """
    if not (folder / JOURNAL).is_file() or not (folder / ARCHIVE).is_file():
        raise ArchiveError(f"there is no history in {folder}; name its folder with --data-dir")
    part = to.with_name(f"{to.name}.part")
    with store_errors(f"{to} can't be written"):
        try:
            part.unlink(missing_ok=True)
            descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with open(descriptor, "wb") as file:  # noqa: PTH123 - a path would be open to others
                head = _export(folder, file, names or {}, at or datetime.now(UTC), progress)
                file.flush()
                os.fsync(file.fileno())
            part.rename(to)
            sync(to.absolute().parent)
        except BaseException:
            with suppress(OSError):
                part.unlink()
            raise
    return TakenOut(to, head.counts, to.stat().st_size, head.left_out)


def _export(
    folder: Path, file: IO[bytes], names: Mapping[str, str], at: datetime, progress: Progress
) -> ArchiveHead:
    with (
        closing(TakingOut(folder / JOURNAL)) as rows,
        closing(Readings(folder / ARCHIVE)) as readings,
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, allowZip64=True) as packed,
    ):
        pictures = PictureFiles(folder / PICTURE_FOLDER)
        writer = _Writer(packed, rows, readings, pictures, folder / FILM_FOLDER)
        with writer.member(WORDS) as words:
            words.write(README.encode())
        called = {**rows.names(), **names}
        measured = {key for key in readings.chambers() if not key.startswith(COMING)}
        chambers = []
        for key in sorted({*rows.chambers(), *measured}):
            progress(f"{called.get(key, key)}: taking out")
            chambers.append(writer.chamber(key, called.get(key, key), progress))
        head = ArchiveHead(
            made_with=__version__,
            made_at=label(at.timestamp()),
            chambers=tuple(chambers),
            files=writer.files,
            left_out=writer.left_out + rows.left_out,
        )
        packed.writestr(_member(HEAD), head_bytes(head))
    return head


class _Writer:
    """Write the files of an archive one behind the other."""

    def __init__(
        self,
        packed: zipfile.ZipFile,
        rows: TakingOut,
        readings: Readings,
        pictures: PictureFiles,
        films: Path,
    ) -> None:
        self.files: dict[str, dict[str, Any]] = {}
        self.left_out = 0
        self._zip = packed
        self._rows = rows
        self._readings = readings
        self._pictures = pictures
        self._films = films

    @contextmanager
    def member(self, name: str, *, packed: bool = True) -> Iterator[_Hashed]:
        """One file in the archive, noted once it is whole."""
        with self._zip.open(_member(name, packed=packed), "w", force_zip64=True) as file:
            hashed = _Hashed(file)
            yield hashed
        self.files[name] = hashed.row()

    def chamber(self, key: str, name: str, progress: Progress) -> ArchivedChamber:
        """Everything of one chamber."""
        begin = f"chambers/{key}/"
        jobs: dict[str, str] = {}
        counts = Counts(
            entries=self._entries(begin, key, jobs),
            pictures=self._kept_pictures(begin, key),
            films=self._kept_films(begin, key),
            toolpaths=self._toolpaths(begin, key),
            settings=self._settings(begin, key),
            readings=self._kept_readings(begin, key, progress),
        )
        boxes = tuple(dict.fromkeys(box for box in jobs.values() if box))[-1000:]
        return ArchivedChamber(key, name, boxes, replace(counts, jobs=len(jobs)))

    def _entries(self, begin: str, key: str, jobs: dict[str, str]) -> int:
        count = 0
        pins: dict[int, int] = {}  # what is taken back is named by its line
        with self.member(f"{begin}{ENTRIES}") as file:
            for seq, line in self._rows.lines(key):
                count += 1
                if line.topic == "job":
                    jobs[str(line.body["id"])] = str(line.body.get("box", ""))
                elif line.topic == "pin":
                    pins[seq] = count
                    line = _pin(line, pins)
                file.line(written(line))
        return count

    def _kept_pictures(self, begin: str, key: str) -> int:
        kept: list[bytes] = []  # some 400 bytes each, and the quota bounds them
        for row in self._rows.pictures(key):
            name = file_name(row["id"])
            # One may be given up meanwhile: it would have been a moment later, too.
            if (
                not 0 <= row["at_us"] < LAST_MS * 1000
                or (data := self._pictures.read(name)) is None
            ):
                self.left_out += 1
                continue
            with self.member(f"{begin}pictures/{name}", packed=False) as file:
                file.write(data)
            kept.append(_line(picture_line(dict(row))))
        return self._listed(f"{begin}{PICTURES}", kept)

    def _kept_films(self, begin: str, key: str) -> int:
        kept: list[bytes] = []
        for row in self._rows.films(key):
            if row["state"] == MAKING:
                continue  # its pictures are still coming
            try:
                line = _line(film_line(dict(row)))
                if row["state"] == KEPT:
                    self._film(begin, row["id"])
            except (ValueError, FileNotFoundError):  # one may be given up meanwhile
                self.left_out += 1
            else:
                kept.append(line)
        return self._listed(f"{begin}{FILMS}", kept)

    def _film(self, begin: str, name: str) -> None:
        """Copy a film, a block at a time. Raises `FileNotFoundError`."""
        with (
            (self._films / f"{name}{FILM}").open("rb") as film,
            self.member(f"{begin}films/{name}{FILM}", packed=False) as file,
        ):
            while block := film.read(BLOCK_BYTES):
                file.write(block)

    def _settings(self, begin: str, key: str) -> int:
        kept: list[bytes] = []
        for row in self._rows.settings(key):
            try:
                kept.append(_line(settings_line(dict(row))))
            except ValueError:
                self.left_out += 1
        return self._listed(f"{begin}{SETTINGS}", kept)

    def _listed(self, name: str, kept: list[bytes]) -> int:
        with self.member(name) as file:
            for line in kept:
                file.write(line)
        return len(kept)

    def _toolpaths(self, begin: str, key: str) -> int:
        kept: list[bytes] = []
        for row in self._rows.toolpaths(key):
            if row["state"] not in (READY, REFUSED):
                continue  # its file is still to be read
            body = json_of(row["body"])
            if row["state"] == READY:
                layers, outlines = unpacked(row["columns"])
                self._layers(f"{begin}toolpaths/{row['id']}", layers, outlines)
            followed = self._rows.followers(row["id"])
            told = {
                **{n: row[n] for n in ("id", "name", "state", "size_bytes")},
                "at": label(row["at_us"] / 1e6),
                "whole": body.get("whole"),
                "refused": body.get("refused"),
                "jobs": [job for job, _ in followed],
                "kept": {
                    "at_us": row["at_us"],
                    "source": row["source"],
                    "followed_us": [at_us for _, at_us in followed],
                },
            }
            kept.append(_line(told))
        return self._listed(f"{begin}{TOOLPATHS}", kept)

    def _layers(self, begin: str, layers: Layers, outlines: Outlines) -> None:
        names = [each.name for each in fields(Layers)]
        columns = [getattr(layers, name).tolist() for name in names]
        with self.member(f"{begin}.csv") as file:
            file.write((",".join(names) + "\n").encode())
            for values in zip(*columns, strict=True):
                told = ("" if value != value else repr(value) for value in values)
                file.write((",".join(told) + "\n").encode())
        with self.member(f"{begin}.json") as file:
            grid = {n: getattr(outlines, n) for n in ("cell_mm", "x_mm", "y_mm")}
            grid |= {"width": outlines.width, "height": outlines.height}
            bits = base64.b64encode(outlines.bits).decode()
            file.write(json.dumps({**grid, "bits": bits}).encode())

    def _kept_readings(self, begin: str, key: str, progress: Progress) -> int:
        count = 0
        folders: set[str] = set()
        for sensor in self._readings.sensors(key):
            progress(f"{key}: readings of {sensor}")
            folder, number = chamber_key(sensor)[:90], 1
            while folder in folders:
                number += 1
                folder = f"{chamber_key(sensor)[:90]}-{number}"
            folders.add(folder)
            for day, pieces in groupby(self._days(key, sensor), lambda each: each[0]):
                told = FIRST_DAY + timedelta(days=day)
                with self.member(f"{begin}readings/{folder}/{told}.csv") as file:
                    head = io.StringIO()
                    csv.writer(head, lineterminator="\n").writerow(["time_s", heading(sensor)])
                    file.write(head.getvalue().encode())
                    for _, times_ms, units in pieces:
                        count += len(times_ms)
                        file.write(reading_lines(times_ms, units))
        return count

    def _days(self, key: str, sensor: str) -> Iterator[tuple[int, Ints, Ints]]:
        """Readings of a sensor with the number of the day that they are of."""
        for times_ms, units in self._readings.pieces(key, sensor):
            named = (times_ms >= 0) & (times_ms < LAST_MS)
            self.left_out += int(len(times_ms) - named.sum())
            times_ms, units = times_ms[named], units[named]
            days = times_ms // DAY_MS
            cuts = np.flatnonzero(np.diff(days)) + 1
            for some_ms, those in zip(np.split(times_ms, cuts), np.split(units, cuts), strict=True):
                if len(some_ms):
                    yield int(some_ms[0] // DAY_MS), some_ms, those


def reading_lines(times_ms: Ints, units: Ints) -> bytes:
    """Readings as lines of CSV: seconds since 1970, and degrees Celsius or nothing."""
    told = {each: repr(each / UNITS_PER_K) for each in set(units.tolist())}
    told[MISSING] = ""
    return "".join(
        f"{at_ms // 1000}.{at_ms % 1000:03d},{told[each]}\n"
        for at_ms, each in zip(times_ms.tolist(), units.tolist(), strict=True)
    ).encode()


def _pin(line: KeptLine, pins: Mapping[int, int]) -> KeptLine:
    back = line.body.get("takes_back")
    return (
        line if back is None else replace(line, body={**line.body, "takes_back": pins.get(back, 0)})
    )


def _member(name: str, *, packed: bool = True) -> zipfile.ZipInfo:
    member = zipfile.ZipInfo(name)  # without a date: the same things give the same bytes
    member.compress_type = zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED
    member.external_attr = 0o600 << 16
    return member


def _line(told: Mapping[str, Any]) -> bytes:
    return (json.dumps(told, separators=(",", ":"), allow_nan=False) + "\n").encode()


class _Hashed:
    """A file that notes what has been written to it."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self._hash = hashlib.sha256()
        self._bytes = 0

    def write(self, data: bytes) -> None:
        """Write some of it."""
        self._file.write(data)
        self._hash.update(data)
        self._bytes += len(data)

    def line(self, told: Mapping[str, Any]) -> None:
        """Write a line of JSON."""
        self.write(_line(told))

    def row(self) -> dict[str, Any]:
        """What the list says of it."""
        return {"bytes": self._bytes, "sha256": self._hash.hexdigest()}
