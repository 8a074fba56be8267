"""The past of a hall's chambers: the same questions as on a board, asked of PostgreSQL."""

from __future__ import annotations

from array import array

import numpy as np
from sqlalchemy import select, text
from sqlmodel import col

from stillair.database import Reads
from stillair.database.server import ServerReader
from stillair.storage.hall_batches import cut
from stillair.storage.hall_rows import series_of
from stillair.storage.hall_tables import LOCK, TailRow, TakenRow
from stillair.storage.history import History
from stillair.storage.packing import Ints
from stillair.storage.tail import Series


class HallTail:
    """The readings that a hall has not packed yet. Thread-safe; raises `StoreError`."""

    def __init__(self, reader: Reads) -> None:
        self._reader = reader

    def held(self, chamber: str, start_ms: int, end_ms: int) -> dict[str, list[tuple[Ints, Ints]]]:
        """For each sensor pieces of instants and units that touch a stretch of time."""
        query = (
            select(col(TailRow.payload))
            .where(
                col(TailRow.chamber) == chamber,
                col(TailRow.first_ms) <= end_ms,
                col(TailRow.last_ms) >= start_ms,
            )
            .order_by(col(TailRow.id))
        )
        with self._reader.connection("the archive can't be read") as connection:
            rows = connection.execute(query).scalars().all()
        full, rest = cut(_named(chamber, each) for row in rows for each in series_of(row))
        pieces: dict[str, list[tuple[Ints, Ints]]] = {}
        for each in (*full, *rest):
            if each.times_ms[0] <= end_ms and each.times_ms[-1] >= start_ms:
                piece = (_ints(each.times_ms), _ints(each.units))
                pieces.setdefault(each.sensor, []).append(piece)
        return pieces

    def chambers(self) -> set[str]:
        """All chambers that were ever taken."""
        with self._reader.connection("the archive can't be read") as connection:
            return set(connection.execute(select(col(TakenRow.chamber))).scalars())


def _named(chamber: str, series: Series) -> Series:
    return Series(chamber, series.sensor, series.times_ms, series.units)


def _ints(numbers: array[int]) -> Ints:
    return np.frombuffer(numbers, np.int64)


# Of one that has all that came, and to which something still comes, nothing is lacking, however
# long ago the last of it was. One that is no copy, or no longer, may be old for ever: it is the
# hall's own only while a hall takes into it.
_BEHIND = """
SELECT CASE
    WHEN NOT pg_is_in_recovery() THEN (
        SELECT 0 FROM pg_locks JOIN pg_database ON pg_database.oid = database
        WHERE locktype = 'advisory' AND objid = :lock AND datname = current_database() LIMIT 1
    )
    WHEN pg_last_wal_receive_lsn() = pg_last_wal_replay_lsn()
        AND EXISTS (SELECT FROM pg_stat_wal_receiver WHERE pid IS NOT NULL) THEN 0
    ELSE greatest(0, extract(epoch FROM clock_timestamp() - pg_last_xact_replay_timestamp()))
END
"""


def behind_s(reader: Reads) -> float | None:
    """How old what a copy of the database has is, s; None where it can't know.

    Raises `StoreError`.

    References
    ----------
    PostgreSQL 15 documentation: "Recovery Control Functions", "pg_stat_wal_receiver".
    """
    with reader.connection("the copy that pages read can't be reached") as connection:
        found = connection.execute(text(_BEHIND), {"lock": LOCK}).scalar()
    return None if found is None else float(found)


def history_of(address: str, *, is_copy: bool = False) -> History:
    """Answer questions about the past of all chambers; a read-only replica will do (`is_copy`).

    Nothing is asked of the server yet.
    """
    reader = ServerReader(address, is_copy=is_copy)
    return History(reader, reader, HallTail(reader))
