"""The store of a hall in PostgreSQL: what came is written a round at a time, in one transaction.

    batch ──> ledger with present states ─┐
              tail, one row a message ────┼── COMMIT ──> words: how far each chamber is taken
              taken, one row a chamber ───┘
    pack:     tail ──> stretch and summary, as on a board

All of it goes over one connection, which also holds the lock by which a store has one taker:
who has lost the connection has lost the lock, and nothing more can be written by mistake.
"""

from __future__ import annotations

import json
import logging
import secrets
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import Engine, insert, select, text, update
from sqlalchemy.engine import Connection
from sqlalchemy.exc import SQLAlchemyError
from sqlmodel import col

from stillair.database import bring_tables_up_to_date, store_errors
from stillair.database.server import place_of, server_engine, took_too_long, was_refused
from stillair.errors import StoreError
from stillair.model import Kind
from stillair.storage import hall_rows, migrations
from stillair.storage.erasing import rows_of_job
from stillair.storage.hall_batches import (
    Came,
    Cursor,
    EntryCame,
    Waiting,
    Whose,
    behind,
)
from stillair.storage.hall_forgetting import QuietRows, forget_readings
from stillair.storage.hall_rows import columns
from stillair.storage.hall_tables import LOCK, HallMark, PinNumber, TakenRow
from stillair.storage.kept_lines import CLASSES, ERASED
from stillair.storage.onward import MOST_SENSORS
from stillair.storage.present import stand
from stillair.storage.records import load
from stillair.storage.steps import read_step
from stillair.storage.tables import AlarmRow, JobRow, JobSaid, Ledger, StandingEvent
from stillair.storage.tail import Series

if TYPE_CHECKING:
    from stillair.database.bounded import Lines

log = logging.getLogger(__name__)

_LABELLED = (Ledger, AlarmRow, JobRow, JobSaid, StandingEvent)
# By chamber and boot when second 0 was, of clocks that were set: of several steps the last counts,
# for each touches all rows of the boot.
_Zeros = dict[tuple[str, str], int]
_ENTRIES = """
INSERT INTO ledger (parcel, part, chamber, topic, kind, job, event, boot_id, mono_s, at_us,
    made_with, body)
SELECT parcel, part, chamber, topic, kind, job, event, boot_id, mono_s, at_us, made_with, body
FROM unnest(CAST(:parcel AS text[]), CAST(:part AS int[]), CAST(:chamber AS text[]),
    CAST(:topic AS text[]), CAST(:kind AS text[]), CAST(:job AS text[]), CAST(:event AS int[]),
    CAST(:boot_id AS text[]), CAST(:mono_s AS float8[]), CAST(:at_us AS bigint[]),
    CAST(:made_with AS text[]), CAST(:body AS text[])) WITH ORDINALITY
    AS came(parcel, part, chamber, topic, kind, job, event, boot_id, mono_s, at_us, made_with,
    body, n)
ORDER BY n ON CONFLICT (chamber, parcel, part) DO NOTHING RETURNING seq, chamber, parcel, part
"""
_TAKEN = """
INSERT INTO taken (chamber, board, key, seq, parcel, lane, sensors)
SELECT * FROM unnest(CAST(:chamber AS text[]), CAST(:board AS text[]), CAST(:key AS text[]),
    CAST(:seq AS bigint[]), CAST(:parcel AS text[]), CAST(:lane AS bigint[]),
    CAST(:sensors AS text[]))
ON CONFLICT (chamber) DO UPDATE SET seq = excluded.seq, parcel = excluded.parcel,
    lane = excluded.lane, sensors = excluded.sensors
"""


class StoreInUseError(StoreError):
    """Another hall takes into this store."""


@dataclass(slots=True)
class Written:
    """What became of a batch: how far its chambers are now, and how much of it was new.

    `refused` names chambers of which something doesn't fit the tables, and says why.
    """

    cursors: dict[str, Cursor] = field(default_factory=dict)
    entries: int = 0
    readings: int = 0
    refused: list[tuple[str, str]] = field(default_factory=list)

    def add(self, other: Written) -> Written:
        """Both."""
        return Written(
            {**self.cursors, **other.cursors},
            self.entries + other.entries,
            self.readings + other.readings,
            [*self.refused, *other.refused],
        )


class HallStore:
    """Write what boards send. For one thread; every method raises `StoreError`.

    After such an error it is of no more use: close it and open another.

    Attributes
    ----------
    mark : str
        By which boards know this store again.
    """

    def __init__(self, engine: Engine, lines: Lines, connection: Connection) -> None:
        self.mark = ""
        self._engine = engine
        self._lines = lines
        self._connection = connection
        self._is_lost = False
        self._cursors: dict[str, Cursor] = {}
        self._waiting: dict[str, Waiting] = {}
        self._quiet = QuietRows()

    @classmethod
    def open(
        cls, address: str, *, make_mark: Callable[[], str] = lambda: secrets.token_hex(6)
    ) -> HallStore:
        """The store at an address, its tables up to date, taken by nobody else.

        Raises `StoreInUseError` where another hall takes, `StoreError` for all else.
        """
        engine, lines = server_engine(address)
        store: HallStore | None = None
        try:
            with store_errors("the hall's database can't be reached"):
                store = cls(engine, lines, engine.connect())
            store._begin(address, make_mark)
            return store
        except BaseException:
            if store is not None:
                store.close()
            engine.dispose()
            raise

    def close(self) -> None:
        """Let it go, and with it the lock; harmless twice."""
        with suppress(SQLAlchemyError):
            self._connection.close()
        self._engine.dispose()

    def cut(self) -> None:
        """From another thread: end it where it is. What was under way raises `StoreError`."""
        self._lines.cut()

    def cursors(self) -> list[Cursor]:
        """How far each chamber is."""
        return list(self._cursors.values())

    def check(self) -> None:
        """Ask whether the server is still there."""
        with self._transaction("the hall's database can't be reached") as connection:
            connection.execute(text("SELECT 1"))

    def write(self, batch: Sequence[Came]) -> Written:
        """Keep what came, in its order; what the answer says is on the server's disk.

        What doesn't fit the tables is left out, and nothing else of the batch.
        """
        try:
            return self._write(batch)
        except StoreError as error:
            if not was_refused(error.__cause__):
                raise
            if len(batch) > 1:
                middle = len(batch) // 2
                return self.write(batch[:middle]).add(self.write(batch[middle:]))
            left_out = self._write([_emptied(batch[0])])
            left_out.refused.append((batch[0].of.chamber, str(error)))
            return left_out

    def pack(self, most: int) -> int:
        """Pack what is full of at most so many chambers; returns of how many."""
        due = [name for name, waiting in self._waiting.items() if waiting.is_due][:most]
        for chamber in due:
            try:
                self._pack(chamber)
            except StoreError as error:
                if not was_refused(error.__cause__):
                    raise
                log.error("readings of %s are not packed: %s", chamber, error)
                self._waiting[chamber] = Waiting()  # tried again when as much has come
        return len(due)

    def forget(self, keep_ms: int, now_ms: int) -> bool:
        """Give up a little of what is older than that; True where there may be more.

        Old is what is so old by the hall's clock and by the newest reading of any board, so that
        no clock that runs ahead gives up what is kept.
        """
        newest_ms = max(
            (ms for of in self._cursors.values() for ms in of.sensors.values()), default=0
        )
        before_ms = min(now_ms, newest_ms) - keep_ms
        try:
            with self._transaction("old readings can't be removed") as connection:
                removed = forget_readings(connection, before_ms)
            if not removed:
                with self._transaction("old rows can't be removed") as connection:
                    removed = self._quiet.forget(connection, before_ms * 1000)
        except StoreError as error:
            # Else what is given up at leisure would end the taking, again and again.
            if self._is_lost:
                raise
            log.error("what is old stays: %s", error)
            return False
        return removed > 0

    # --- opening ---------------------------------------------------------------------

    def _begin(self, address: str, make_mark: Callable[[], str]) -> None:
        with self._transaction("the hall's database can't be used") as connection:
            query = text("SELECT pg_try_advisory_lock(:lock)")
            if not connection.execute(query, {"lock": LOCK}).scalar():
                raise StoreInUseError(f"another hall takes into {place_of(address)}")
        with self._transaction("tables can't be brought up to date") as connection:
            bring_tables_up_to_date(connection, migrations.HALL)
        with self._transaction("the hall's database can't be used") as connection:
            mark = connection.execute(select(col(HallMark.mark))).scalar()
            if mark is None:
                mark = make_mark()
                connection.execute(insert(HallMark).values(id=1, mark=mark))
            for row in connection.execute(select(TakenRow)).mappings():
                of = Whose(row["chamber"], row["board"], row["key"])
                sensors = json.loads(row["sensors"])
                self._cursors[of.chamber] = Cursor(
                    of, row["seq"], row["parcel"], row["lane"], sensors
                )
            query = text(
                "SELECT chamber, sum(count), min(first_ms), max(last_ms) FROM tail GROUP BY chamber"
            )
            for chamber, count, first_ms, last_ms in connection.execute(query):
                self._waiting[chamber] = Waiting(int(count), first_ms, last_ms)
        self.mark = mark

    @contextmanager
    def _transaction(self, doing: str) -> Iterator[Connection]:
        if self._is_lost:
            raise StoreError(f"{doing}: the connection to the store is lost")
        try:
            with store_errors(doing), self._connection.begin():
                yield self._connection
        except StoreError as error:
            # It would connect anew by itself, without the lock.
            cause = error.__cause__
            self._is_lost = not (was_refused(cause) or took_too_long(cause))
            raise

    # --- a round ---------------------------------------------------------------------

    def _write(self, batch: Sequence[Came]) -> Written:
        written = Written()
        tail: list[tuple[str, list[Series]]] = []
        entries: list[EntryCame] = []
        for came in batch:
            chamber = came.of.chamber
            cursor = written.cursors.get(chamber) or self._cursors.get(chamber) or Cursor(came.of)
            if came.is_behind_gap(cursor):
                pass  # its board is told how far it is, and begins there
            elif isinstance(came, EntryCame):
                entries.append(came)
                cursor = replace(cursor, seq=came.seq, parcel=came.parcel)
            else:
                after, fresh = behind(cursor, came)
                if len(after.sensors) > MOST_SENSORS:
                    why = f"it has more than {MOST_SENSORS} sensors"
                    written.refused.append((chamber, why))
                    continue
                cursor = after
                if fresh:
                    tail.append((chamber, fresh))
                    written.readings += sum(len(series.times_ms) for series in fresh)
            written.cursors[chamber] = cursor
        moved = [each for name, each in written.cursors.items() if each != self._cursors.get(name)]
        if moved or entries:
            with self._transaction("what came can't be kept") as connection:
                written.entries = _keep_entries(connection, entries)
                for each in entries:
                    if each.line is not None:
                        self._quiet.came(each.line.at_us)
                rows = hall_rows.keep_tail(connection, tail)
                _keep_cursors(connection, moved)
            for row in rows:
                waiting = self._waiting.setdefault(row["chamber"], Waiting())
                waiting.add(row["count"], row["first_ms"], row["last_ms"])
        self._cursors.update(written.cursors)
        return written

    # --- packing ---------------------------------------------------------------------

    def _pack(self, chamber: str) -> None:
        """Make rows of what is full, and one row of the tail of what is not, or change nothing."""
        waiting = Waiting()
        with self._transaction("readings can't be packed") as connection:
            for row in hall_rows.pack(connection, chamber):
                waiting.add(row["count"], row["first_ms"], row["last_ms"])
        self._waiting[chamber] = waiting


def _emptied(came: Came) -> Came:
    return replace(came, line=None) if isinstance(came, EntryCame) else replace(came, sensors={})


def _keep_cursors(connection: Connection, cursors: Sequence[Cursor]) -> None:
    rows = [
        {
            "chamber": each.of.chamber,
            "board": each.of.board,
            "key": each.of.key,
            "seq": each.seq,
            "parcel": each.parcel,
            "lane": each.lane,
            "sensors": json.dumps(each.sensors, separators=(",", ":")),
        }
        for each in cursors
    ]
    if rows:
        connection.execute(text(_TAKEN), columns(rows))


# --- entries -----------------------------------------------------------------------------


def _keep_entries(connection: Connection, came: Sequence[EntryCame]) -> int:
    """Append those that are new, with the present states that follow; returns how many."""
    kept = 0
    zeros_us: _Zeros = {}
    group: list[EntryCame] = []
    for each in came:
        if each.line is None:
            continue
        if each.line.topic == "pin" and each.line.body.get("takes_back") is not None:
            kept += _append(connection, group, zeros_us)  # what it takes back may be among them
            group = []
            each = replace(each, line=_pin_here(connection, each))
        group.append(each)
    kept += _append(connection, group, zeros_us)
    for (chamber, boot), zero_us in zeros_us.items():
        _relabel(connection, chamber, boot, zero_us)
    return kept


def _append(connection: Connection, came: Sequence[EntryCame], zeros_us: _Zeros) -> int:
    """The same without a pin that is taken back; notes in `zeros_us` whose clock was set."""
    rows: list[dict[str, Any]] = []
    for each in came:
        line = each.line
        assert line is not None
        rows.append(
            {
                "parcel": line.parcel,
                "part": line.part,
                "chamber": line.chamber,
                "topic": line.topic,
                "kind": line.kind,
                "job": None if line.topic == ERASED else line.job,
                "event": line.event,
                "boot_id": line.boot,
                "mono_s": line.mono_s,
                "at_us": line.at_us,
                "made_with": line.made_with,
                "body": json.dumps(line.body, separators=(",", ":"), allow_nan=False),
            }
        )
    if not rows:
        return 0
    found = connection.execute(text(_ENTRIES), columns(rows))
    new = {(chamber, parcel, part): seq for seq, chamber, parcel, part in found}
    kept = 0
    for each, row in zip(came, rows, strict=True):
        seq = new.pop((row["chamber"], row["parcel"], row["part"]), None)
        if seq is not None:
            kept += 1
            _follow(connection, each, row, seq)
            is_clock = row["kind"] == Kind.CLOCK_FAULT.value
            if is_clock and (step := read_step(row["mono_s"], row["body"])):
                zeros_us[row["chamber"], row["boot_id"]] = round(step.zero_after_s * 1e6)
    return kept


def _follow(connection: Connection, came: EntryCame, row: dict[str, Any], seq: int) -> None:
    """What follows from a row that is new."""
    if row["topic"] == ERASED:
        zero_ms, told = row["at_us"] / 1e3 - row["mono_s"] * 1e3, json.loads(row["body"])
        rows_of_job(connection, told["job"])
        span_ms = (round(zero_ms + told[name] * 1e3) for name in ("begun_s", "over_s"))
        hall_rows.erase(connection, row["chamber"], *span_ms)
        return
    place = {name: row[name] for name in ("chamber", "boot_id", "mono_s", "at_us", "body")}
    value = load(CLASSES[row["topic"]], row["body"])
    stand(connection, value, seq=seq, job=row["job"], word=row["kind"], place=place)
    if row["topic"] == "pin":
        there = {"chamber": row["chamber"], "there": came.seq}
        connection.execute(
            text(
                "INSERT INTO pin_number (chamber, there, here) VALUES (:chamber, :there, :here)"
                " ON CONFLICT (chamber, there) DO UPDATE SET here = excluded.here"
            ),
            {**there, "here": seq},
        )


def _relabel(connection: Connection, chamber: str, boot: str, zero_us: int) -> None:
    """As the board has done: rows of its boot get the labels of the clock as it is now."""
    for table in _LABELLED:
        connection.execute(
            update(table)
            .where(col(table.boot_id) == boot, col(table.chamber) == chamber)
            .values(at_us=zero_us + col(table.mono_s) * 1e6)
        )


def _pin_here(connection: Connection, came: EntryCame) -> Any:
    """The word that takes a pin back, with the number that the pin has here."""
    line = came.line
    assert line is not None
    query = select(col(PinNumber.here)).where(
        col(PinNumber.chamber) == line.chamber,
        col(PinNumber.there) == line.body["takes_back"],
    )
    return replace(line, body={**line.body, "takes_back": connection.execute(query).scalar() or 0})
