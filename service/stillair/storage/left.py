"""Chambers that were watched here and aren't any more, and the jobs that nobody ended there."""

from __future__ import annotations

import json
import logging
from collections.abc import Container
from dataclasses import dataclass, replace

from sqlalchemy import select
from sqlalchemy.engine import Connection
from sqlmodel import col

from stillair.database import Reader
from stillair.model import Job, JobNote, JobPhase, Outcome, Timeline
from stillair.storage.brought import TOPIC as BROUGHT
from stillair.storage.journal import read_entry
from stillair.storage.records import load
from stillair.storage.tables import JobRow, Ledger, SettingsRow, WatchMark

log = logging.getLogger(__name__)

BY = "Stillair"
UNKNOWN_END = "Its chamber is not watched here any more: how this job went on is not known."


@dataclass(frozen=True, slots=True)
class Left:
    """One chamber: until when it was watched, seconds since the epoch, and what was open there."""

    chamber: str
    name: str
    seen_s: float
    job: Job | None = None
    timeline: Timeline | None = None  # of the job's seconds

    def closed(self) -> tuple[Outcome, Timeline] | None:
        """What ends its open job at the last moment that was watched; None where none is open."""
        if self.job is None or self.timeline is None:
            return None
        job = self.job
        last_s = max(job.started_s, self.seen_s - self.timeline.wall_at_zero_s)
        paused_s = job.paused_s
        if job.paused_since_s is not None:
            paused_s += max(0.0, last_s - job.paused_since_s)
        over = replace(
            job,
            state=JobPhase.FINISHED,
            finished_s=last_s if job.finished_s is None else job.finished_s,
            paused_s=paused_s,
            paused_since_s=None,
        )
        note = JobNote(job.id, last_s, UNKNOWN_END, BY, job.height_mm)
        outcome = Outcome(chamber=self.chamber, t_s=last_s, jobs=(over,), notes=(note,))
        return outcome, self.timeline


class Places:
    """Questions about chambers that nobody watches here; raises `StoreError`."""

    def __init__(self, journal: Reader) -> None:
        self._journal = journal

    def brought(self) -> dict[str, str]:
        """How chambers are called of which something was brought in, by key."""
        query = select(Ledger).where(col(Ledger.topic) == BROUGHT).order_by(col(Ledger.seq))
        with self._journal.connection("the journal can't be read") as connection:
            rows = connection.execute(query).mappings().all()
        return {row["chamber"]: str(read_entry(row).body["name"]) for row in rows}

    def left(self, watched: Container[str]) -> list[Left]:
        """All chambers with a past here that are not among the watched."""
        with self._journal.connection("the journal can't be read") as connection:
            return _left(connection, watched)


def _left(connection: Connection, watched: Container[str]) -> list[Left]:
    marks = connection.execute(select(WatchMark)).mappings().all()
    named = connection.execute(select(SettingsRow).order_by(col(SettingsRow.at_us))).mappings()
    names = {row["chamber"]: _name(row["body"]) for row in named}
    open_jobs = select(JobRow).where(col(JobRow.unfinished)).order_by(col(JobRow.first_seq))
    rows = {row["chamber"]: row for row in connection.execute(open_jobs).mappings()}
    found = []
    for mark in marks:
        key = mark["chamber"]
        if key in watched:
            continue
        of = Left(key, names.get(key) or key, mark["at_us"] / 1e6)
        if (row := rows.get(key)) is not None:
            try:
                job = load(Job, row["body"])
                timeline = Timeline(row["boot_id"], row["at_us"] / 1e6 - row["mono_s"])
                of = replace(of, job=job, timeline=timeline)
            except ValueError:
                log.exception("%s: its open job can't be understood and stays open", key)
        found.append(of)
    return found


def _name(body: str) -> str:
    try:
        return str(json.loads(body)["name"])
    except (ValueError, KeyError, TypeError):
        return ""
