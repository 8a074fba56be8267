"""Set the tables of present states, in the transaction that appends to the ledger."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import Any

from sqlalchemy import delete, insert, select, update
from sqlalchemy.engine import Connection
from sqlmodel import SQLModel, col

from stillair.jobs import log as joblog
from stillair.model import (
    AlarmState,
    Annunciation,
    Change,
    EventChange,
    Job,
    JobDiagnosis,
    JobPhase,
    JsonValue,
    LogKept,
    LogTold,
    OutcomeTold,
)
from stillair.storage.records import dump, load
from stillair.storage.tables import AlarmRow, JobRow, JobSaid, StandingEvent

log = logging.getLogger(__name__)
LOG = "log"


def stand(
    connection: Connection,
    value: Any,
    *,
    seq: int,
    job: str | None,
    word: str,
    place: Mapping[str, Any],
) -> None:
    """Set all present states that follow from one row of the ledger.

    `value` is what its body says, `job` and `word` (its kind) are columns of it, `place` its
    chamber, boot_id, mono_s, at_us and body.
    """
    match value:
        case AlarmState(id=alarm_id):
            standing = value.condition or value.annunciation is not Annunciation.NORMAL
            present = {"seq": seq, "job": job, "standing": standing, **place}
            put(connection, AlarmRow, alarm_id, present, {"first_seq": seq})
        case Job(id=job_id):
            unfinished = value.state is not JobPhase.FINISHED
            present = {"seq": seq, "unfinished": unfinished, **place}
            put(connection, JobRow, job_id, present, {"first_seq": seq})
        case OutcomeTold() | JobDiagnosis():
            topic = "outcome" if isinstance(value, OutcomeTold) else "diagnosis"
            said = {"topic": topic, "word": word, "seq": seq, **place}
            put(connection, JobSaid, f"{topic} {value.job}", said, {"job": value.job})
        case LogTold():
            put_log(connection, value, place, seq)
        case EventChange():
            event_id = f"{place['chamber']}-{value.event}"
            if value.change is Change.CLEARED:
                connection.execute(delete(StandingEvent).where(col(StandingEvent.id) == event_id))
            else:
                put(connection, StandingEvent, event_id, {"event": value.event, **place}, {})


def put(
    connection: Connection,
    table: type[SQLModel],
    row_id: str,
    present: Mapping[str, JsonValue],
    first: Mapping[str, JsonValue],
) -> None:
    """Set the present state; `first` is written only with a new row."""
    columns = table.__table__.c  # type: ignore[attr-defined]  # made by SQLModel
    # Given beside the statement, values are no part of it: with them SQLAlchemy would go through
    # the statement anew each time.
    changed = connection.execute(update(table).where(columns.id == row_id), dict(present))
    if changed.rowcount == 0:
        connection.execute(insert(table), {"id": row_id, **present, **first})


def put_log(connection: Connection, told: LogTold, place: Mapping[str, Any], seq: int) -> None:
    """Put a word on a job together with those before it; `place` is that of its ledger row."""
    row_id = f"{LOG} {told.job}"
    body = connection.execute(select(col(JobSaid.body)).where(col(JobSaid.id) == row_id)).scalar()
    kept = joblog.after(_understood(told.job, body), told)
    outcome = joblog.worst(kept.pieces)
    present = {**place, "body": dump(kept), "topic": LOG, "word": outcome or "", "seq": seq}
    put(connection, JobSaid, row_id, present, {"job": told.job})


def _understood(job: str, body: str | None) -> LogKept | None:
    try:
        return None if body is None else load(LogKept, body)
    except ValueError:
        # The words are all in the ledger; one broken row must not refuse every later word.
        log.exception("the log of %s can't be understood and is begun anew", job)
        return None
