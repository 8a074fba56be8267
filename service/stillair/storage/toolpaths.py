"""Toolpaths as they are kept: in a row what each builds, its layers packed beside that.

The file itself is not kept: what a job is looked back on by is its layers, some tens
of kilobytes instead of some tens of megabytes.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import RowMapping, Select, delete, func, insert, select, update
from sqlmodel import col

from stillair.database import Reads, plain
from stillair.errors import CommandRefused, Refusal
from stillair.jobs.toolpath import Layers, Outlines, Whole
from stillair.storage.items import Item, label
from stillair.storage.journal import Journal
from stillair.storage.layers import unpacked
from stillair.storage.records import from_record, to_record
from stillair.storage.tables import JobToolpath, ToolpathRow

WAITING, READY, REFUSED = "waiting", "ready", "refused"
UNREADABLE = "That toolpath can't be read, so no job can follow it."
MOST_KEPT = 1000


# --- written ---------------------------------------------------------------------------


def add(
    journal: Journal,
    toolpath: str,
    *,
    chamber: str,
    name: str,
    source: str,
    size_bytes: int,
    at_us: int,
) -> None:
    """Note a toolpath that waits to be read; the oldest of too many go, but no job's.

    Raises `StoreError`.
    """
    with journal.transaction("a toolpath can't be noted") as connection:
        kept = connection.execute(select(func.count()).select_from(ToolpathRow)).scalar_one()
        if kept >= MOST_KEPT:
            followed = select(col(JobToolpath.toolpath))
            oldest = (
                select(col(ToolpathRow.number))
                .where(col(ToolpathRow.state) != WAITING, col(ToolpathRow.id).not_in(followed))
                .order_by(col(ToolpathRow.number))
                .limit(kept - MOST_KEPT + 1)
            )
            connection.execute(
                delete(ToolpathRow).where(col(ToolpathRow.number).in_(oldest.scalar_subquery()))
            )
        connection.execute(
            insert(ToolpathRow).values(
                id=toolpath,
                at_us=at_us,
                name=name,
                chamber=chamber,
                source=source,
                state=WAITING,
                size_bytes=size_bytes,
                body="{}",
            )
        )


def keep(journal: Journal, toolpath: str, whole: Whole, columns: bytes) -> None:
    """Keep what a toolpath builds. Raises `StoreError`."""
    _end(journal, toolpath, READY, {"whole": to_record(whole)}, columns)


def refuse(journal: Journal, toolpath: str, line: int | None, reason: str) -> None:
    """Keep why a toolpath can't be read. Raises `StoreError`."""
    _end(journal, toolpath, REFUSED, {"refused": {"line": line, "reason": reason}}, None)


def _end(
    journal: Journal, toolpath: str, state: str, body: Mapping[str, Any], columns: bytes | None
) -> None:
    with journal.transaction("a toolpath can't be kept") as connection:
        connection.execute(
            update(ToolpathRow)
            .where(col(ToolpathRow.id) == toolpath)
            .values(state=state, body=json.dumps(body, allow_nan=False), columns=columns)
        )


def remove(journal: Journal, toolpath: str) -> None:
    """Forget a toolpath. Raises `CommandRefused` while a job follows it, and `StoreError`."""
    with journal.transaction("a toolpath can't be removed") as connection:
        found = connection.execute(
            select(col(JobToolpath.job)).where(col(JobToolpath.toolpath) == toolpath).limit(1)
        ).scalar()
        if found is not None:
            raise CommandRefused(
                Refusal.CONFLICT,
                f"The job {found} is looked back on by it: take it away from the job first.",
            )
        connection.execute(delete(ToolpathRow).where(col(ToolpathRow.id) == toolpath))


def follow(journal: Journal, job: str, toolpath: str | None, at_us: int) -> None:
    """Note which toolpath a job follows; None: none any more.

    Raises `CommandRefused` where there is no such toolpath, and `StoreError`.
    """
    with journal.transaction("a job's toolpath can't be noted") as connection:
        if toolpath is not None:
            state = connection.execute(
                select(col(ToolpathRow.state)).where(col(ToolpathRow.id) == plain(toolpath))
            ).scalar()
            if state is None:
                raise CommandRefused(Refusal.UNKNOWN, "There is no such toolpath.")
            if state == REFUSED:
                raise CommandRefused(Refusal.CONFLICT, UNREADABLE)
        connection.execute(delete(JobToolpath).where(col(JobToolpath.job) == job))
        if toolpath is not None:
            connection.execute(insert(JobToolpath).values(job=job, toolpath=toolpath, at_us=at_us))


# --- asked for -------------------------------------------------------------------------

_SHOWN = tuple(
    getattr(ToolpathRow, name)
    for name in (
        "number",
        "id",
        "at_us",
        "name",
        "chamber",
        "source",
        "state",
        "size_bytes",
        "body",
    )
)


class Toolpaths:
    """Questions about kept toolpaths; every one raises `StoreError`."""

    def __init__(self, journal: Reads) -> None:
        self._journal = journal

    def page(self, after: int, limit: int) -> tuple[list[Item], int | None]:
        """Toolpaths, newest last, and after which to ask on."""
        query = select(*_SHOWN)
        if after:  # what was brought in has numbers below zero
            query = query.where(col(ToolpathRow.number) > after)
        found = self._items(query.order_by(col(ToolpathRow.number)).limit(limit + 1))
        more = len(found) > limit
        found = found[:limit]
        return found, int(str(found[-1]["seq"])) if more else None

    def one(self, toolpath: str) -> Item | None:
        """One toolpath, None where there is none of that id."""
        found = self._items(select(*_SHOWN).where(col(ToolpathRow.id) == plain(toolpath)))
        return found[0] if found else None

    def waiting(self) -> list[Item]:
        """Those that are still to be read, in the order in which they came."""
        query = select(*_SHOWN).where(col(ToolpathRow.state) == WAITING)
        return self._items(query.order_by(col(ToolpathRow.number)))

    def sources(self) -> set[str]:
        """The files of the watched folder that are known."""
        query = select(col(ToolpathRow.source)).where(col(ToolpathRow.source) != "")
        with self._journal.connection("toolpaths can't be listed") as connection:
            return set(connection.execute(query).scalars())

    def given_up_before_us(self) -> int:
        """What came before this instant may have been given up; 0 while there is room."""
        followed = select(col(JobToolpath.toolpath))
        oldest = select(func.min(col(ToolpathRow.at_us))).where(
            col(ToolpathRow.id).not_in(followed)
        )
        with self._journal.connection("toolpaths can't be listed") as connection:
            kept = connection.execute(select(func.count()).select_from(ToolpathRow)).scalar_one()
            return int(connection.execute(oldest).scalar() or 0) if kept >= MOST_KEPT else 0

    def layers(self, toolpath: str) -> tuple[Layers, Outlines] | None:
        """The layers of a toolpath that has been read; None for any other."""
        query = select(col(ToolpathRow.columns)).where(col(ToolpathRow.id) == plain(toolpath))
        with self._journal.connection("the layers of a toolpath can't be read") as connection:
            data = connection.execute(query).scalar()
        return None if data is None else unpacked(data)

    def whole(self, toolpath: str) -> Whole | None:
        """What a toolpath that has been read builds; None for any other."""
        item = self.one(toolpath)
        whole = item["whole"] if item else None
        return from_record(Whole, whole) if isinstance(whole, dict) else None

    def of_job(self, job: str) -> str | None:
        """The id of the toolpath that a job follows."""
        query = select(col(JobToolpath.toolpath)).where(col(JobToolpath.job) == plain(job))
        with self._journal.connection("a job's toolpath can't be read") as connection:
            found = connection.execute(query).scalar()
        return None if found is None else str(found)

    def wholes_of(self, jobs: Sequence[str]) -> dict[str, Item]:
        """What the toolpaths build that jobs follow, by job; of those that follow one."""
        query = (
            select(col(JobToolpath.job), col(ToolpathRow.body))
            .join(ToolpathRow, col(ToolpathRow.id) == col(JobToolpath.toolpath))
            .where(col(ToolpathRow.state) == READY, col(JobToolpath.job).in_(jobs))
        )
        with self._journal.connection("toolpaths can't be read") as connection:
            rows = connection.execute(query).all()
        found = {job: _body(body).get("whole") for job, body in rows}
        return {job: whole for job, whole in found.items() if isinstance(whole, dict)}

    def _items(self, query: Select[Any]) -> list[Item]:
        with self._journal.connection("toolpaths can't be read") as connection:
            rows = connection.execute(query).mappings().all()
            ids = [row["id"] for row in rows]
            links = connection.execute(
                select(col(JobToolpath.toolpath), col(JobToolpath.job))
                .where(col(JobToolpath.toolpath).in_(ids))
                # By number where several came at once: 3, 11, 14.
                .order_by(
                    col(JobToolpath.at_us),
                    func.length(col(JobToolpath.job)),
                    col(JobToolpath.job),
                )
            ).all()
        return [
            _item(row, [job for toolpath, job in links if toolpath == row["id"]]) for row in rows
        ]


def _item(row: RowMapping, jobs: Sequence[str]) -> Item:
    body = _body(row["body"])
    return {
        "seq": row["number"],
        "id": row["id"],
        "name": row["name"],
        "chamber": row["chamber"],
        "state": row["state"],
        "at": label(row["at_us"] / 1e6),
        "size_bytes": row["size_bytes"],
        "source": row["source"],
        "whole": body.get("whole"),
        "refused": body.get("refused"),
        "jobs": list(jobs),
    }


def _body(text: str) -> Mapping[str, Any]:
    try:
        body = json.loads(text)
    except ValueError:
        return {}
    return body if isinstance(body, dict) else {}
