"""What a hall gives up once it is old: readings by their age, of the ledger quiet rows alone.

Quiet is what belongs to no job, tells of no danger and stands no longer, as on a board; all else
stays. A hall goes on taking meanwhile, so each step is one short transaction.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from contextlib import suppress
from typing import Any, Final

from sqlalchemy import delete, select, text, tuple_
from sqlalchemy.engine import Connection
from sqlmodel import col

from stillair.storage.hall_rows import refresh_rows
from stillair.storage.kept_lines import CLASSES
from stillair.storage.retention import DANGERS
from stillair.storage.tables import AlarmRow, Ledger, StandingEvent, Stretch

# An earlier label is that of a clock that was never set: how old it is isn't known.
FIRST_MS: Final = 1_767_225_600_000  # 2026-01-01
STEP_READINGS: Final = 100  # rows of packed readings: 0.3 s on a slow computer
STEP_ENTRIES: Final = 500  # rows of the ledger, looked at

_Row = Any


def forget_readings(connection: Connection, before_ms: int) -> int:
    """Remove some packed readings that ended before an instant; returns how many."""
    few = (
        select(*(col(each) for each in (Stretch.id, Stretch.chamber, Stretch.sensor)))
        .add_columns(col(Stretch.start_ms), col(Stretch.end_ms))
        .where(col(Stretch.end_ms) >= FIRST_MS, col(Stretch.end_ms) < before_ms)
        .limit(STEP_READINGS)
    )
    # Whatever comes first: to find the oldest all that is old would be read, at every step. And
    # where much is old the server would rather look through all there is.
    connection.execute(text("SET LOCAL enable_seqscan = off"))
    rows = connection.execute(few).all()
    connection.execute(delete(Stretch).where(col(Stretch.id).in_([row[0] for row in rows])))
    refresh_rows(connection, [(row[1], row[2], row[3], row[4]) for row in rows])
    return len(rows)


class QuietRows:
    """Looks through the ledger once, topic by topic, from the oldest row on.

    What stays once stays for good, but for what stood then: that is looked at anew by the next
    process. So however much stays, a step costs the same.
    """

    def __init__(self) -> None:
        # Label and number of the last row of each topic.
        self._looked = dict.fromkeys(CLASSES, (FIRST_MS * 1000, 0))

    def came(self, at_us: int) -> None:
        """A row has come with that label: the next look is at that as well."""
        for topic, (looked_us, _) in self._looked.items():
            if FIRST_MS * 1000 < at_us <= looked_us:
                self._looked[topic] = (at_us - 1, 0)

    def forget(self, connection: Connection, before_us: int) -> int:
        """Look at some more rows from before an instant; returns how many, 0 once all are."""
        columns = (Ledger.seq, Ledger.at_us, Ledger.kind, Ledger.job, Ledger.chamber)
        for topic, looked in self._looked.items():
            rows = connection.execute(
                select(*(col(each) for each in columns))
                .add_columns(col(Ledger.event), col(Ledger.body))
                .where(
                    col(Ledger.topic) == topic,
                    tuple_(col(Ledger.at_us), col(Ledger.seq)) > looked,
                    col(Ledger.at_us) < before_us,
                )
                .order_by(col(Ledger.at_us), col(Ledger.seq))
                .limit(STEP_ENTRIES)
            ).all()
            if rows:
                quiet = [row for row in rows if row.job is None and row.kind not in DANGERS]
                _remove(connection, topic, quiet)
                self._looked[topic] = (rows[-1].at_us, rows[-1].seq)
                return len(rows)
        return 0


def _remove(connection: Connection, topic: str, quiet: Sequence[_Row]) -> None:
    """Remove rows of one topic, but for what stands."""
    of = {row.seq: _state(topic, row) for row in quiet}
    stands: set[str] = set()
    if topic == "alarm":
        query = select(col(AlarmRow.id)).where(col(AlarmRow.standing))
        stands = set(connection.execute(query.where(col(AlarmRow.id).in_(of.values()))).scalars())
    elif topic in ("event", "judgement"):
        query = select(col(StandingEvent.id)).where(col(StandingEvent.id).in_(of.values()))
        stands = set(connection.execute(query).scalars())
    gone = [seq for seq, state in of.items() if state not in stands]
    connection.execute(delete(Ledger).where(col(Ledger.seq).in_(gone)))
    if topic == "alarm":
        connection.execute(
            delete(AlarmRow).where(
                col(AlarmRow.id).in_(of.values()),
                col(AlarmRow.seq).in_(gone),
                ~col(AlarmRow.standing),
            )
        )


def _state(topic: str, row: _Row) -> str:
    """What the present state is called that a row may be the newest of."""
    if topic == "alarm":
        with suppress(ValueError, TypeError, KeyError):
            return str(json.loads(row.body)["id"])
        return ""
    return f"{row.chamber}-{row.event}"
