"""Read the logs of jobs: what stands of one, every word on it, and the one before it."""

from __future__ import annotations

import logging
from collections.abc import Iterable

from sqlalchemy import RowMapping, select
from sqlmodel import col

from stillair.database import Reads, plain
from stillair.model import Job, JobLog, LogKept
from stillair.storage.present import LOG
from stillair.storage.records import load
from stillair.storage.tables import JobRow, JobSaid

log = logging.getLogger(__name__)

MOST_LOOKED_AT = 300  # earlier jobs, for the last one of a material


class Logs:
    """Questions about the logs of jobs; every one raises `StoreError`."""

    def __init__(self, journal: Reads) -> None:
        self._journal = journal

    def of(self, jobs: Iterable[str]) -> dict[str, LogKept]:
        """What stands in the logs of these jobs; one that has none isn't there."""
        query = select(JobSaid).where(
            col(JobSaid.topic) == LOG, col(JobSaid.job).in_([plain(job) for job in jobs])
        )
        with self._journal.connection("the journal can't be read") as connection:
            rows = connection.execute(query).mappings().all()
        return {kept.job: kept for row in rows if (kept := _kept(row)) is not None}

    def before(self, job: str) -> tuple[str, str, JobLog] | None:
        """Id, name and log of the last earlier job of that material in that box, if any has one.

        One of the same machine comes before any other: nozzle and bed are its own. A
        simulated job says nothing of how a real one was prepared.
        """
        with self._journal.connection("the journal can't be read") as connection:
            row = (
                connection.execute(select(JobRow).where(col(JobRow.id) == plain(job)))
                .mappings()
                .first()
            )
            if row is None:
                return None
            rows = (
                connection.execute(
                    select(col(JobRow.body).label("job"), col(JobSaid.body).label("said"))
                    .join(JobSaid, col(JobSaid.job) == col(JobRow.id))
                    .where(
                        col(JobSaid.topic) == LOG,
                        col(JobRow.chamber) == row["chamber"],
                        col(JobRow.first_seq) < row["first_seq"],
                    )
                    .order_by(col(JobRow.first_seq).desc())
                    .limit(MOST_LOOKED_AT)
                )
                .mappings()
                .all()
            )
        try:
            this = load(Job, row["body"])
        except ValueError:
            return None
        found = None
        for each in rows:
            try:
                other, kept = load(Job, each["job"]), load(LogKept, each["said"])
            except ValueError:
                continue
            if not _alike(this, other) or kept.log == JobLog():
                continue
            if this.machine.casefold() == other.machine.casefold():
                return other.id, other.name, kept.log
            found = found or (other.id, other.name, kept.log)
        return found


def _alike(this: Job, other: Job) -> bool:
    material = this.material.casefold()
    same_box = this.box.partition(" ")[0] == other.box.partition(" ")[0]
    return bool(material) and material == other.material.casefold() and same_box


def _kept(row: RowMapping) -> LogKept | None:
    try:
        return load(LogKept, row["body"])
    except ValueError:
        log.exception("the log of %s can't be understood", row["job"])
        return None
