"""Read on in what is kept, from where somebody was, for who hands it on elsewhere.

Both questions are answered in the order in which things happened and by a bounded number of
rows, so that who has been away for weeks comes by them in small steps.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from sqlalchemy import select
from sqlmodel import col

from stillair.database import Reader
from stillair.storage import kept_lines
from stillair.storage.kept_lines import CLASSES, ERASED, KeptLine
from stillair.storage.readings import Piece, Readings
from stillair.storage.tables import Ledger

log = logging.getLogger(__name__)

LINES = 100  # of the ledger, read at once
SPAN_MS = 3_600_000  # looked through first: the next few readings lie within it but for gaps
MOST_SENSORS = 1_000  # of a chamber, in all that a hall says that it has of it
_NOTHING = np.zeros(0, np.int64)


@dataclass(frozen=True, slots=True)
class Lines:
    """The next lines with their numbers; `to` is the last number that was looked at.

    `are_all`: there are no more behind it.
    """

    lines: tuple[tuple[int, KeptLine], ...]
    to: int
    are_all: bool


@dataclass(frozen=True, slots=True)
class NextReadings:
    """The next readings of each sensor that has any, all there are up to `through_ms`.

    Instants are milliseconds since the epoch, values units of 10^-7 K. `more`: further ones
    were asked for.
    """

    pieces: Mapping[str, Piece]
    through_ms: int
    more: bool


class Onward:
    """Read on in a journal and an archive. Thread-safe; every method raises `StoreError`."""

    def __init__(self, journal: Path, readings: Readings) -> None:
        self._journal = Reader(journal, pool_size=1)
        self._readings = readings

    def close(self) -> None:
        """Let the files go; harmless twice."""
        self._journal.close()
        self._readings.close()

    def parcel_at(self, seq: int) -> str | None:
        """The parcel of the row of that number, by which a journal is known again."""
        query = select(col(Ledger.parcel)).where(col(Ledger.seq) == seq)
        with self._journal.connection("the journal can't be read") as connection:
            return connection.execute(query).scalar()

    def last_seq(self) -> int:
        """The number of the newest row, 0 if there is none."""
        query = select(col(Ledger.seq)).order_by(col(Ledger.seq).desc()).limit(1)
        with self._journal.connection("the journal can't be read") as connection:
            return connection.execute(query).scalar() or 0

    def lines(self, chamber: str, after: int) -> Lines:
        """What happened in a chamber behind row `after`, oldest first.

        Only what other programs may read: how duties stand on this board is no line, and
        neither is what was brought in, which has numbers below zero. And which jobs are erased.
        """
        query = (
            select(Ledger)
            .where(col(Ledger.seq) > max(after, 0), col(Ledger.chamber) == chamber)
            .order_by(col(Ledger.seq))
            .limit(LINES)
        )
        with self._journal.connection("the journal can't be read") as connection:
            rows = connection.execute(query).mappings().all()
        lines = []
        for row in rows:
            if row["topic"] in CLASSES or row["topic"] == ERASED:
                of_row = kept_lines.of_erased if row["topic"] == ERASED else kept_lines.of_row
                try:
                    lines.append((row["seq"], of_row(dict(row))))
                except (ValueError, RecursionError) as error:
                    log.warning("entry %d is not handed on: %s", row["seq"], error)
        to = rows[-1]["seq"] if rows else max(after, 0)
        return Lines(tuple(lines), to, len(rows) < LINES)

    def readings(
        self, chamber: str, spans_ms: Mapping[str, tuple[int, int]], most: int
    ) -> NextReadings:
        """About `most` readings behind the first and up to the second instant of each span.

        In the order of time over all sensors: none is left out before `through_ms`.
        """
        begin_ms = min(after_ms for after_ms, _ in spans_ms.values())
        end_ms = last_ms = max(until_ms for _, until_ms in spans_ms.values())
        found: dict[str, Piece] = {}
        for width_ms in (SPAN_MS, last_ms - begin_ms):
            end_ms = min(begin_ms + width_ms, last_ms)
            found = {
                sensor: piece
                for sensor, (after_ms, until_ms) in spans_ms.items()
                if len((piece := self._some(chamber, sensor, after_ms, until_ms, end_ms, most))[0])
            }
            if found:
                break
        through_ms = end_ms
        for times_ms, _ in found.values():
            if len(times_ms) >= most:  # there may be more of it
                through_ms = min(through_ms, int(times_ms[-1]))
        instants = np.concatenate([_NOTHING, *(times_ms for times_ms, _ in found.values())])
        instants = instants[instants <= through_ms]
        if len(instants) > most:
            through_ms = int(np.partition(instants, most - 1)[most - 1])
        pieces = {}
        for sensor, (times_ms, units) in found.items():
            count = int(np.searchsorted(times_ms, through_ms, "right"))
            if count:
                pieces[sensor] = (times_ms[:count], units[:count])
        return NextReadings(pieces, through_ms, through_ms < last_ms)

    def _some(
        self, chamber: str, sensor: str, after_ms: int, until_ms: int, end_ms: int, most: int
    ) -> Piece:
        """The first of one sensor's readings, at most `most`."""
        last_ms = min(until_ms, end_ms)
        if after_ms >= last_ms:
            return _NOTHING, _NOTHING
        taken: list[Piece] = []
        count = 0
        for piece in self._readings.pieces(chamber, sensor, after_ms + 1, last_ms):
            taken.append(piece)
            count += len(piece[0])
            if count >= most:
                break
        if not count:
            return _NOTHING, _NOTHING
        times_ms = np.concatenate([times for times, _ in taken])
        units = np.concatenate([values for _, values in taken])
        return times_ms[:most], units[:most]
