"""Pictures, films and the settings of jobs in an archive: as they are written, and checked again.

A row becomes a line of JSON beside its file; a line that anybody may have written becomes a
row again, checked value by value.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import IO, Any

from stillair.config.settings import Family
from stillair.runtime.archive_form import (
    LAST_MS,
    PICTURE_ID,
    TOOLPATH_ID,
    list_of,
    number,
    text,
    whole,
)
from stillair.storage import clips, kept_lines
from stillair.storage.items import label
from stillair.storage.ran_under import FINGERPRINT

PICTURE_PARTS = ("marked", "moment", "before", "after", "still", "photograph")
FILM_PARTS = (clips.CLIP, clips.TIME_LAPSE)
FILM_STATES = (clips.KEPT, clips.LOST, clips.PAUSED)
ORIGINS = frozenset(Family)
MOST_ROWS = 50  # of events, or pauses, that one film has
HEAD_BYTES = 4096
BLOCK_BYTES = 2**18
LONGEST_FILM_S = 100_000.0
FURTHEST_S = 1e9  # from a film's beginning: a label beyond is none
_JPEG, _EBML = b"\xff\xd8\xff", b"\x1aE\xdf\xa3"


@dataclass(frozen=True, slots=True)
class Shift:
    """By how much all wall times are moved, ms."""

    ms: int

    def at_us(self, value: Any) -> int:
        """A wall time in microseconds, moved. Raises `ValueError`."""
        return whole(whole(value, 0, LAST_MS * 1000) + self.ms * 1000, 0, LAST_MS * 1000)

    def boot(self, boot: str) -> str:
        """Moved rows are on a timeline of their own."""
        return f"{boot[:50]}{self.ms:+d}" if self.ms else boot


# --- written -----------------------------------------------------------------------------


def picture_line(row: Mapping[str, Any]) -> dict[str, Any]:
    """What is said of a picture."""
    return {
        "id": row["id"],
        "at": label(row["at_us"] / 1e6),
        **{n: row[n] for n in ("part", "kind", "event", "job", "height_mm")},
        "detail": json_of(row["body"]),
        "kept": _kept(row),
    }


def film_line(row: Mapping[str, Any]) -> dict[str, Any]:
    """What is said of a film, or of one that there is not. Raises `ValueError`."""
    body = json_of(row["body"])
    told = {
        "id": row["id"],
        "at": label(row["at_us"] / 1e6),
        **{n: row[n] for n in ("part", "kind", "event", "job", "state")},
        "start_s": row["mono_s"],
        **{n: body.get(n) for n in ("end_s", "length_s", "origin", "why", "shown", "paused")},
        "zero_s": row["at_us"] / 1e6 - row["mono_s"],
        "kept": _kept(row),
    }
    film_row(told, row["chamber"], row["chamber"], 0, Shift(0))
    return told


def settings_line(row: Mapping[str, Any]) -> dict[str, Any]:
    """What is said of settings that jobs ran under. Raises `ValueError`."""
    told = {
        "mark": row["id"].rpartition(" ")[2],
        "at": label(row["at_us"] / 1e6),
        "settings": json_of(row["body"]),
        "kept": {"at_us": row["at_us"]},
    }
    settings_row(told, row["chamber"], Shift(0))
    return told


def json_of(body: str) -> dict[str, Any]:
    """A record of a row; nothing of one that is broken."""
    try:
        found = json.loads(body)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _kept(row: Mapping[str, Any]) -> dict[str, Any]:
    return {"boot": row["boot_id"], "mono_s": row["mono_s"], "at_us": row["at_us"]}


# --- read --------------------------------------------------------------------------------


def named(found: Mapping[str, Any], what: str) -> str:
    """The id of a picture, film or toolpath, by which its file is called. Raises `ValueError`."""
    name = text(found.get("id"), 80)
    if not (TOOLPATH_ID if what == "toolpath" else PICTURE_ID).fullmatch(name):
        raise ValueError(f"{name[:40]!r} is no {what}'s name")
    return name


def picture_row(
    found: Mapping[str, Any], there: str, here: str, size_bytes: int, shift: Shift
) -> dict[str, Any]:
    """The row of a picture. Raises `ValueError`."""
    if not isinstance(found.get("detail"), dict):
        raise ValueError("a picture doesn't say how it was kept")
    kept_lines.fit(dict, found["detail"], "detail")
    height_mm = found.get("height_mm")
    return {
        "id": found["id"],
        "chamber": here,
        "part": _one_of(found, "part", PICTURE_PARTS),
        **_whose(found, there),
        "height_mm": None if height_mm is None else number(height_mm),
        "size_bytes": size_bytes,
        **_label(found, shift),
        "body": json.dumps(found["detail"], allow_nan=False),
    }


def film_row(
    found: Mapping[str, Any], there: str, here: str, size_bytes: int, shift: Shift
) -> dict[str, Any]:
    """The row of a film. Raises `ValueError`."""
    labelled = _label(found, shift)
    near = partial(_near, start_s=labelled["mono_s"])
    shown = [
        [_event(event), text(kind, 60), near(at_s)]
        for event, kind, at_s in _rows(found, "shown", 3)
    ]
    paused = [
        [near(begun_s), None if over_s is None else near(over_s)]
        for begun_s, over_s in _rows(found, "paused", 2)
    ]
    length_s = number(found.get("length_s"))
    if not 0.0 <= length_s <= LONGEST_FILM_S:
        raise ValueError("no film is so long")
    return {
        "id": found["id"],
        "chamber": here,
        "part": _one_of(found, "part", FILM_PARTS),
        **_whose(found, there),
        "state": _one_of(found, "state", FILM_STATES),
        "size_bytes": size_bytes,
        **labelled,
        "body": json.dumps(
            {
                "end_s": near(found.get("end_s")),
                "length_s": length_s,
                "origin": _one_of(found, "origin", ORIGINS),
                "shown": shown,
                "paused": paused,
                "why": text(found.get("why"), 500),
            },
            allow_nan=False,
        ),
    }


def settings_row(found: Mapping[str, Any], here: str, shift: Shift) -> dict[str, Any]:
    """The row of settings that jobs ran under. Raises `ValueError`."""
    mark, kept = text(found.get("mark"), 64), found.get("kept")
    if not FINGERPRINT.fullmatch(mark) or not isinstance(kept, dict):
        raise ValueError(f"{mark[:40]!r} is no mark of settings")
    kept_lines.fit(_Settings, found.get("settings"), "settings")
    return {
        "id": f"{here} {mark}",
        "chamber": here,
        "at_us": shift.at_us(kept.get("at_us")),
        "body": json.dumps(found["settings"], allow_nan=False),
    }


def check_picture(data: bytes, name: str) -> None:
    """Raise `ValueError` unless it begins as a JPEG does."""
    if not data.startswith(_JPEG):
        raise ValueError(f"{name} is no picture")


def take_film(file: IO[bytes], name: str, to: IO[bytes]) -> None:
    """Copy a film, a block at a time. Raises `ValueError` unless it is VP8 in WebM."""
    head = file.read(HEAD_BYTES)
    if not head.startswith(_EBML) or b"webm" not in head[:64] or b"V_VP8" not in head:
        raise ValueError(f"{name} is no film")
    while head:
        to.write(head)
        head = file.read(BLOCK_BYTES)


def _one_of(found: Mapping[str, Any], name: str, known: Any) -> str:
    value = found.get(name)
    if not isinstance(value, str) or value not in known:
        raise ValueError(f"there is no {name} {str(value)[:40]!r}")
    return value


def _whose(found: Mapping[str, Any], there: str) -> dict[str, Any]:
    job, event = found.get("job"), found.get("event")
    if job is not None:
        kept_lines.check_id(text(job, 200), there, "job")
    return {
        "kind": text(found.get("kind"), 60),
        "event": None if event is None else _event(event),
        "job": job,
    }


def _label(found: Mapping[str, Any], shift: Shift) -> dict[str, Any]:
    kept = found.get("kept")
    if not isinstance(kept, dict):
        raise ValueError("it doesn't say how it was kept")
    return {
        "boot_id": shift.boot(text(kept.get("boot"), 80)),
        "mono_s": number(kept.get("mono_s")),
        "at_us": shift.at_us(kept.get("at_us")),
    }


def _event(value: Any) -> int:
    return whole(value, -(10**15), 10**15)


def _rows(found: Mapping[str, Any], name: str, columns: int) -> list[list[Any]]:
    rows = [list_of(each, columns) for each in list_of(found.get(name), MOST_ROWS)]
    if any(len(each) < columns for each in rows):
        raise ValueError(f"{name} should be rows of {columns}")
    return rows


def _near(value: Any, *, start_s: float) -> float:
    at_s = number(value)
    if abs(at_s - start_s) > FURTHEST_S:
        raise ValueError("a film is nowhere near its own time")
    return at_s


@dataclass(frozen=True, slots=True)
class _Sensor:
    name: str
    place: str
    driver: str
    limit_c: float | None
    correction_k: float | None


@dataclass(frozen=True, slots=True)
class _Settings:
    """What is kept of settings; see `settings_told`."""

    name: str
    enclosure: tuple[str, ...]
    limit_c: float
    target_c: float | None
    family: str
    sensors: tuple[_Sensor, ...]
    contacts: tuple[dict[str, str], ...]
    all: tuple[str, ...]
