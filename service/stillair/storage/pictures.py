"""Rows of kept pictures: which there are, of what, and what was seen in them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import RowMapping, Select, delete, func, insert, select
from sqlmodel import col

from stillair.database import Reads, plain
from stillair.model import JsonValue, Timeline
from stillair.storage.items import Item, label
from stillair.storage.journal import Journal
from stillair.storage.outbox import micros
from stillair.storage.tables import PictureRow

MOST_PICTURES = 1_000
STILL = "still"
PHOTOGRAPH = "photograph"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptPicture:
    """A picture that has been written; `t_s` in the seconds of `timeline`.

    `part` is "marked", "moment", "before" or "after" of an event, "still" or "photograph".
    """

    id: str
    chamber: str
    part: str
    t_s: float
    timeline: Timeline
    size_bytes: int
    kind: str = ""
    event: int | None = None
    job: str | None = None
    height_mm: float | None = None
    detail: Mapping[str, JsonValue]


@dataclass(frozen=True, slots=True)
class PictureSize:
    """As much of a row as giving it up needs; a higher `number` was kept later."""

    id: str
    number: int
    kind: str
    event: int | None
    size_bytes: int


def add(journal: Journal, picture: KeptPicture) -> None:
    """Keep the row of a picture whose file is there. Raises `StoreError`."""
    with journal.transaction("a picture can't be noted") as connection:
        connection.execute(
            insert(PictureRow).values(
                id=picture.id,
                chamber=picture.chamber,
                part=picture.part,
                kind=picture.kind,
                event=picture.event,
                job=picture.job,
                height_mm=picture.height_mm,
                size_bytes=picture.size_bytes,
                boot_id=picture.timeline.boot_id,
                mono_s=picture.t_s,
                at_us=micros(picture.timeline.epoch_s(picture.t_s)),
                body=json.dumps(picture.detail, allow_nan=False),
            )
        )


def remove(journal: Journal, ids: Sequence[str]) -> None:
    """Forget pictures, before their files go. Raises `StoreError`."""
    with journal.transaction("a picture can't be forgotten") as connection:
        connection.execute(delete(PictureRow).where(col(PictureRow.id).in_(ids)))


def sizes(journal: Journal, chamber: str | None = None) -> list[PictureSize]:
    """All kept pictures; of a chamber those that may be given up. Raises `StoreError`.

    What a person has photographed can't be taken again: only a person removes it.
    """
    query = select(
        col(PictureRow.id),
        col(PictureRow.number),
        col(PictureRow.kind),
        col(PictureRow.event),
        col(PictureRow.size_bytes),
    )
    if chamber is not None:
        query = query.where(col(PictureRow.chamber) == chamber, col(PictureRow.part) != PHOTOGRAPH)
    with journal.transaction("pictures can't be listed") as connection:
        return [
            PictureSize(row.id, row.number or 0, row.kind, row.event, row.size_bytes)
            for row in connection.execute(query)
        ]


def stills(journal: Journal, job: str) -> int:
    """How many stills of a job are kept. Raises `StoreError`."""
    return count(journal, job, STILL)


def count(journal: Journal, job: str, part: str) -> int:
    """How many pictures of one sort a job has. Raises `StoreError`."""
    query = (
        select(func.count())
        .select_from(PictureRow)
        .where(col(PictureRow.job) == plain(job), col(PictureRow.part) == part)
    )
    with journal.transaction("pictures can't be listed") as connection:
        return int(connection.execute(query).scalar_one())


def of_moment(
    journal: Journal, chamber: str, event: int, kinds: Sequence[str]
) -> tuple[str, bool] | None:
    """The picture of the moment of an event of one of those kinds, and whether it is marked.

    Raises `StoreError`.
    """
    query = select(col(PictureRow.id), col(PictureRow.part)).where(
        col(PictureRow.chamber) == chamber,
        col(PictureRow.event) == event,
        col(PictureRow.part).in_(("marked", "moment")),
        col(PictureRow.kind).in_(kinds),
    )
    with journal.transaction("pictures can't be listed") as connection:
        found = connection.execute(query.order_by(col(PictureRow.part)).limit(1)).first()
    return None if found is None else (found.id, found.part == "marked")


class Pictures:
    """Questions about kept pictures; every one raises `StoreError`."""

    def __init__(self, journal: Reads) -> None:
        self._journal = journal

    def of_event(self, chamber: str, event: int) -> list[Item]:
        """The pictures of an event, in the order of their times."""
        query = select(PictureRow).where(
            col(PictureRow.chamber) == plain(chamber), col(PictureRow.event) == event
        )
        return self._items(query)

    def of_job(self, job: str, part: str = STILL) -> list[Item]:
        """The stills of a job, in the order of their times."""
        return self._items(
            select(PictureRow).where(
                col(PictureRow.job) == plain(job), col(PictureRow.part) == part
            )
        )

    def all_of_job(self, job: str) -> list[Item]:
        """Every picture of a job: its events', its stills, people's; in order of time."""
        return self._items(select(PictureRow).where(col(PictureRow.job) == plain(job)))

    def photographs(self, job: str) -> list[Item]:
        """What people have photographed of a job, in the order of their times."""
        return self.of_job(job, PHOTOGRAPH)

    def name(self, picture_id: str) -> str | None:
        """The name of the file of a picture, None where there is no such picture."""
        query = select(col(PictureRow.id)).where(col(PictureRow.id) == plain(picture_id))
        with self._journal.connection("the journal can't be read") as connection:
            found = connection.execute(query).scalar()
        return None if found is None else file_name(str(found))

    def _items(self, query: Select[Any]) -> list[Item]:
        query = query.order_by(col(PictureRow.at_us), col(PictureRow.number))
        with self._journal.connection("the journal can't be read") as connection:
            rows = connection.execute(query.limit(MOST_PICTURES)).mappings().all()
        return [_item(row) for row in rows]


def file_name(picture_id: str) -> str:
    """The name of a picture's file."""
    return f"{picture_id}.jpg"


def _item(row: RowMapping) -> Item:
    try:
        detail = json.loads(row["body"])
    except ValueError:
        detail = {}
    if not isinstance(detail, dict):
        detail = {}
    return {
        "id": row["id"],
        "chamber": row["chamber"],
        "part": row["part"],
        "kind": row["kind"] or None,
        "event": row["event"],
        "job": row["job"],
        "height_mm": row["height_mm"],
        "at": label(row["at_us"] / 1e6),
        "size_bytes": row["size_bytes"],
        "origin": detail.get("origin"),
        "offset_s": detail.get("offset_s"),
        "saw": detail.get("saw", []),
        "by": detail.get("by"),
    }
