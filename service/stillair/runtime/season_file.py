"""The simulated season that comes with the product: its file, and how it is brought in and removed.

    season.json       which chamber and box it is of, when its last day is, what its jobs follow
    entries.jsonl     every outcome, as the journal takes it
    readings.jsonl    packed rows, as the archive keeps them
    toolpaths.jsonl   what is built, and its layers
    pictures.jsonl    what the simulated camera saw of some jobs; pictures/ID.jpg

A zip file. Times in it count from a midnight; brought in, the last job ended yesterday
evening. What is brought in goes through the journal's own door, and only where nothing has
happened yet: numbers of jobs and events begin at 1. The journal's transaction comes last, so
that a season is there as a whole or not at all.
"""

from __future__ import annotations

import base64
import json
import zipfile
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from importlib import resources
from pathlib import Path
from typing import IO, Any

from stillair import __version__
from stillair.config import default_chamber
from stillair.errors import CommandRefused, StillairError
from stillair.jobs.toolpath import Toolpath, Whole
from stillair.media.files import PictureFiles
from stillair.model import JobLog, LogTold, Outcome, Timeline
from stillair.runtime.backup import ARCHIVE, JOURNAL
from stillair.runtime.made_season import ZERO_S, MadeJob, day_of
from stillair.runtime.marks import box_mark
from stillair.runtime.settings_told import settings_told
from stillair.simulation.season import BUILDS
from stillair.simulation.toolpaths import toolpath_lines
from stillair.storage import erasing, pictures, toolpaths
from stillair.storage.archive import Archive
from stillair.storage.history import History
from stillair.storage.journal import Journal
from stillair.storage.layers import packed
from stillair.storage.outbox import micros
from stillair.storage.pictures import KeptPicture, file_name
from stillair.storage.records import Parcel, dump, from_record, load, to_record

FORM = 1
NAME = "season.zip"
HEAD, ENTRIES, READINGS, TOOLPATHS, PICTURES = (
    "season.json",
    "entries.jsonl",
    "readings.jsonl",
    "toolpaths.jsonl",
    "pictures.jsonl",
)
STAMP = (2024, 1, 1, 0, 0, 0)  # of the members: the same season gives the same bytes
DAY_S = 86_400.0
PARCELS = "season "  # with which the names of its outcomes and boots begin


class SeasonError(StillairError):
    """The season can't be brought in; the message says why."""


@dataclass(frozen=True, slots=True)
class Season:
    """A season as its file holds it."""

    chamber: str
    box: str
    last_day: int  # counted from 0
    parcels: tuple[Parcel, ...]
    readings: tuple[Mapping[str, Any], ...]
    toolpaths: tuple[Mapping[str, Any], ...]
    follows: Mapping[str, str]  # a job's toolpath
    pictures: tuple[tuple[KeptPicture, bytes], ...]


# --- the file ------------------------------------------------------------------------------


def write_season(file: IO[bytes], jobs: Sequence[MadeJob], built: Mapping[str, Toolpath]) -> None:
    """Write a season's file; the same season gives the same bytes."""
    settings = default_chamber()
    head = {
        "form": FORM,
        "chamber": settings.key,
        "box": box_mark(settings),
        "last_day": jobs[-1].job.day,
        "follows": {made.id: _id(made.job.of) for made in jobs},
    }
    paths = [
        {
            "id": _id(of),
            "name": f"{BUILDS[of].name.lower()}.gcode",
            "size_bytes": sum(map(len, toolpath_lines(BUILDS[of].build))),
            "whole": to_record(found.whole),
            "layers": _letters(packed(found)),
        }
        for of, found in built.items()
    ]
    kept = [each for made in jobs for each in made.pictures]
    rows = ({**row, "payload": _letters(row["payload"])} for made in jobs for row in made.readings)
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as members:
        for name, lines in (
            (HEAD, [json.dumps(head, indent=1)]),
            (ENTRIES, (dump(parcel) for made in jobs for parcel in made.parcels)),
            (READINGS, map(_line, rows)),
            (TOOLPATHS, map(_line, paths)),
            (PICTURES, (dump(picture) for picture, _ in kept)),
        ):
            member = zipfile.ZipInfo(name, STAMP)
            member.compress_type = zipfile.ZIP_DEFLATED
            members.writestr(member, "".join(f"{line}\n" for line in lines))
        for picture, jpeg in kept:
            members.writestr(zipfile.ZipInfo(_jpeg(picture), STAMP), jpeg)


def read_season(file: IO[bytes]) -> Season:
    """The season in a file. Raises `SeasonError` where there is none."""
    try:
        with zipfile.ZipFile(file) as members:
            head = json.loads(members.read(HEAD))
            if head["form"] != FORM:
                raise SeasonError("the season's file is of another version")
            return Season(
                chamber=head["chamber"],
                box=head["box"],
                last_day=head["last_day"],
                follows=head["follows"],
                parcels=tuple(load(Parcel, line) for line in _lines(members, ENTRIES)),
                readings=tuple(map(json.loads, _lines(members, READINGS))),
                toolpaths=tuple(map(json.loads, _lines(members, TOOLPATHS))),
                pictures=tuple(
                    (picture, members.read(_jpeg(picture)))
                    for picture in (load(KeptPicture, line) for line in _lines(members, PICTURES))
                ),
            )
    except (OSError, zipfile.BadZipFile, KeyError, ValueError, TypeError) as error:
        raise SeasonError(f"the season's file can't be read: {error}") from None


def shipped() -> Season:
    """The season that comes with the product. Raises `SeasonError`."""
    try:
        with (resources.files("stillair.simulation") / NAME).open("rb") as file:
            return read_season(file)
    except OSError as error:
        raise SeasonError(f"the season's file isn't there: {error.strerror}") from None


def _jpeg(picture: KeptPicture) -> str:
    return f"pictures/{file_name(picture.id)}"


def _lines(members: zipfile.ZipFile, name: str) -> list[str]:
    return members.read(name).decode().splitlines()


def _line(record: Mapping[str, Any]) -> str:
    return json.dumps(record, separators=(",", ":"))


def data_of(letters: str) -> bytes:
    """Bytes as they stand in a member of the file."""
    return base64.b64decode(letters)


def _letters(data: bytes) -> str:
    return base64.b64encode(data).decode()


def _id(of: str) -> str:
    return f"season-{of.replace(' ', '-')}"


# --- brought in ----------------------------------------------------------------------------


def bring_in(folder: Path, season: Season, now: datetime) -> int:
    """Add the season to a folder where nothing has happened yet; returns how many jobs.

    `now` is aware, in the zone by whose evenings people live here; nobody else uses the
    folder meanwhile. Raises `SeasonError` where there is a history already, and `StoreError`.
    """
    if not is_empty(folder):
        raise SeasonError("there is a history already, and it is left as it is")
    midnight = datetime.combine(now.date() - timedelta(days=1), datetime.min.time(), now.tzinfo)
    # In local days: hours of the day stay what they are, also across a change of summer time.
    shift_s = midnight.timestamp() - (ZERO_S + DAY_S * season.last_day)
    days = (now.date() - timedelta(days=1) - day_of(season.last_day)).days
    journal, archive = Journal(folder / JOURNAL), Archive(folder / ARCHIVE)
    try:
        rows = [_row(row, season.chamber, shift_s) for row in season.readings]
        first_ms = min(row["start_ms"] for row in rows)
        last_ms = max(row["end_ms"] for row in rows)
        archive.forget_between(season.chamber, first_ms / 1000.0, last_ms / 1000.0)
        archive.take_in(rows)
        _take_toolpaths(journal, season, shift_s)
        _take_pictures(journal, PictureFiles(folder / "pictures"), season, shift_s)
        journal.made_with[season.chamber] = f"{__version__} season"
        journal.settings[season.chamber] = json.dumps(settings_told(default_chamber()))
        journal.commit_all([_moved(parcel, shift_s, days) for parcel in season.parcels])
        # Nobody watched since, and nobody has to be told so.
        journal.mark_seen(season.chamber, Timeline("season", now.timestamp()), 0.0)
    finally:
        archive.close()
        journal.close()
    return len(season.follows)


def is_empty(folder: Path) -> bool:
    """Whether nothing has happened yet by what a folder keeps. Raises `StoreError`."""
    if not (folder / JOURNAL).exists():
        return True
    history = History(folder / JOURNAL, folder / ARCHIVE)
    try:
        return history.last_seq() == 0
    finally:
        history.close()


# --- removed again ---------------------------------------------------------------------------


def jobs_of_season(journal: Journal) -> list[str]:
    """The season's jobs that are still there. Raises `StoreError`."""
    return erasing.jobs_of(journal, PARCELS)


def remove(journal: Journal, archive: Archive, erase: Callable[[str], None]) -> int:
    """Remove the season from a history in use; returns how many jobs.

    `erase` removes one job and everything that belongs to it, whatever people have added to
    it since. Toolpaths stay where another job follows them. Raises `CommandRefused` and
    `StoreError`; called again, it goes on.
    """
    jobs, spans = jobs_of_season(journal), erasing.spans_of(journal, PARCELS)
    for job in jobs:
        erase(job)
    for chamber, begin_s, end_s in spans:
        archive.forget_between(chamber, begin_s, end_s)
    erasing.rest_of(journal, PARCELS)
    for of in BUILDS:
        with suppress(CommandRefused):
            toolpaths.remove(journal, _id(of))
    return len(jobs)


def _row(row: Mapping[str, Any], chamber: str, shift_s: float) -> dict[str, Any]:
    shift_ms = round(shift_s * 1000.0)
    return {
        **row,
        "chamber": chamber,
        "payload": data_of(row["payload"]),
        "start_ms": row["start_ms"] + shift_ms,
        "end_ms": row["end_ms"] + shift_ms,
    }


def _take_toolpaths(journal: Journal, season: Season, shift_s: float) -> None:
    at_us = micros(ZERO_S + shift_s - 4 * 3600.0)  # the evening before the first job
    for job in season.follows:  # what a start left that was cut off
        toolpaths.follow(journal, job, None, at_us)
    for path in season.toolpaths:
        layers = data_of(path["layers"])
        toolpaths.remove(journal, path["id"])
        toolpaths.add(
            journal,
            path["id"],
            chamber=season.chamber,
            name=path["name"],
            source="",
            size_bytes=path["size_bytes"],
            at_us=at_us,
        )
        toolpaths.keep(journal, path["id"], from_record(Whole, path["whole"]), layers)
    for job, followed in season.follows.items():
        toolpaths.follow(journal, job, followed, at_us)


def _take_pictures(journal: Journal, files: PictureFiles, season: Season, shift_s: float) -> None:
    pictures.remove(journal, [picture.id for picture, _ in season.pictures])
    for picture, jpeg in season.pictures:
        files.write(file_name(picture.id), jpeg)
        pictures.add(journal, replace(picture, timeline=_later(picture.timeline, shift_s)))


def _later(timeline: Timeline, shift_s: float) -> Timeline:
    return replace(timeline, wall_at_zero_s=timeline.wall_at_zero_s + shift_s)


def _moved(parcel: Parcel, shift_s: float, days: int) -> Parcel:
    return replace(
        parcel, outcome=_dated(parcel.outcome, days), timeline=_later(parcel.timeline, shift_s)
    )


def _dated(outcome: Outcome, days: int) -> Outcome:
    """The same with the dates that people wrote down moved along."""
    if not outcome.logs:
        return outcome
    return replace(outcome, logs=tuple(_dated_log(told, days) for told in outcome.logs))


def _dated_log(told: LogTold, days: int) -> LogTold:
    log: JobLog = told.log
    if log.held_since is None:
        return told
    since = date.fromisoformat(log.held_since) + timedelta(days=days)
    return replace(told, log=replace(log, held_since=since.isoformat()))
