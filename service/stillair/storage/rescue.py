"""Take over from a damaged journal what can still be read.

Each table is read from its beginning and from its end until the damage is
met, so one broken page costs the rows of that page. The damaged file itself is
only read and stays for whoever wants to try more.
"""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from sqlalchemy import Engine, Table, inspect
from sqlalchemy.dialects.sqlite import insert
from sqlalchemy.exc import SQLAlchemyError

from stillair.storage.tables import JournalTable

log = logging.getLogger(__name__)

BATCH_ROWS = 500


def rescue(damaged: Path, engine: Engine) -> int:
    """Copy readable rows into the new journal; returns how many. Never raises."""
    rescued = 0
    try:
        source = sqlite3.connect(f"{damaged.absolute().as_uri()}?mode=ro", uri=True)
    except sqlite3.Error as error:
        log.warning("%s can't be read at all: %s", damaged.name, error)
        return 0
    with closing(source):
        for table in JournalTable.metadata.sorted_tables:
            try:
                rescued += _rescue_table(source, engine, table)
            except (sqlite3.Error, SQLAlchemyError, ValueError) as error:
                log.warning("table %s of %s can't be rescued: %s", table, damaged.name, error)
    return rescued


def _rescue_table(source: sqlite3.Connection, engine: Engine, table: Table) -> int:
    names = [column["name"] for column in inspect(engine).get_columns(table.name)]
    rescued = 0
    for order in ("ASC", "DESC"):
        batch: list[dict[str, object]] = []
        for row in _readable(source, table, names, order):
            batch.append(dict(zip(names, row, strict=True)))
            if len(batch) == BATCH_ROWS:
                rescued += _take_over(engine, table, batch)
                batch = []
        rescued += _take_over(engine, table, batch)
    return rescued


def _readable(
    source: sqlite3.Connection, table: Table, names: list[str], order: str
) -> Iterator[tuple[object, ...]]:
    columns = ", ".join(f'"{name}"' for name in names)
    (key,) = table.primary_key.columns.keys()
    # The names are those of our own tables.
    query = f'SELECT {columns} FROM "{table.name}" ORDER BY "{key}" {order}'  # noqa: S608
    try:
        yield from source.execute(query)
    except sqlite3.DatabaseError as error:
        log.warning("%s, read %s, ends early: %s", table.name, order, error)


def _take_over(engine: Engine, table: Table, rows: list[dict[str, object]]) -> int:
    """Insert rows; what is there already or breaks a rule is left out."""
    if not rows:
        return 0
    with engine.begin() as connection:
        before = connection.exec_driver_sql("SELECT total_changes()").scalar() or 0
        connection.execute(insert(table).prefix_with("OR IGNORE"), rows)
        after = connection.exec_driver_sql("SELECT total_changes()").scalar() or 0
    return int(after) - int(before)
