"""Read everything that is kept, chamber by chamber, for who takes it along.

Every read is short, so that a service that runs meanwhile isn't held up.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import RowMapping, select
from sqlmodel import SQLModel, col

from stillair.database import Reader
from stillair.storage import kept_lines
from stillair.storage.brought import TOPIC
from stillair.storage.kept_lines import CLASSES, KeptLine
from stillair.storage.tables import (
    ClipRow,
    JobToolpath,
    Ledger,
    PictureRow,
    SettingsRow,
    ToolpathRow,
)

log = logging.getLogger(__name__)

PAGE_ROWS = 500
FIRST = -(10**16)  # before all numbers that there are


class TakingOut:
    """Read a journal's rows; every method raises `StoreError`."""

    def __init__(self, journal: Path) -> None:
        self._journal = Reader(journal)
        self.left_out = 0

    def close(self) -> None:
        """Let the file go."""
        self._journal.close()

    def chambers(self) -> list[str]:
        """Chambers of which anything is kept."""
        found: set[str] = set()
        with self._journal.connection("the journal can't be read") as connection:
            for table in (Ledger, PictureRow, ClipRow, ToolpathRow):
                query = select(col(table.chamber)).distinct()
                if table is Ledger:
                    query = query.where(col(Ledger.topic).in_(CLASSES))
                found |= set(connection.execute(query).scalars())
        return sorted(found)

    def names(self) -> dict[str, str]:
        """How chambers are called that were brought in."""
        query = select(col(Ledger.chamber), col(Ledger.body)).where(col(Ledger.topic) == TOPIC)
        with self._journal.connection("the journal can't be read") as connection:
            rows = connection.execute(query.order_by(col(Ledger.seq))).all()
        return {chamber: str(json.loads(body)["name"]) for chamber, body in rows}

    def lines(self, chamber: str) -> Iterator[tuple[int, KeptLine]]:
        """All that happened there, in order, each with its number; what nobody
        understands is left out."""
        for row in self._pages(Ledger, "seq", chamber):
            if row["topic"] not in CLASSES:
                continue
            try:
                yield row["seq"], kept_lines.of_row(dict(row))
            except (ValueError, RecursionError) as error:
                self.left_out += 1
                log.warning("entry %d was left out: %s", row["seq"], error)

    def pictures(self, chamber: str) -> Iterator[RowMapping]:
        """Rows of its pictures, in the order in which they were kept."""
        return self._pages(PictureRow, "number", chamber)

    def films(self, chamber: str) -> Iterator[RowMapping]:
        """Rows of its films, in the order in which they were kept."""
        return self._pages(ClipRow, "number", chamber)

    def settings(self, chamber: str) -> Iterator[RowMapping]:
        """Settings that its jobs ran under, one row for each change of them."""
        return self._pages(SettingsRow, "id", chamber)

    def toolpaths(self, chamber: str) -> Iterator[RowMapping]:
        """Rows of its toolpaths, in the order in which they came."""
        return self._pages(ToolpathRow, "number", chamber)

    def followers(self, toolpath: str) -> list[tuple[str, int]]:
        """Jobs that follow a toolpath, and since when, in microseconds."""
        query = select(col(JobToolpath.job), col(JobToolpath.at_us)).where(
            col(JobToolpath.toolpath) == toolpath
        )
        with self._journal.connection("the journal can't be read") as connection:
            rows = connection.execute(query.order_by(col(JobToolpath.job))).all()
        return [(job, at_us) for job, at_us in rows]

    def _pages(self, table: type[SQLModel], number: str, chamber: str) -> Iterator[RowMapping]:
        rows_at_once = PAGE_ROWS // 25 if table is ToolpathRow else PAGE_ROWS  # those are large
        columns: Any = table.__table__.c  # type: ignore[attr-defined]  # made by SQLModel
        last: Any = "" if table is SettingsRow else FIRST
        while True:
            query = (
                select(table)
                .where(columns.chamber == chamber, columns[number] > last)
                .order_by(columns[number])
                .limit(rows_at_once)
            )
            with self._journal.connection("the journal can't be read") as connection:
                rows = connection.execute(query).mappings().all()
            yield from rows
            if len(rows) < rows_at_once:
                return
            last = rows[-1][number]
