"""What a chamber's watch knows again after a restart, read from the journal's tables."""

from __future__ import annotations

import logging
from dataclasses import replace
from string import ascii_lowercase
from typing import Any

from sqlalchemy import RowMapping, func, select
from sqlalchemy.engine import Connection
from sqlmodel import col

from stillair.model import (
    BURNING,
    AlarmState,
    Duty,
    EventChange,
    Job,
    Suppression,
    Timeline,
    WatchMemory,
)
from stillair.model.duties import TOPICS
from stillair.storage.outbox import told
from stillair.storage.records import load, shifted
from stillair.storage.tables import AlarmRow, JobRow, Ledger, StandingEvent, WatchMark

log = logging.getLogger(__name__)


def known(connection: Connection, chamber: str, timeline: Timeline) -> WatchMemory:
    """All of it, in the seconds of the boot that `timeline` describes."""
    mark = (
        connection.execute(select(WatchMark).where(col(WatchMark.chamber) == chamber))
        .mappings()
        .first()
    )
    alarms = states(connection, AlarmRow, AlarmState, chamber, timeline)
    jobs = states(connection, JobRow, Job, chamber, timeline)
    events = states(connection, StandingEvent, EventChange, chamber, timeline)
    return WatchMemory(
        next_event=max(mark["next_event"] if mark else 1, _next_event(connection, chamber)),
        next_job=max(mark["next_job"] if mark else 1, _next_job(connection, chamber)),
        alarms=tuple(_unshelved(alarm) for alarm in alarms),
        job=jobs[-1] if jobs else None,
        events=tuple(events),
        last_seen_s=mark["mono_s"] + _shift_s(mark, timeline) if mark else None,
        burnt=_burnt(connection, chamber),
        duties=_duties(connection, chamber, timeline),
        told=told(connection, chamber, [alarm.id for alarm in alarms]) or None,
        used=tuple(name for event in events for name in _used(connection, chamber, event.event)),
    )


def _next_event(connection: Connection, chamber: str) -> int:
    """The number behind those of all events, also of those that were brought in."""
    newest = select(func.max(col(Ledger.event))).where(col(Ledger.chamber) == chamber)
    return max(connection.execute(newest).scalar() or 0, 0) + 1


def _next_job(connection: Connection, chamber: str) -> int:
    """The number behind those of all jobs, also of those that were brought in."""
    query = select(col(JobRow.id)).where(col(JobRow.chamber) == chamber, col(JobRow.first_seq) < 0)
    tails = (name.rpartition("-")[2] for name in connection.execute(query).scalars())
    return max((int(tail) for tail in tails if tail.isascii() and tail.isdecimal()), default=0) + 1


def _used(connection: Connection, chamber: str, event: int) -> list[str]:
    """The ids that this event's alarms have had: its number, and a letter after the first."""
    name = f"{chamber}-{event}"
    names = [name, *(f"{name}{letter}" for letter in ascii_lowercase)]
    query = select(col(AlarmRow.id)).where(col(AlarmRow.id).in_(names))
    return list(connection.execute(query).scalars())


def _duties(connection: Connection, chamber: str, timeline: Timeline) -> tuple[Duty, ...]:
    """The newest word on each duty."""
    found: list[Duty] = []
    for topic, cls in TOPICS.items():
        query = (
            select(Ledger)
            .where(col(Ledger.topic) == topic, col(Ledger.chamber) == chamber)
            .order_by(col(Ledger.seq).desc())
            .limit(1)
        )
        for row in connection.execute(query).mappings():
            try:
                found.append(shifted(load(cls, row["body"]), _shift_s(row, timeline)))
            except ValueError:
                log.exception("what was kept of %s can't be understood and was left out", topic)
    return tuple(found)


def _burnt(connection: Connection, chamber: str) -> int:
    """The number of the newest event of fire or smoke, or a sign of it, of the present job."""
    # What was brought in burns no more: its numbers are below zero.
    began = select(func.coalesce(func.max(col(JobRow.first_seq)), 0)).where(
        col(JobRow.chamber) == chamber, col(JobRow.first_seq) > 0
    )
    query = select(func.coalesce(func.max(col(Ledger.event)), 0)).where(
        col(Ledger.topic) == "event",
        col(Ledger.seq) > began.scalar_subquery(),
        col(Ledger.chamber) == chamber,
        col(Ledger.kind).in_([kind.value for kind in BURNING]),
    )
    return int(connection.execute(query).scalar_one() or 0)


def states(
    connection: Connection,
    table: type[AlarmRow] | type[JobRow] | type[StandingEvent],
    cls: type[Any],
    chamber: str,
    timeline: Timeline,
) -> list[Any]:
    """What stands or runs of a chamber by a table of present states, in the seconds of a timeline.

    One that can't be understood is left out.
    """
    query = select(table).where(col(table.chamber) == chamber)
    if table is AlarmRow:
        query = query.where(col(AlarmRow.standing)).order_by(col(AlarmRow.first_seq))
    elif table is JobRow:
        query = query.where(col(JobRow.unfinished)).order_by(col(JobRow.first_seq))
    else:
        query = query.order_by(col(StandingEvent.event))
    states = []
    for row in connection.execute(query).mappings():
        try:
            states.append(shifted(load(cls, row["body"]), _shift_s(row, timeline)))
        except ValueError:
            log.exception("a state in the journal can't be understood and was left out")
    return states


def _shift_s(row: RowMapping, timeline: Timeline) -> float:
    """What has to be added to seconds of the row's boot to get those of `timeline`."""
    if row["boot_id"] == timeline.boot_id:
        return 0.0
    return float(row["at_us"] / 1e6 - timeline.wall_at_zero_s - row["mono_s"])


def _unshelved(alarm: AlarmState) -> AlarmState:
    if alarm.suppression is not Suppression.SHELVED:
        return alarm
    return replace(alarm, suppression=Suppression.NONE, shelved_until_s=None, shelved_reason="")
