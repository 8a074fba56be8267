"""Readings in a hall's database: as they came in the tail, then packed as on a board.

Each function works within the transaction of a connection that it is given.
"""

from __future__ import annotations

import logging
import struct
import zlib
from array import array
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import delete, insert, select, text, update
from sqlalchemy.engine import Connection
from sqlmodel import col

from stillair.storage.hall_batches import cut
from stillair.storage.hall_tables import TailRow
from stillair.storage.packing import unpack
from stillair.storage.stretches import ROW_SPAN_MS, packed_rows, rows_of
from stillair.storage.summaries import Place, add_rows, refresh
from stillair.storage.tables import Stretch
from stillair.storage.tail import Series, pack_series, unpack_series

log = logging.getLogger(__name__)

_TAIL = """
INSERT INTO tail (chamber, first_ms, last_ms, count, payload)
SELECT * FROM unnest(CAST(:chamber AS text[]), CAST(:first_ms AS bigint[]),
    CAST(:last_ms AS bigint[]), CAST(:count AS int[]), CAST(:payload AS bytea[]))
"""


def series_of(payload: bytes) -> list[Series]:
    """What a row of the tail holds; nothing of a damaged one."""
    try:
        return list(unpack_series(zlib.decompress(payload)))
    except (ValueError, struct.error, zlib.error):
        log.exception("a row of the tail was left out")
        return []


def keep_tail(
    connection: Connection, came: Sequence[tuple[str, list[Series]]]
) -> list[dict[str, Any]]:
    """Add a row for the readings of each chamber; returns these rows."""
    rows = [{"chamber": chamber, **_row_of(series)} for chamber, series in came]
    if rows:
        connection.execute(text(_TAIL), columns(rows))
    return rows


def pack(connection: Connection, chamber: str) -> list[dict[str, Any]]:
    """Make rows of what is full of a chamber's tail, and one row of the tail of what is not.

    Returns what is in the tail then; where nothing was full, nothing.
    """
    here = col(TailRow.chamber) == chamber
    query = select(col(TailRow.id), col(TailRow.payload)).where(here).order_by(col(TailRow.id))
    rows = connection.execute(query).all()
    full, rest = cut(series for _, payload in rows for series in series_of(payload))
    if not full:
        return []
    named = [replace(each, chamber=chamber) for each in full]
    _insert(connection, [row for each in named for row in packed_rows(each)])
    connection.execute(delete(TailRow).where(here, col(TailRow.id) <= rows[-1][0]))
    return keep_tail(connection, [(chamber, rest)] if rest else [])


def erase(connection: Connection, chamber: str, start_ms: int, end_ms: int) -> None:
    """Take a chamber's readings of a stretch away, and nothing else."""
    across = select(Stretch.__table__).where(  # type: ignore[attr-defined]  # a table
        col(Stretch.chamber) == chamber,
        col(Stretch.start_ms) >= start_ms - ROW_SPAN_MS,
        col(Stretch.start_ms) <= end_ms,
        col(Stretch.end_ms) >= start_ms,
    )
    rows = connection.execute(across).mappings().all()
    for row in rows:
        connection.execute(delete(Stretch).where(col(Stretch.id) == row["id"]))
        try:
            times_ms, units = unpack(row["payload"], row["start_ms"], row["count"])
        except ValueError as error:  # of a damaged one nothing can be told apart
            log.error("row %d of %s was erased as a whole: %s", row["id"], chamber, error)
            continue
        for kept in (times_ms < start_ms, times_ms > end_ms):
            rest = rows_of(chamber, row["sensor"], times_ms[kept], units[kept])
            _insert(connection, list(rest))
    places = [(chamber, row["sensor"], row["start_ms"], row["end_ms"]) for row in rows]
    refresh_rows(connection, places)
    touched = (
        col(TailRow.chamber) == chamber,
        col(TailRow.first_ms) <= end_ms,
        col(TailRow.last_ms) >= start_ms,
    )
    for number, payload in connection.execute(
        select(col(TailRow.id), col(TailRow.payload)).where(*touched)
    ).all():
        this = (col(TailRow.chamber) == chamber, col(TailRow.id) == number)
        left = [
            outside
            for each in series_of(payload)
            if (outside := _outside(each, start_ms, end_ms)).times_ms
        ]
        if left:
            connection.execute(update(TailRow).where(*this).values(**_row_of(left)))
        else:
            connection.execute(delete(TailRow).where(*this))


def refresh_rows(connection: Connection, places: Sequence[Place]) -> None:
    """Sum up anew where rows have gone."""
    refresh(_Statements(connection), places)


def columns(rows: Sequence[dict[str, Any]]) -> dict[str, list[Any]]:
    """Rows of one form as arrays, which one statement takes."""
    return {name: [row[name] for row in rows] for name in rows[0]}


def _row_of(series: Sequence[Series]) -> dict[str, Any]:
    return {
        "first_ms": min(min(each.times_ms) for each in series),
        "last_ms": max(max(each.times_ms) for each in series),
        "count": max(len(each.times_ms) for each in series),
        "payload": zlib.compress(pack_series(series), 1),
    }


def _outside(series: Series, start_ms: int, end_ms: int) -> Series:
    kept = [not start_ms <= at_ms <= end_ms for at_ms in series.times_ms]
    times_ms, units = (
        array("q", (each for each, keep in zip(values, kept, strict=True) if keep))
        for values in (series.times_ms, series.units)
    )
    return Series(series.chamber, series.sensor, times_ms, units)


def _insert(connection: Connection, rows: list[dict[str, Any]]) -> None:
    if rows:
        connection.execute(insert(Stretch), rows)
        add_rows(_Statements(connection), rows)


class _Statements:
    """The statements of summaries, in the words of PostgreSQL's driver."""

    def __init__(self, connection: Connection) -> None:
        self._driver: Any = connection.connection.driver_connection

    def execute(self, sql: str, parameters: Sequence[Any], /) -> Any:
        return self._driver.execute(sql.replace("?", "%s"), parameters)
