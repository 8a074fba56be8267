"""One job as a file to take along: readings, events, settings, layers and pictures in a zip.

It is written from its beginning to its end without a look back, so that it can go to
somebody's browser while it is being made: no copy lies on the disk, and no more than a
few thousand readings are in memory. The service has it made by a program of its own,
`python -m stillair.runtime.job_file`, which makes itself nice.

Nobody's name leaves with it: not who said what, nor whom messages go to. What people
wrote themselves (name, notes, flaws) goes as they wrote it.
"""

from __future__ import annotations

import csv
import io
import json
import os
import sys
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

from stillair import __version__
from stillair.errors import CommandRefused, InputError, StillairError
from stillair.model import JobLog, Place
from stillair.runtime.comparing import pause_items
from stillair.runtime.diagnosing import epoch_s
from stillair.runtime.heights import TOOLPATH, Heights, JobHeights
from stillair.runtime.job_media import FILMS, PICTURES, media_of
from stillair.runtime.job_words import README, plain_cell
from stillair.runtime.redacting import Redaction, names_of_people
from stillair.runtime.season import compared
from stillair.runtime.settings_told import chamber_file
from stillair.runtime.weathering import Weathered, weather_of
from stillair.storage.clips import KEPT, MAKING
from stillair.storage.history import History
from stillair.storage.items import Item, label, log_item, piece_item
from stillair.storage.ran_under import Under
from stillair.storage.records import from_record
from stillair.thermal.table import write_table

FAR_FUTURE_S = 1e11
PAGE = 1_000
MOST_NOTES = 5_000
NICE = 15
UNSAID = frozenset({"by", "outcome_by", "seq", "made_with"})  # who said it; numbers of rows
WEATHER = (
    *("wait_s", "air_c", "lowest_c", "below_c", "below_low_c", "below_high_c", "joint_s"),
    *("joint_low_s", "joint_high_s", "off_k", "off_low_k", "off_high_k", "mark", "is_sure"),
)
READINGS, EVENTS, LAYERS = "readings.csv", "events.jsonl", "layers.csv"
SETTINGS, JOB, WORDS = "settings.toml", "job.json", "README.txt"


@dataclass(frozen=True, slots=True)
class Asked:
    """Which job, now (seconds since the epoch), and what is nobody's business in its words.

    `air` are the sensors in the chamber's air now, for jobs whose settings are not kept.
    """

    job: str
    now_s: float
    air: tuple[str, ...] = ()
    private: tuple[str, ...] = ()


def write_job_file(folder: Path, asked: Asked, to: IO[bytes]) -> list[str]:
    """Write all that is kept of a job to a stream; return the names of the files in it.

    Raises `InputError` for an unknown job, `StoreError`, and `OSError` from the stream.
    """
    if not (folder / "journal.db").is_file():
        raise InputError(f"there is no history in {folder}; name its folder with --data-dir")
    with closing(History(folder / "journal.db", folder / "archive.db")) as history:
        item = history.job(asked.job)
        if item is None:
            raise InputError(f"there is no job {asked.job!r} in {folder}")
        with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED, allowZip64=True) as packed:
            _Writer(packed, history, folder, asked, item).write()
            return packed.namelist()


class _Writer:
    """Write the files one behind the other; `told` is what `job.json` says at last."""

    def __init__(
        self,
        packed: zipfile.ZipFile,
        history: History,
        folder: Path,
        asked: Asked,
        item: Item,
    ) -> None:
        self._zip = packed
        self._history = history
        self._folder = folder
        self._asked = asked
        self._item = item
        begun_s, over_s = history.job_span(asked.job)
        self._begun_s, self._over_s = begun_s, over_s or FAR_FUTURE_S
        told = history.places.people(str(item["chamber"]))
        self._private = Redaction({*names_of_people(folder), *asked.private, *told})
        self._words: list[str] = []  # of README.txt, one line for each file

    def write(self) -> None:
        under = self._history.settings().of_job(self._asked.job)
        sensors = self._readings()
        self._events()
        self._settings(under, sensors)
        stretches = self._layers(under)
        media = self._media()
        self._job(under, stretches, media)
        text = README.format(
            name=_one_line(str(self._item["name"])),
            job=self._asked.job,
            origin=ORIGINS.get(str(self._item["origin"]), "It is not known where it was built."),
            begun=label(self._begun_s),
            now=label(self._asked.now_s),
            running="" if self._item["finished_at"] else RUNNING,
            version=__version__,
            files="\n".join(self._words),
        )
        with self._member(WORDS) as file:
            file.write(text.encode())

    # --- one file each ---------------------------------------------------------------

    def _readings(self) -> dict[str, str]:
        """The column that each sensor has got."""
        readings = self._history.iter_job_readings(self._asked.job, self._begun_s, self._over_s)
        columns = dict(zip(readings.sensors, _columns(readings.sensors), strict=True))
        count = 0

        def rows() -> Iterator[tuple[float, tuple[float | None, ...]]]:
            nonlocal count
            for at_s, values in readings.rows:
                count += 1
                yield round(at_s - self._begun_s, 3), values

        with self._text(READINGS) as stream:
            write_table(stream, list(columns.values()), rows())
        self._words.append(
            f"{READINGS}    {count} readings of {len(columns)} sensors, in degrees Celsius;\n"
            "                time_s counts from the job's start. An empty field is a missing one."
        )
        return columns

    def _events(self) -> None:
        count, after = 0, 0
        with self._member(EVENTS) as file:
            while True:
                page = self._history.entries(after, PAGE, "event", job=self._asked.job)
                for entry in page.entries:
                    count += 1
                    line = json.dumps(self._event(entry.body), ensure_ascii=False)
                    file.write(line.encode() + b"\n")
                if page.next is None:
                    break
                after = page.next
        self._words.append(
            f"{EVENTS}    {count} changes of events, one JSON object each, as `stillair replay`\n"
            "                prints them; seconds from the job's start, as in readings.csv."
        )

    def _event(self, item: Item) -> Item:
        """The keys of a replay line, by the job's own start."""
        line: Item = {
            "event": item["event"],
            "change": item["change"],
            "at_s": self._since(item["at"]),
            **{name: item[name] for name in ("kind", "class", "priority")},
            "onset_s": self._since(item["onset_at"]),
        }
        if item["end_at"] is not None:
            line["end_s"] = self._since(item["end_at"])
        return {**line, "sensors": item["sensors"], "detail": self._cleaned(item["detail"])}

    def _since(self, at: Any) -> float:
        return round((epoch_s(at) or self._begun_s) - self._begun_s, 3)

    def _cleaned(self, value: Any) -> Any:
        if isinstance(value, str):
            return self._private.clean(value)
        if isinstance(value, dict):
            return {key: self._cleaned(each) for key, each in value.items()}
        return [self._cleaned(each) for each in value] if isinstance(value, list) else value

    def _settings(self, under: Sequence[Under], columns: Mapping[str, str]) -> None:
        told = next((each.told for each in under if each.told is not None), None)
        try:
            text = None if told is None else chamber_file(told, READINGS, columns)
        except (KeyError, TypeError):
            text = None
        if text is None:
            self._words.append(
                f"{SETTINGS}   is missing: of a job this old the settings were not kept, only a\n"
                "                hash of them, which job.json names."
            )
            return
        with self._member(SETTINGS) as file:
            file.write(f"# As they were when the job began; {READINGS} plays.\n{text}".encode())
        self._words.append(
            f"{SETTINGS}   the chamber as it was set when the job began: limit, target, sensors.\n"
            "                It takes part in a replay; job.json has the rest of the settings."
        )

    def _layers(self, under: Sequence[Under]) -> list[Any]:
        """Layers with what each met; returns the stretches that differ."""
        try:
            heights = Heights(self._history).of(self._asked.job, self._asked.now_s)
        except (CommandRefused, ValueError):
            return []
        if heights.by != TOOLPATH:
            self._words.append(f"{LAYERS}      is missing: the job follows no toolpath.")
            return []
        weather: Mapping[str, Any] = {}
        why = ""
        try:
            key = str(self._item["chamber"])
            asked = Weathered(self._asked.job, key, self._air(under), self._asked.now_s)
            weather = weather_of(self._folder, asked)
        except InputError as error:
            why = f"\n                Without what each met: {error}."
        with self._text(LAYERS) as stream:
            _write_layers(stream, heights, weather, self._begun_s)
        self._words.append(
            f"{LAYERS}      one row a layer: height, when it was laid (seconds from the job's\n"
            "                start, uncertainty at k = 2), and what it met in the air, by a\n"
            f"                model of its cooling: no promise.{why}"
        )
        return list(weather.get("stretches", ()))

    def _air(self, under: Sequence[Under]) -> tuple[str, ...]:
        for each in under:
            if each.told is not None:
                with suppress(KeyError, TypeError):
                    return tuple(
                        str(sensor["name"])
                        for sensor in each.told["sensors"]
                        if sensor["place"] == Place.CHAMBER.value
                    )
        return self._asked.air

    def _media(self) -> list[Item]:
        told: list[Item] = []
        for media in media_of(self._history, self._folder, self._asked.job):
            try:
                file = media.path.open("rb")
            except OSError:
                continue  # given up or erased a moment ago
            info = zipfile.ZipInfo(media.name, _stamp(str(media.told["at"])))
            info.compress_type = zipfile.ZIP_STORED  # it is packed as well as can be
            with file, self._zip.open(info, "w", force_zip64=True) as packed:
                while block := file.read(1 << 16):
                    packed.write(block)
            told.append({"file": media.name, **_unsigned(media.told)})
        for name, what in ((PICTURES, "picture"), (FILMS, "film")):
            count = sum(str(each["file"]).startswith(f"{name}/") for each in told)
            lead = f"{name}/".ljust(16)
            self._words.append(
                f"{lead}{count} {what}s; job.json says of what."
                if count
                else f"{lead}is missing: no {what} is kept of this job."
            )
        return told

    def _job(self, under: Sequence[Under], stretches: list[Any], media: list[Item]) -> None:
        history, job = self._history, self._asked.job
        kept = history.logs().of([job]).get(job)
        heights: Item | None = None
        differs: dict[str, Any] | None = None
        with suppress(CommandRefused, ValueError):
            found = Heights(history).of(job, self._asked.now_s).columns()
            heights = {name: found[name] for name in ("toolpath", "posts", "left_out", "pins")}
            heights["found_by"] = found["by"]
        with suppress(CommandRefused, ValueError):
            differs = compared(history, job)
        told = {
            "program": f"stillair {__version__}",
            "made_at": label(self._asked.now_s),
            "times": "UTC",
            "job": self._item,
            "pauses": pause_items(history, job),
            "log": log_item(JobLog() if kept is None else kept.log),
            "pieces": [] if kept is None else [piece_item(piece) for piece in kept.pieces],
            "notes": self._notes(),
            "heights": heights,
            "layers_that_differ": stretches,
            "beside_sound_jobs": differs,
            "settings": [settings_item(each) for each in under],
            "pictures": media,
            "not_filmed": [
                film for film in history.clips().of_job(job) if film["state"] not in (KEPT, MAKING)
            ],
        }
        with self._text(JOB) as stream:
            json.dump(_unsigned(told), stream, ensure_ascii=False, indent=1)
            stream.write("\n")
        self._words.append(
            f"{JOB}        the job, its log, pieces with their flaws, notes, pauses, pins, how it\n"
            "                came out, what it said of its box, how it differs from sound\n"
            "                jobs, and every setting that may be told. Times of day in it are UTC."
        )

    def _notes(self) -> list[Item]:
        found: list[Item] = []
        after = 0
        while len(found) < MOST_NOTES:
            page = self._history.entries(after, PAGE, "note", job=self._asked.job)
            found += [dict(entry.body) for entry in page.entries]
            if page.next is None:
                break
            after = page.next
        return found

    # --- into the zip ------------------------------------------------------------------

    @contextmanager
    def _member(self, name: str) -> Iterator[IO[bytes]]:
        info = zipfile.ZipInfo(name, _stamp(label(self._asked.now_s)))
        info.compress_type = zipfile.ZIP_DEFLATED
        with self._zip.open(info, "w", force_zip64=True) as file:
            yield file

    @contextmanager
    def _text(self, name: str) -> Iterator[io.TextIOWrapper]:
        with (
            self._member(name) as file,
            io.TextIOWrapper(file, encoding="utf-8", newline="") as stream,
        ):
            yield stream


ORIGINS = {
    "simulated": "SIMULATED: nothing of it was real.",
    "recorded": "It was played from a recording.",
    "real": "It was measured by real sensors.",
}
RUNNING = "The job still ran then: all that was kept up to that moment is here.\n"


def settings_item(under: Under) -> Item:
    """Settings a job ran under, as they are answered; None of what is not kept."""
    return {
        "since_at": label(under.since_s),
        "version": under.version,
        "fingerprint": under.fingerprint,
        "kept": under.told is not None,
        "settings": under.told,
    }


def _columns(sensors: Sequence[str]) -> list[str]:
    """Names as headers that no program for tables takes for a formula, each its own."""
    found: list[str] = []
    for name in sensors:
        column = plain_cell(name)
        while column in found or (column != name and column in sensors):
            column = f"'{column}"
        found.append(column)
    return found


def _write_layers(
    stream: io.TextIOWrapper, heights: JobHeights, weather: Mapping[str, Any], begun_s: float
) -> None:
    times = heights.times
    met = [name for name in WEATHER if name in weather]
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["layer", "piece", "height_mm", "start_s", "end_s", "uncertainty_s", *met])
    for n in range(times.laid()):
        writer.writerow(
            [
                n + 1,
                int(times.piece[n]),
                round(float(times.height_mm[n]), 3),
                round(min(float(times.start_s[n]), times.finished_s) - begun_s, 1),
                round(min(float(times.end_s[n]), times.finished_s) - begun_s, 1),
                round(float(times.uncertainty_s[n]), 1),
                *("" if (v := weather[name][n]) is None else v for name in met),
            ]
        )


def _unsigned(value: Any) -> Any:
    """The same without who said it."""
    if isinstance(value, dict):
        return {key: _unsigned(each) for key, each in value.items() if key not in UNSAID}
    return [_unsigned(each) for each in value] if isinstance(value, list | tuple) else value


def _stamp(at: str) -> tuple[int, int, int, int, int, int]:
    """A time as zip files have them, which know no zone and begin in 1980."""
    then = datetime.fromisoformat(at)
    year = min(max(then.year, 1980), 2107)
    return (year, then.month, then.day, then.hour, then.minute, then.second)


def _one_line(text: str) -> str:
    return "".join(letter if letter.isprintable() else " " for letter in text)


def export_job_file(folder: Path, job: str, to: Path) -> int:
    """Write a job's file to `to`, which appears only when it is whole; return how many files.

    Raises as `write_job_file`.
    """
    part = to.with_name(f"{to.name}.part")
    try:
        descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with open(descriptor, "wb") as stream:  # noqa: PTH123 - a path would be open to others
            asked = Asked(job, datetime.now(UTC).timestamp())
            names = write_job_file(folder, asked, stream)
        part.replace(to)
    finally:
        part.unlink(missing_ok=True)
    return len(names)


def main() -> int:
    """One question as JSON from standard input, the file to standard output."""
    with suppress(OSError):
        os.nice(NICE)
    question = json.loads(sys.stdin.readline())
    try:
        asked = from_record(Asked, question["asked"])
        write_job_file(Path(question["folder"]), asked, sys.stdout.buffer)
        sys.stdout.buffer.flush()
    except BrokenPipeError:  # nobody wants it any more
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except StillairError as error:
        sys.stderr.write(f"a job's file was not made: {error}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
