"""The form in which a whole history is taken along: what lies where, and what is said of it.

One zip file, to be read by whoever has a spreadsheet or a script:

    archive.json                          form, version, date, chambers, counts, hashes
    README.txt                            the same in words
    chambers/KEY/entries.jsonl            everything that happened, in order, a line each
    chambers/KEY/readings/NAME/DATE.csv   one sensor on one day, in the form that is replayed
    chambers/KEY/pictures.jsonl           what each picture shows; the picture is pictures/ID.jpg
    chambers/KEY/films.jsonl              what each film shows; the film is films/ID.webm
    chambers/KEY/settings.jsonl           the settings that jobs ran under, without what is private
    chambers/KEY/toolpaths.jsonl          what jobs were built from; layers are toolpaths/ID.csv

`archive.json` comes last in the file: one that was cut off has none. Form 1 had no films and
no settings.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from stillair.errors import StillairError

FORM = 2
OLD_FORM = 1
HEAD = "archive.json"
WORDS = "README.txt"
ENTRIES, PICTURES, TOOLPATHS = "entries.jsonl", "pictures.jsonl", "toolpaths.jsonl"
FILMS, SETTINGS = "films.jsonl", "settings.jsonl"
DAY_MS = 86_400_000
LAST_MS = 32_503_680_000_000  # the year 3000: a label behind that is none
LINE_BYTES = 2**20
KEY = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+){0,40}")
_ID = "[0-9a-f]{32}"
_TOOLPATH = rf"(?:{_ID}|season(?:-[a-z]{{1,20}}){{1,3}})"  # the season calls its own by their names
PICTURE_ID, TOOLPATH_ID = re.compile(_ID), re.compile(_TOOLPATH)
_SLUG = r"[a-z0-9][a-z0-9-]{0,100}"
MEMBER = re.compile(
    rf"README\.txt|chambers/{_SLUG}/(?:(?:entries|pictures|films|settings|toolpaths)\.jsonl"
    rf"|readings/{_SLUG}/\d{{4}}-\d\d-\d\d(?:-\d{{1,4}})?\.csv"
    rf"|pictures/{_ID}\.jpg|films/{_ID}\.webm|toolpaths/{_TOOLPATH}\.(?:csv|json))"
)


class ArchiveError(StillairError):
    """An archive can't be made or brought in; the message says what to do."""


@dataclass(frozen=True, slots=True)
class Counts:
    """How much there is of what."""

    jobs: int = 0
    entries: int = 0
    readings: int = 0
    pictures: int = 0
    films: int = 0
    toolpaths: int = 0
    settings: int = 0

    def __add__(self, other: Counts) -> Counts:
        return Counts(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))

    def __bool__(self) -> bool:
        return any(getattr(self, each.name) for each in fields(self))

    def said(self) -> str:
        """As people read it: "40 jobs, 1,200 entries"."""
        parts = [
            f"{getattr(self, each.name):,} {each.name}"
            for each in fields(self)
            if getattr(self, each.name)
        ]
        return ", ".join(parts) or "nothing"


@dataclass(frozen=True, slots=True)
class ArchivedChamber:
    """One chamber in an archive; `boxes` are those of its jobs, the newest last."""

    key: str
    name: str
    boxes: tuple[str, ...] = ()
    counts: Counts = field(default_factory=Counts)


@dataclass(frozen=True, slots=True)
class ArchiveHead:
    """What `archive.json` says."""

    made_with: str
    made_at: str
    chambers: tuple[ArchivedChamber, ...]
    files: Mapping[str, Mapping[str, Any]]
    left_out: int = 0
    form: int = FORM

    @property
    def counts(self) -> Counts:
        """Of all chambers together."""
        return sum((each.counts for each in self.chambers), Counts())


def head_bytes(head: ArchiveHead) -> bytes:
    """`archive.json` as it is written."""
    return json.dumps(
        {
            "form": head.form,
            "made_with": head.made_with,
            "made_at": head.made_at,
            "left_out": head.left_out,
            "counts": _plain(head.counts),
            "chambers": [
                {
                    "key": each.key,
                    "name": each.name,
                    "boxes": list(each.boxes),
                    "counts": _plain(each.counts),
                }
                for each in head.chambers
            ],
            "files": head.files,
        },
        indent=1,
        ensure_ascii=False,
    ).encode()


def _plain(counts: Counts) -> dict[str, int]:
    return {each.name: getattr(counts, each.name) for each in fields(counts)}


def read_head(data: bytes) -> ArchiveHead:
    """What an `archive.json` says. Raises `ValueError` where it is none, with the reason."""
    found = record(data)
    form = found.get("form")
    if type(form) is not int or not OLD_FORM <= form <= FORM:
        newer = type(form) is int and form > FORM
        raise ArchiveError(
            f"it has the form {str(form)[:20]!r}, and this Stillair reads {OLD_FORM} to {FORM}"
            + ("; install a newer Stillair first" if newer else "")
        )
    chambers = tuple(_chamber(each) for each in list_of(found.get("chambers"), 1000))
    keys = [each.key for each in chambers]
    if len(set(keys)) < len(keys):
        raise ValueError("it names a chamber twice")
    files = found.get("files")
    if not isinstance(files, dict) or not all(map(_is_file, files.values())):
        raise ValueError("its list of files is none")
    return ArchiveHead(
        made_with=text(found.get("made_with"), 100),
        made_at=text(found.get("made_at"), 40),
        chambers=chambers,
        files=files,
        form=form,
    )


def _chamber(found: Any) -> ArchivedChamber:
    if not isinstance(found, dict):
        raise ValueError("one of its chambers is none")
    key = text(found.get("key"), 120)
    if not KEY.fullmatch(key):
        raise ValueError(f"{key[:40]!r} is no chamber's key")
    counts = found.get("counts")
    if not isinstance(counts, dict):
        raise ValueError("it doesn't say how much it holds")
    return ArchivedChamber(
        key=key,
        name=text(found.get("name"), 200) or key,
        boxes=tuple(text(box, 100) for box in list_of(found.get("boxes"), 1000)),
        counts=Counts(**{each.name: whole(counts.get(each.name, 0)) for each in fields(Counts)}),
    )


def _is_file(row: Any) -> bool:
    return (
        isinstance(row, dict)
        and row.keys() == {"bytes", "sha256"}
        and type(row["bytes"]) is int
        and 0 <= row["bytes"] < 2**50
        and isinstance(row["sha256"], str)
        and re.fullmatch("[0-9a-f]{64}", row["sha256"]) is not None
    )


# --- plain values out of JSON that anybody may have written --------------------------------


def record(data: bytes) -> dict[str, Any]:
    """An object of JSON. Raises `ValueError` for anything else, numbers that are none included."""
    try:
        found = json.loads(data, parse_constant=_no_number)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
    if not isinstance(found, dict):
        raise ValueError("it is no record")
    if b"\\u" in data:
        json.dumps(found, ensure_ascii=False).encode()  # half a character can't be shown anywhere
    return found


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number")


def text(value: Any, longest: int) -> str:
    """A text that isn't too long. Raises `ValueError`."""
    if not isinstance(value, str) or len(value) > longest:
        raise ValueError(f"{str(value)[:40]!r} should be a text of up to {longest} letters")
    return value


def whole(value: Any, low: int = 0, high: int = 2**53) -> int:
    """A whole number within bounds. Raises `ValueError`."""
    if type(value) is not int or not low <= value <= high:
        raise ValueError(f"{str(value)[:40]!r} should be a whole number from {low} to {high}")
    return value


def number(value: Any) -> float:
    """A finite number. Raises `ValueError`."""
    # The bound first: a whole number may be too large for the other question.
    if type(value) not in (int, float) or abs(value) > 1e15 or not math.isfinite(value):
        raise ValueError(f"{str(value)[:40]!r} should be a number")
    return float(value)


def list_of(value: Any, most: int) -> list[Any]:
    """A list that isn't too long. Raises `ValueError`."""
    if not isinstance(value, list) or len(value) > most:
        raise ValueError(f"there should be a list of up to {most}")
    return value


README = """\
What is kept by a Stillair, taken out whole.

archive.json
    form and version, when it was made, chambers, counts, and size and SHA-256 of each file.

chambers/KEY/entries.jsonl
    Everything that happened in a chamber, a line of JSON each, in the order in which it was
    kept. "topic" says what it is: event, alarm, job, note, pin (a height set by hand), outcome,
    log (what was written down of a job, one word at a time), diagnosis, judgement. "at" is when
    it was kept, UTC. Events have the keys of a line of `stillair replay`. Times that end in
    "_s" are seconds of the chamber's own clock: add "zero_s" for seconds since 1970. A job's
    newest line is how it stands; its pauses are in "paused_s" and "paused_since_s", its heights
    in "height_mm". "kept" is for bringing the line in again.

chambers/KEY/readings/NAME/DATE.csv
    One sensor on one day (UTC): "time_s", seconds since 1970, and degrees Celsius at the
    sensor's own resolution. An empty field is a reading that is missing. A name that a
    program for tables would take for a formula has a ' before it.
    `stillair replay` takes such a file.

chambers/KEY/pictures.jsonl and pictures/ID.jpg
    Pictures of events, stills of jobs, and photographs that people took.

chambers/KEY/films.jsonl and films/ID.webm
    Films of events and time-lapses of jobs, VP8 in WebM. "shown" are the events in a film,
    "paused" from when to when the camera looked away; "why" says why there is no film, or
    why it ends early.

chambers/KEY/settings.jsonl
    Settings that jobs ran under, as "made_with" of an entry names them, without what is private.

chambers/KEY/toolpaths.jsonl, toolpaths/ID.csv and toolpaths/ID.json
    What jobs were built from: the whole, its layers, and where road lies in each. In the last,
    "bits" is base64 of (height * width + 7) // 8 bytes a layer, rows from low to high Y.

What each layer met in the air is not in it: it is worked out again from the above.

There are no accounts, no passwords, no tokens, and no addresses of people in it.
`stillair bring-in FILE` adds it to what another Stillair keeps.
"""
