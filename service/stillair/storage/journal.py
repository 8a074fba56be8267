"""The journal: what has been decided and told, durable before anyone is shown it as kept.

All that follows from one stimulus is written in one transaction with
`synchronous=FULL`: an alarm never exists without its notices, nor a notice
without its alarm. The ledger is append-only; the tables beside it hold the
present state, so that a restart reads a few rows and not a history.

    outcome -> Journal.commit -> Entry, Entry, ...   (with their numbers)

A file that is damaged is set aside under a dated name and a new one begun;
`repaired` then says so. A file that can't be used just now (full disk, no
right) is tried again at the next call, so that a service can start without it.
"""

from __future__ import annotations

import hashlib
import json
import logging
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, RowMapping, insert, select, update
from sqlalchemy.engine import Connection
from sqlmodel import col

from stillair.database import DamagedStoreError, inodes_of, open_store, put_back, store_errors
from stillair.errors import StoreError
from stillair.model import (
    AlarmState,
    AlarmTestState,
    EventChange,
    EventJudged,
    HeightPin,
    Job,
    JobDiagnosis,
    JobNote,
    LogTold,
    Outcome,
    OutcomeTold,
    Timeline,
    WatchMemory,
)
from stillair.model.duties import TOPICS, topic_of
from stillair.storage import items, migrations, outbox, ran_under
from stillair.storage.memory import known
from stillair.storage.outbox import micros
from stillair.storage.present import stand
from stillair.storage.records import Parcel, dump, load
from stillair.storage.rescue import rescue
from stillair.storage.tables import (
    AlarmRow,
    ChamberMemory,
    ClipRow,
    JobRow,
    JobSaid,
    Ledger,
    PictureRow,
    StandingEvent,
    WatchMark,
)

log = logging.getLogger(__name__)

_LABELLED = (Ledger, AlarmRow, JobRow, JobSaid, StandingEvent, WatchMark, PictureRow, ClipRow)
BUSY_S = 10.0  # a hundred times what the longest transaction takes on a slow card
CLOSE_S = 1.0


@dataclass(frozen=True, slots=True)
class Entry:
    """One row of the ledger, its body as other programs see it."""

    seq: int
    topic: str
    body: items.Item


def read_entry(row: RowMapping) -> Entry:
    """The entry that a row of the ledger holds. Raises `ValueError` if its body is broken."""
    timeline = Timeline(row["boot_id"], row["at_us"] / 1e6 - row["mono_s"])
    return _entry(row["seq"], row["topic"], row["chamber"], row["made_with"], timeline, row["body"])


def _entry(
    seq: int, topic: str, chamber: str, made_with: str, timeline: Timeline, body: str
) -> Entry:
    match topic:
        case "event":
            item = items.event_item(load(EventChange, body), chamber, timeline, seq)
            item["made_with"] = made_with
        case "alarm":
            item = items.alarm_item(load(AlarmState, body), timeline, seq)
        case "job":
            item = items.job_item(load(Job, body), timeline, seq)
        case "note":
            item = items.note_item(load(JobNote, body), chamber, timeline, seq)
        case "pin":
            item = items.pin_item(load(HeightPin, body), chamber, timeline, seq)
        case "outcome":
            item = items.outcome_item(load(OutcomeTold, body), chamber, timeline, seq)
        case "log":
            item = items.log_told_item(load(LogTold, body), chamber, timeline, seq)
        case "diagnosis":
            item = items.diagnosis_item(load(JobDiagnosis, body), chamber, timeline, seq)
        case "judgement":
            item = items.judgement_item(load(EventJudged, body), chamber, timeline, seq)
        case "brought" | "erased":
            at = items.label(timeline.epoch_s(0.0))
            item = {**json.loads(body), "seq": seq, "chamber": chamber, "at": at}
        case _ if topic in TOPICS:
            item = items.duty_item(load(TOPICS[topic], body), chamber, timeline, seq)
        case _:
            raise ValueError(f"no such topic: {topic}")
    return Entry(seq, topic, item)


class Journal:
    """Keep outcomes; know after a restart what stood before it. Thread-safe, one writer.

    Parameters
    ----------
    path : Path
        The journal's file; its folder is made if it isn't there.
    wall : callable
        The wall-clock time, for the name of a file that has to be set aside.

    Attributes
    ----------
    repaired : str or None
        One sentence if a damaged file was set aside since the start.
    made_with : dict
        For each chamber the version of the program and a hash of the settings
        with which its events are made; written beside each row.
    settings : dict
        For each chamber these settings, without what is private; kept with its jobs.
    """

    def __init__(
        self, path: Path, *, wall: Callable[[], datetime] = lambda: datetime.now(UTC)
    ) -> None:
        self.path = path
        self.repaired: str | None = None
        self.made_with: dict[str, str] = {}
        self.settings: dict[str, str] = {}
        self._wall = wall
        self._lock = threading.RLock()
        self._engine: Engine | None = None
        self._inodes: tuple[int | None, int | None] = (None, None)

    @classmethod
    def open(
        cls, path: Path, *, wall: Callable[[], datetime] = lambda: datetime.now(UTC)
    ) -> Journal:
        """A journal that is ready for use. Raises `StoreError`."""
        journal = cls(path, wall=wall)
        journal.ready()
        return journal

    def ready(self) -> None:
        """Open the file unless it is open. Raises `StoreError`."""
        with self._lock:
            if self._engine is not None and self._inodes != inodes_of(self.path):
                # Rows would go where nobody finds them.
                self.repaired = put_back(self._engine, self.path, self._inodes[0])
                self._engine = None
            if self._engine is None:
                self._engine, repaired = open_store(
                    self.path, migrations.JOURNAL, rescue=rescue, wall=self._wall
                )
                self.repaired = repaired or self.repaired
                self._inodes = inodes_of(self.path)

    def close(self) -> None:
        """Let the file go; it is opened again at the next call. Harmless twice.

        A disk that hangs has it until the process ends: nobody waits longer than 1 s.
        """
        if not self._lock.acquire(timeout=CLOSE_S):
            log.warning("the journal was not closed: the disk does not answer")
            return
        try:
            if self._engine is not None:
                self._engine.dispose()
                self._engine = None
        finally:
            self._lock.release()

    # --- writing -----------------------------------------------------------

    def commit(self, outcome: Outcome, timeline: Timeline) -> list[Entry]:
        """Keep all of one outcome in one transaction. Raises `StoreError`."""
        return self.commit_all([Parcel(outcome, timeline)])[0]

    def commit_all(self, parcels: Sequence[Parcel]) -> list[list[Entry]]:
        """Keep several outcomes, in order, in one transaction: all of them or none.

        A parcel that is there already is left alone and its entries are
        returned. Raises `StoreError`.
        """
        with self.transaction("the journal can't keep what happened") as connection:
            return [self._keep(connection, parcel) for parcel in parcels]

    def mark_seen(self, chamber: str, timeline: Timeline, t_s: float) -> None:
        """Note that the chamber is being watched; every half minute is enough.

        Raises `StoreError`.
        """
        with self.transaction("the journal can't note the time") as connection:
            self._mark(connection, chamber, timeline, t_s)

    def relabel(self, timeline: Timeline) -> int:
        """Give all rows of this boot the labels of a clock that is known only now.

        A boot id stands for one timeline: chambers in real time share theirs,
        one that is played faster has its own. Readings in the archive keep
        their labels; `storage.steps` finds a job's all the same.

        Returns how many rows of the ledger changed. Raises `StoreError`.
        """
        zero_us = micros(timeline.wall_at_zero_s)
        changed = 0
        with self.transaction("the journal can't be relabelled") as connection:
            for table in _LABELLED:
                result = connection.execute(
                    update(table)
                    .where(col(table.boot_id) == timeline.boot_id)
                    .values(at_us=zero_us + col(table.mono_s) * 1e6)
                )
                changed += result.rowcount if table is Ledger else 0
        return changed

    def remember(self, chamber: str, body: str) -> None:
        """Keep what a chamber's watch has learned, in place of what was kept before.

        Raises `StoreError`.
        """
        values = {
            "at_us": micros(self._wall().timestamp()),
            "digest": _digest(body),
            "body": body,
        }
        with self.transaction("what was learned can't be kept") as connection:
            changed = connection.execute(
                update(ChamberMemory).where(col(ChamberMemory.chamber) == chamber).values(**values)
            )
            if changed.rowcount == 0:
                connection.execute(insert(ChamberMemory).values(chamber=chamber, **values))

    def remembered(self, chamber: str) -> str | None:
        """What `remember` was given last; None if nothing was, or it is damaged.

        Raises `StoreError`.
        """
        with self.transaction("what was learned can't be read") as connection:
            row = (
                connection.execute(
                    select(ChamberMemory).where(col(ChamberMemory.chamber) == chamber)
                )
                .mappings()
                .first()
            )
        if row is None:
            return None
        body, digest = row["body"], row["digest"]
        if not isinstance(body, str) or digest != _digest(body):
            log.warning("%s: what was learned is damaged and is learned anew", chamber)
            return None
        return body

    # --- the outbox ---------------------------------------------------------

    def waiting_notices(self, limit: int = 50) -> list[outbox.NoticeRow]:
        """Notices neither sent nor given up, each route's most urgent first.

        Raises `StoreError`.
        """
        with self.transaction("the outbox can't be read") as connection:
            return outbox.waiting(connection, limit)

    def record_delivery(
        self, key: str, *, at: datetime, sent: bool, outcome: str, next_try_at: datetime | None
    ) -> None:
        """Keep how one try ended; without a next try a notice not sent has failed for good.

        Raises `StoreError`.
        """
        with self.transaction("the outcome of a message can't be kept") as connection:
            outbox.record(connection, key, at, sent, outcome, next_try_at)

    def record_superseded(self, key: str) -> None:
        """Keep that a newer word goes in a notice's place. Raises `StoreError`."""
        with self.transaction("the outcome of a message can't be kept") as connection:
            outbox.supersede(connection, key)

    def withdraw(self, keys: str) -> int:
        """Send no more of the notices whose key begins with `keys`; returns how many those were.

        Raises `StoreError`.
        """
        with self.transaction("messages can't be withdrawn") as connection:
            return outbox.withdraw(connection, keys)

    # --- after a restart ---------------------------------------------------

    def memory(self, chamber: str, timeline: Timeline) -> WatchMemory:
        """What was known of a chamber, in the seconds of the boot that `timeline` describes.

        Within one boot seconds stay as they are; across boots they are placed
        by wall-clock labels, so a clock that was wrong in between may put
        `last_seen_s` after the present. Shelving has ended. Raises `StoreError`.
        """
        with self.transaction("the journal can't be read") as connection:
            return known(connection, chamber, timeline)

    # --- inside ------------------------------------------------------------

    @contextmanager
    def transaction(self, doing: str) -> Iterator[Connection]:
        """One transaction, for the other modules of this room.

        Raises `StoreError`, also when another one has not ended for 10 s: who
        waits here is a thread that is missed elsewhere.
        """
        if not self._lock.acquire(timeout=BUSY_S):
            raise StoreError(f"{doing}: the disk has not answered for {BUSY_S:g} s")
        try:
            self.ready()
            assert self._engine is not None
            try:
                with store_errors(doing), self._engine.begin() as connection:
                    yield connection
            except DamagedStoreError:
                # The next call checks the file, sets it aside and begins a new one.
                self.close()
                raise
        finally:
            self._lock.release()

    def write_back(self) -> None:
        """Empty the log beside the file, so that nothing erased stands there; as far as it can."""
        with suppress(StoreError), self._lock, store_errors("its log can't be written back"):
            if self._engine is not None:
                with closing(self._engine.raw_connection()) as raw:
                    raw.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def _keep(self, connection: Connection, parcel: Parcel) -> list[Entry]:
        kept = connection.execute(
            select(Ledger).where(col(Ledger.parcel) == parcel.id).order_by(col(Ledger.part))
        ).mappings()
        entries = [read_entry(row) for row in kept]
        outcome, timeline = parcel.outcome, parcel.timeline
        if not entries:
            for part, row in enumerate(_rows(outcome)):
                entries.append(self._append(connection, parcel, part, row))
        for notice in outcome.notices:
            outbox.post(connection, notice, timeline)
        self._mark(connection, outcome.chamber, timeline, outcome.t_s, outcome)
        return entries

    def _append(self, connection: Connection, parcel: Parcel, part: int, row: _Row) -> Entry:
        outcome, timeline = parcel.outcome, parcel.timeline
        made_with = self.made_with.get(outcome.chamber, "")
        place: dict[str, Any] = {
            "chamber": outcome.chamber,
            "boot_id": timeline.boot_id,
            "mono_s": row.mono_s,
            "at_us": micros(timeline.epoch_s(row.mono_s)),
            "body": dump(row.value),
        }
        result = connection.execute(
            insert(Ledger),
            {
                "parcel": parcel.id,
                "part": part,
                "topic": row.topic,
                "kind": row.kind,
                "job": row.job,
                "event": row.event,
                "made_with": made_with,
                **place,
            },
        )
        key = result.inserted_primary_key
        assert key is not None
        seq = int(key[0])
        stand(connection, row.value, seq=seq, job=row.job, word=row.kind, place=place)
        if isinstance(row.value, Job) and (told := self.settings.get(outcome.chamber)):
            ran_under.keep(connection, outcome.chamber, made_with, place["at_us"], told)
        return _entry(seq, row.topic, outcome.chamber, made_with, timeline, place["body"])

    @staticmethod
    def _mark(
        connection: Connection,
        chamber: str,
        timeline: Timeline,
        t_s: float,
        outcome: Outcome | None = None,
    ) -> None:
        mark = (
            connection.execute(select(WatchMark).where(col(WatchMark.chamber) == chamber))
            .mappings()
            .first()
        )
        values: dict[str, Any] = {
            "boot_id": timeline.boot_id,
            "mono_s": t_s,
            "at_us": micros(timeline.epoch_s(t_s)),
        }
        if mark and mark["boot_id"] == timeline.boot_id and mark["mono_s"] > t_s:
            # An outcome that had to wait says less than a later mark.
            values = {}
        if outcome is not None:
            events = [change.event + 1 for change in outcome.events]
            jobs = [_number(job.id) + 1 for job in outcome.jobs]
            values["next_event"] = max([*events, mark["next_event"] if mark else 1])
            values["next_job"] = max([*jobs, mark["next_job"] if mark else 1])
        if not mark:
            connection.execute(insert(WatchMark), {"chamber": chamber, **values})
        elif values:
            connection.execute(update(WatchMark).where(col(WatchMark.chamber) == chamber), values)


@dataclass(frozen=True, slots=True)
class _Row:
    """One part of an outcome on its way into the ledger."""

    topic: str
    kind: str
    job: str | None
    event: int | None
    mono_s: float
    value: Any  # of the model, and known to `_entry` by its topic


def _rows(outcome: Outcome) -> Iterator[_Row]:
    for job in outcome.jobs:
        yield _Row("job", job.state.value, job.id, None, outcome.t_s, job)
    for note in outcome.notes:
        yield _Row("note", "note", note.job, None, note.t_s, note)
    for pin in outcome.pins:
        yield _Row("pin", "pin", pin.job, None, pin.t_s, pin)
    for told in outcome.outcomes:
        yield _Row("outcome", told.outcome or "", told.job, None, told.t_s, told)
    for word in outcome.logs:
        yield _Row("log", "log", word.job, None, word.t_s, word)
    for found in outcome.diagnoses:
        yield _Row("diagnosis", "diagnosis", found.job, None, found.t_s, found)
    for judged in outcome.judgements:
        yield _Row("judgement", judged.kind.value, judged.job, judged.event, judged.t_s, judged)
    for duty in outcome.duties:
        topic = topic_of(duty)
        kind = duty.id if isinstance(duty, AlarmTestState) else topic
        yield _Row(topic, kind, None, None, outcome.t_s, duty)
    for change in outcome.events:
        yield _Row("event", change.kind.value, change.job, change.event, change.at_s, change)
    for alarm in outcome.alarms:
        yield _Row("alarm", alarm.kind.value, alarm.job, alarm.event, outcome.t_s, alarm)


def _digest(body: str) -> str:
    return hashlib.sha256(body.encode("utf-8", "surrogatepass")).hexdigest()


def _number(job_id: str) -> int:
    """The number at the end of a job's id, or 0."""
    digits = job_id.rpartition("-")[2]
    return int(digits) if digits.isascii() and digits.isdigit() else 0
