"""Chambers that were watched here and aren't any more, and what nobody ended there."""

from __future__ import annotations

import json
from collections.abc import Container
from dataclasses import dataclass, replace

from sqlalchemy import select
from sqlalchemy.engine import Connection
from sqlmodel import col

from stillair.database import Reads
from stillair.model import (
    AlarmState,
    Annunciation,
    Change,
    EventChange,
    Job,
    JobNote,
    JobPhase,
    Outcome,
    Suppression,
    Timeline,
)
from stillair.storage.brought import TOPIC as BROUGHT
from stillair.storage.journal import read_entry
from stillair.storage.memory import states
from stillair.storage.tables import (
    AlarmRow,
    JobRow,
    Ledger,
    NoticeTable,
    SettingsRow,
    StandingEvent,
    WatchMark,
)

BY = "Stillair"
UNKNOWN_END = "Its chamber is not watched here any more: how this job went on is not known."
UNKNOWN_ALARM = "Its chamber is not watched here any more: how this went on is not known."
WATCHED_NO_MORE = "its chamber is not watched here any more"


@dataclass(frozen=True, slots=True)
class Left:
    """One chamber: until when it was watched, seconds since the epoch, and what was open there.

    `timeline` is that of the seconds of its job, alarms and events.
    """

    chamber: str
    name: str
    seen_s: float
    timeline: Timeline
    job: Job | None = None
    alarms: tuple[AlarmState, ...] = ()
    events: tuple[EventChange, ...] = ()

    def closed(self) -> tuple[Outcome, Timeline] | None:
        """What ends all that is open there at the last moment that was watched; None: nothing."""
        last_s = self.seen_s - self.timeline.wall_at_zero_s
        alarms = tuple(
            replace(
                alarm,
                annunciation=Annunciation.NORMAL,
                suppression=Suppression.NONE,
                condition=False,
                changed_s=max(alarm.changed_s, last_s),
                shelved_until_s=None,
                text=f"{alarm.text} {UNKNOWN_ALARM}",
            )
            for alarm in self.alarms
        )
        events = tuple(_ended(event, last_s) for event in self.events)
        jobs = () if self.job is None else (_finished(self.job, last_s),)
        notes = tuple(
            JobNote(job.id, max(job.started_s, last_s), UNKNOWN_END, BY, job.height_mm)
            for job in jobs
        )
        outcome = Outcome(
            self.chamber, last_s, events=events, alarms=alarms, jobs=jobs, notes=notes
        )
        return None if outcome.empty else (outcome, self.timeline)


def _finished(job: Job, last_s: float) -> Job:
    last_s = max(job.started_s, last_s)
    paused_s = job.paused_s
    if job.paused_since_s is not None:
        paused_s += max(0.0, last_s - job.paused_since_s)
    return replace(
        job,
        state=JobPhase.FINISHED,
        finished_s=last_s if job.finished_s is None else job.finished_s,
        paused_s=paused_s,
        paused_since_s=None,
    )


def _ended(event: EventChange, last_s: float) -> EventChange:
    last_s = max(event.at_s, last_s)
    return replace(
        event,
        change=Change.CLEARED,
        at_s=last_s,
        end_s=last_s,
        detail={**event.detail, "ended": WATCHED_NO_MORE},
    )


class Places:
    """Questions about chambers that nobody watches here; raises `StoreError`."""

    def __init__(self, journal: Reads) -> None:
        self._journal = journal

    def brought(self) -> dict[str, str]:
        """How chambers are called of which something was brought in, by key."""
        query = select(Ledger).where(col(Ledger.topic) == BROUGHT).order_by(col(Ledger.seq))
        with self._journal.connection("the journal can't be read") as connection:
            rows = connection.execute(query).mappings().all()
        return {row["chamber"]: str(read_entry(row).body["name"]) for row in rows}

    def people(self, chamber: str) -> set[str]:
        """Who was ever told of a chamber, also where no settings name them any more."""
        query = select(col(NoticeTable.person)).where(col(NoticeTable.chamber) == chamber)
        with self._journal.connection("the outbox can't be read") as connection:
            return set(connection.execute(query.distinct()).scalars())

    def left(self, watched: Container[str]) -> list[Left]:
        """All chambers with a past here that are not among the watched."""
        with self._journal.connection("the journal can't be read") as connection:
            return _left(connection, watched)


def _left(connection: Connection, watched: Container[str]) -> list[Left]:
    marks = connection.execute(select(WatchMark)).mappings().all()
    named = connection.execute(select(SettingsRow).order_by(col(SettingsRow.at_us))).mappings()
    names = {row["chamber"]: _name(row["body"]) for row in named}
    found = []
    for mark in marks:
        key = mark["chamber"]
        if key in watched:
            continue
        seen_s = mark["at_us"] / 1e6
        timeline = Timeline(mark["boot_id"], seen_s - mark["mono_s"])
        jobs = states(connection, JobRow, Job, key, timeline)
        found.append(
            Left(
                key,
                names.get(key) or key,
                seen_s,
                timeline,
                job=jobs[-1] if jobs else None,
                alarms=tuple(states(connection, AlarmRow, AlarmState, key, timeline)),
                events=tuple(states(connection, StandingEvent, EventChange, key, timeline)),
            )
        )
    return found


def _name(body: str) -> str:
    try:
        return str(json.loads(body)["name"])
    except (ValueError, KeyError, TypeError):
        return ""
