"""The pictures and films that are kept of a job, each with the name it gets outside of here."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from stillair.storage.clips import KEPT
from stillair.storage.history import History
from stillair.storage.items import Item
from stillair.storage.pictures import file_name

PICTURES, FILMS = "pictures", "clips"


@dataclass(frozen=True, slots=True)
class Media:
    """One file: where it lies here, how it is called outside, and what is known of it."""

    path: Path
    name: str
    told: Item


def media_of(history: History, folder: Path, job: str) -> Iterator[Media]:
    """Every picture of a job, then its films, in the order of their times. Raises `StoreError`."""
    for number, item in enumerate(history.pictures().all_of_job(job), start=1):
        path = folder / PICTURES / file_name(str(item["id"]))
        yield Media(path, f"{PICTURES}/{_name(number, item)}.jpg", item)
    films = [item for item in history.clips().of_job(job) if item["state"] == KEPT]
    for number, item in enumerate(films, start=1):
        path = folder / FILMS / f"{item['id']}.webm"
        yield Media(path, f"{FILMS}/{_name(number, item)}.webm", {"at": item["start_at"], **item})


def _name(number: int, item: Item) -> str:
    """As in "0012 still 12.4 mm" or "0003 marked door_open"."""
    height_mm = item.get("height_mm")
    words = [f"{number:04}", str(item["part"]), str(item["kind"] or "")]
    words.append("" if height_mm is None else f"{height_mm:g}mm")
    return re.sub(r"[^a-z0-9_.-]", "", "-".join(filter(None, words)).lower())
