"""Read what has been kept: entries of the ledger, jobs, alarms, notices, readings.

Every answer is bounded and every read short, so that a slow page holds up
neither the writer nor the write-ahead log.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Select, func, or_, select
from sqlmodel import col

from stillair.database import Reads, plain, reads_of
from stillair.model import (
    AlarmState,
    AlarmTestState,
    Job,
    JobDiagnosis,
    JobOutcome,
    JobPhase,
    JsonValue,
    Kind,
    LogKept,
    OutcomeTold,
    Timeline,
)
from stillair.storage import items, steps
from stillair.storage.clips import Clips
from stillair.storage.courses import Courses
from stillair.storage.journal import Entry, read_entry
from stillair.storage.left import Places
from stillair.storage.logs import Logs
from stillair.storage.outbox import NoticeRow, Taken, last_taken, micros, read_notice, tries_of
from stillair.storage.pictures import Pictures
from stillair.storage.ran_under import RanUnder
from stillair.storage.readings import Live, ReadingRows, Readings
from stillair.storage.records import load, readable, shifted
from stillair.storage.tables import AlarmRow, JobRow, JobSaid, Ledger, NoticeTable
from stillair.storage.toolpaths import Toolpaths

log = logging.getLogger(__name__)

MOST_SAID = 500  # jobs looked through for the last sound one, or for earlier diagnoses
MOST_ITEMS = 1_000
MOST_CHANGES = 200  # of one event, read to know what it was
_OVER = (JobPhase.COOLING.value, JobPhase.FINISHED.value)
MOST_STEPS = 100  # of one boot's clock; who has more has another trouble


@dataclass(frozen=True, slots=True)
class Page:
    """Some entries, newest last; `next` is the `after` of the next page, None at the end."""

    entries: tuple[Entry, ...]
    next: int | None

    def body(self) -> dict[str, JsonValue]:
        """As lists are answered: items and next."""
        return {"items": [entry.body for entry in self.entries], "next": self.next}


class History:
    """Answer questions about the past. Thread-safe; every method raises `StoreError`.

    `journal` and `archive` are files, or who reads their tables elsewhere. `live` holds the
    newest readings, as the archive of this process does in its memory; without it they are
    read from the tail file. `catch_up` has the journal get the newest heights of a job: for who
    asks how one went, or is asked by a person.
    """

    def __init__(
        self,
        journal: Path | Reads,
        archive: Path | Reads,
        live: Live | None = None,
        catch_up: Callable[[], object] = lambda: None,
    ) -> None:
        self._journal = reads_of(journal)
        self.catch_up = catch_up
        self._readings = Readings(archive, live)

    def close(self) -> None:
        """Let the files go; harmless twice."""
        self._journal.close()
        self._readings.close()

    # --- readings --------------------------------------------------------------

    def readings(
        self, chamber: str, start_s: float, end_s: float, points: int = 1_000
    ) -> dict[str, JsonValue]:
        """Columns for a chart; see `Readings.columns`."""
        return self._readings.columns(chamber, start_s, end_s, points)

    @property
    def damaged(self) -> int:
        """How many rows of readings were left out because they are damaged."""
        return self._readings.damaged

    def measured_chambers(self) -> list[str]:
        """Chambers of which readings are kept."""
        return self._readings.chambers()

    def iter_readings(self, chamber: str, start_s: float, end_s: float) -> ReadingRows:
        """All readings, row by row, for an export; see `Readings.rows`."""
        return self._readings.rows(chamber, start_s, end_s)

    def job_readings(
        self, job_id: str, start_s: float, end_s: float, points: int = 1_000
    ) -> dict[str, JsonValue]:
        """Columns for a chart of a stretch of a job, also where the clock was set since.

        Raises `KeyError` if there never was such a job.
        """
        row = self._job_row(job_id)
        return steps.columns(
            self._readings, row["chamber"], self._spans(row, start_s, end_s), points
        )

    def iter_job_readings(self, job_id: str, start_s: float, end_s: float) -> ReadingRows:
        """All readings of a stretch of a job, row by row; otherwise as `job_readings`."""
        row = self._job_row(job_id)
        return steps.rows(self._readings, row["chamber"], self._spans(row, start_s, end_s))

    # --- the ledger ----------------------------------------------------------

    def entries(
        self,
        after: int = 0,
        limit: int = 100,
        topic: str | None = None,
        *,
        chamber: str | None = None,
        job: str | None = None,
        kind: str | None = None,
        since_at: datetime | None = None,
        before: int | None = None,
        last: bool = False,
    ) -> Page:
        """Entries with a number above `after` that fit all that is asked for, newest last.

        From 0 on: all of them. What was brought in has numbers below that. `before` leaves
        out what has that number or a higher one; `last` takes the last `limit` of them
        instead of the first.
        """
        query = select(Ledger)
        if after:
            query = query.where(col(Ledger.seq) > after)
        for column, wanted in (
            (Ledger.topic, topic),
            (Ledger.chamber, chamber),
            (Ledger.job, job),
            (Ledger.kind, kind),
        ):
            if wanted is not None:
                query = query.where(col(column) == plain(wanted))
        if before is not None:
            query = query.where(col(Ledger.seq) < before)
        if since_at is not None:
            query = query.where(col(Ledger.at_us) >= micros(since_at.timestamp()))
        return self._page(query, col(Ledger.seq), limit, last, read_entry)

    def since(self, seq: int, limit: int) -> Page:
        """What happened here after an entry, for a page that was away; see `entries`."""
        query = select(Ledger).where(col(Ledger.seq) > max(seq, 0))
        return self._page(query, col(Ledger.seq), limit, False, read_entry)

    @property
    def places(self) -> Places:
        """Questions about chambers that nobody watches here."""
        return Places(self._journal)

    def of_event(self, chamber: str, event: int, topic: str) -> list[Entry]:
        """The last entries of one event: its changes ("event"), or what was said of it
        ("judgement"), newest last."""
        query = select(Ledger).where(
            col(Ledger.chamber) == plain(chamber),
            col(Ledger.event) == event,
            col(Ledger.topic) == topic,
        )
        return list(self._page(query, col(Ledger.seq), MOST_CHANGES, True, read_entry).entries)

    def pictures(self) -> Pictures:
        """What pictures are kept."""
        return Pictures(self._journal)

    def clips(self) -> Clips:
        """What films are kept."""
        return Clips(self._journal)

    def courses(self) -> Courses:
        """How jobs went: heights and pauses as they were told."""
        return Courses(self._journal, self.catch_up)

    def toolpaths(self) -> Toolpaths:
        """What toolpaths are kept."""
        return Toolpaths(self._journal)

    def logs(self) -> Logs:
        """What is written down of jobs."""
        return Logs(self._journal)

    def settings(self) -> RanUnder:
        """With which settings jobs were watched."""
        return RanUnder(self._journal)

    def last_seq(self) -> int:
        """The number of the newest entry, 0 if there is none."""
        query = select(col(Ledger.seq)).order_by(col(Ledger.seq).desc()).limit(1)
        with self._journal.connection("the journal can't be read") as connection:
            return connection.execute(query).scalar() or 0

    # --- present states --------------------------------------------------------

    def jobs(
        self, after: int = 0, limit: int = 100, *, chamber: str | None = None, last: bool = False
    ) -> Page:
        """Jobs as they stand, in the order in which they were started, newest last."""
        query = select(JobRow)
        if after:
            query = query.where(col(JobRow.first_seq) > after)
        if chamber is not None:
            query = query.where(col(JobRow.chamber) == plain(chamber))
        page = self._page(query, col(JobRow.first_seq), limit, last, _job_entry)
        self._add_said({str(entry.body["id"]): entry.body for entry in page.entries})
        return page

    def job(self, job_id: str) -> items.Item | None:
        """One job as it stands, or None if there never was such a job."""
        query = select(JobRow).where(col(JobRow.id) == plain(job_id))
        with self._journal.connection("the journal can't be read") as connection:
            row = connection.execute(query).mappings().first()
        if row is None:
            return None
        item = _job_entry(row).body
        self._add_said({job_id: item})
        return item

    def job_in(self, job_id: str, timeline: Timeline) -> Job:
        """A job with its instants in the time of `timeline`.

        Raises `KeyError` for an unknown one, `ValueError` for one that nobody understands.
        """
        row = self._job_row(job_id)
        was_s = row["at_us"] / 1e6 - row["mono_s"]  # seconds since the epoch when its boot began
        return shifted(load(Job, row["body"]), was_s - timeline.wall_at_zero_s)

    def sound_jobs(self, chamber: str) -> list[Job]:
        """Jobs of a chamber that came out sound, the one begun last first."""
        said, topic = col(JobSaid.job), col(JobSaid.topic)
        sound = col(JobSaid.word) == JobOutcome.SOUND.value
        told = select(said).where(topic == "outcome", col(JobSaid.word) != "")
        as_told = select(said).where(topic == "outcome", sound)
        by_pieces = select(said).where(topic == "log", sound, said.not_in(told))
        query = (
            select(JobRow)
            .where(
                or_(col(JobRow.id).in_(as_told), col(JobRow.id).in_(by_pieces)),
                col(JobRow.chamber) == chamber,
                col(JobRow.unfinished).is_(False),
            )
            .order_by(col(JobRow.first_seq).desc())
            .limit(MOST_SAID)
        )
        with self._journal.connection("the journal can't be read") as connection:
            return list(readable(Job, connection.execute(query).mappings().all()))

    def undiagnosed(self, chamber: str, box: str, limit: int) -> list[Job]:
        """The last `limit` jobs of a box, newest first, less those that have a diagnosis."""
        query = (
            select(JobRow)
            .where(
                col(JobRow.chamber) == chamber,
                col(JobRow.unfinished).is_(False),
                col(JobRow.first_seq) > 0,  # of what was brought in others have said it
            )
            .order_by(col(JobRow.first_seq).desc())
            .limit(limit)
        )
        with self._journal.connection("the journal can't be read") as connection:
            rows = connection.execute(query).mappings().all()
        known = {found.job for found in self.diagnoses(chamber, [row["id"] for row in rows])}
        jobs = readable(Job, rows)
        return [job for job in jobs if job.id not in known and job.box == box]

    def diagnoses(self, chamber: str, jobs: Sequence[str] | None = None) -> list[JobDiagnosis]:
        """Diagnoses of a chamber, oldest first: those of `jobs`, or the last ones."""
        query = (
            select(JobSaid)
            .where(col(JobSaid.topic) == "diagnosis", col(JobSaid.chamber) == chamber)
            .order_by(col(JobSaid.seq).desc())
            .limit(MOST_SAID)
        )
        if jobs is not None:
            query = query.where(col(JobSaid.job).in_(jobs))
        with self._journal.connection("the journal can't be read") as connection:
            rows = connection.execute(query).mappings().all()
        return list(readable(JobDiagnosis, reversed(rows)))

    def next_start_s(self, job_id: str) -> float | None:
        """When the job after this one began in its chamber, seconds since the epoch."""
        row = self._job_row(job_id)
        query = (
            select(JobRow)
            .where(
                col(JobRow.chamber) == row["chamber"],
                col(JobRow.first_seq) > row["first_seq"],
            )
            .order_by(col(JobRow.first_seq))
            .limit(1)
        )
        with self._journal.connection("the journal can't be read") as connection:
            following = connection.execute(query).mappings().first()
        if following is None:
            return None
        next_s = _timeline(following).epoch_s(load(Job, following["body"]).started_s)
        # Of two boxes under one name the one that was brought in may have been used later.
        began_s = _timeline(row).epoch_s(load(Job, row["body"]).started_s)
        return next_s if next_s >= began_s or row["first_seq"] > 0 else None

    def job_span(self, job_id: str) -> tuple[float, float | None]:
        """When a job began and when its chamber had cooled, seconds since the epoch.

        None for the end while it isn't over. Raises `KeyError` if there never
        was such a job.
        """
        row = self._job_row(job_id)
        begun_s = _timeline(row).epoch_s(load(Job, row["body"]).started_s)
        return begun_s, None if row["unfinished"] else row["at_us"] / 1e6

    def alarms(
        self,
        after: int = 0,
        limit: int = 100,
        *,
        chamber: str | None = None,
        standing: bool | None = None,
        last: bool = False,
    ) -> Page:
        """Alarms as they stand, in the order in which they were first raised, newest last."""
        query = select(AlarmRow)
        if after:
            query = query.where(col(AlarmRow.first_seq) > after)
        if chamber is not None:
            query = query.where(col(AlarmRow.chamber) == plain(chamber))
        if standing is not None:
            query = query.where(col(AlarmRow.standing) == standing)
        return self._page(query, col(AlarmRow.first_seq), limit, last, _alarm_entry)

    def alarm(self, alarm_id: str) -> items.Item | None:
        """One alarm as it stands, or None if there never was such an alarm."""
        query = select(AlarmRow).where(col(AlarmRow.id) == plain(alarm_id))
        with self._journal.connection("the journal can't be read") as connection:
            row = connection.execute(query).mappings().first()
        return _alarm_entry(row).body if row else None

    def notices(self, *, alarm: str | None = None, limit: int = 100) -> list[NoticeRow]:
        """The newest notices and what has become of them, newest last."""
        query = select(NoticeTable).order_by(
            col(NoticeTable.created_us).desc(), col(NoticeTable.key).desc()
        )
        if alarm is not None:
            query = query.where(col(NoticeTable.alarm) == plain(alarm))
        with self._journal.connection("the outbox can't be read") as connection:
            rows = connection.execute(query.limit(_bounded(limit))).mappings().all()
        return [read_notice(row) for row in reversed(rows)]

    def alarm_tests(self, after: int = 0, limit: int = 100, *, chamber: str | None = None) -> Page:
        """Alarm tests with their newest word, in the order of those words, newest last."""
        newest = select(func.max(col(Ledger.seq))).where(col(Ledger.topic) == "test")
        if chamber is not None:
            newest = newest.where(col(Ledger.chamber) == plain(chamber))
        query = select(Ledger).where(
            col(Ledger.seq).in_(newest.group_by(col(Ledger.kind))), col(Ledger.seq) > after
        )
        return self._page(query, col(Ledger.seq), limit, False, read_entry)

    def alarm_test(self, chamber: str) -> tuple[AlarmTestState, Timeline] | None:
        """The newest alarm test of a chamber, in the seconds of the timeline beside it."""
        query = (
            select(Ledger)
            .where(col(Ledger.topic) == "test", col(Ledger.chamber) == plain(chamber))
            .order_by(col(Ledger.seq).desc())
            .limit(1)
        )
        with self._journal.connection("the journal can't be read") as connection:
            row = connection.execute(query).mappings().first()
        states = list(readable(AlarmTestState, [row] if row else []))
        return (states[0], _timeline(row)) if states else None

    def tries_of(self, keys: str) -> list[tuple[NoticeRow, datetime | None]]:
        """The notices whose key begins with `keys`, and when each was tried last."""
        with self._journal.connection("the outbox can't be read") as connection:
            return tries_of(connection, keys)

    def taken(self) -> list[Taken]:
        """By person and route, when the newest message was taken."""
        with self._journal.connection("the outbox can't be read") as connection:
            return last_taken(connection)

    def _add_said(self, jobs: Mapping[str, items.Item]) -> None:
        """Put what has been said of these jobs since their end into their items."""
        query = select(JobSaid).where(col(JobSaid.job).in_([plain(job) for job in jobs]))
        with self._journal.connection("the journal can't be read") as connection:
            rows = connection.execute(query).mappings().all()
        # What was said of the whole comes after what follows from the pieces, and stands.
        for row in sorted(rows, key=lambda row: row["topic"] == "outcome"):
            job, timeline = jobs[row["job"]], _timeline(row)
            try:
                if row["topic"] == "outcome":
                    told = load(OutcomeTold, row["body"])
                    item = items.outcome_item(told, row["chamber"], timeline, row["seq"])
                    if item["outcome"] is not None or job["outcome"] is None:
                        job["outcome"] = item["outcome"]
                        job["outcome_by"] = item["by"]
                        job["outcome_at"] = item["at"]
                        job["outcome_from"] = None if item["outcome"] is None else "person"
                elif row["topic"] == "log":
                    if row["word"] and job["state"] in _OVER:
                        job["outcome"] = row["word"]
                        job["outcome_by"] = load(LogKept, row["body"]).pieces_by
                        job["outcome_at"] = items.label(row["at_us"] / 1e6)
                        job["outcome_from"] = "pieces"
                else:
                    found = load(JobDiagnosis, row["body"])
                    job["diagnosis"] = items.diagnosis_item(
                        found, row["chamber"], timeline, row["seq"]
                    )
            except ValueError:
                log.exception("what was said of %s can't be understood", row["job"])

    def _job_row(self, job_id: str) -> Any:
        query = select(JobRow).where(col(JobRow.id) == plain(job_id))
        with self._journal.connection("the journal can't be read") as connection:
            row = connection.execute(query).mappings().first()
        if row is None:
            raise KeyError(job_id)
        return row

    def _spans(self, row: Any, start_s: float, end_s: float) -> list[steps.Span]:
        """The stretch of a job, cut where the clock was set in the boot of its row."""
        query = (
            select(col(Ledger.mono_s), col(Ledger.body))
            .where(
                col(Ledger.boot_id) == row["boot_id"],
                col(Ledger.topic) == "event",
                col(Ledger.kind) == Kind.CLOCK_FAULT.value,
                col(Ledger.chamber) == row["chamber"],
            )
            .order_by(col(Ledger.seq).desc())
            .limit(2 * MOST_STEPS)
        )
        with self._journal.connection("the journal can't be read") as connection:
            told = connection.execute(query).all()
        # The event is raised and cleared in one second; either tells it.
        found = {step for mono_s, body in told if (step := steps.read_step(mono_s, body))}
        return steps.spans(start_s, end_s, _timeline(row), list(found))

    def _page(self, query: Select[Any], number: Any, limit: int, last: bool, read: Any) -> Page:
        limit = _bounded(limit)
        order = number.desc() if last else number
        with self._journal.connection("the journal can't be read") as connection:
            rows = connection.execute(query.order_by(order).limit(limit + 1)).mappings().all()
        more = len(rows) > limit and not last
        rows = rows[:limit][::-1] if last else rows[:limit]
        entries = []
        for row in rows:
            try:
                entries.append(read(row))
            except ValueError:
                log.exception("a row of the journal can't be understood and was left out")
        return Page(tuple(entries), rows[-1][number.key] if more else None)


def _bounded(limit: int) -> int:
    return min(max(limit, 1), MOST_ITEMS)


def _timeline(row: Any) -> Timeline:
    return Timeline(row["boot_id"], row["at_us"] / 1e6 - row["mono_s"])


def _job_entry(row: Any) -> Entry:
    number = row["first_seq"]
    return Entry(number, "job", items.job_item(load(Job, row["body"]), _timeline(row), number))


def _alarm_entry(row: Any) -> Entry:
    number = row["first_seq"]
    item = items.alarm_item(load(AlarmState, row["body"]), _timeline(row), number)
    return Entry(number, "alarm", item)
