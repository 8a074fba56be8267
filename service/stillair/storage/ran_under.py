"""The settings that jobs ran under: kept with a job's first row, without what is private.

Each row of the ledger names the version and a hash of the settings that made it. What
that hash stood for is kept here, once for each change of the settings.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import Any

from sqlalchemy import and_, func, insert, or_, select
from sqlalchemy.engine import Connection
from sqlmodel import col

from stillair.database import Reads, plain
from stillair.model import JobPhase
from stillair.storage.tables import Ledger, SettingsRow

FINGERPRINT = re.compile(r"[0-9A-Za-z_.+-]{1,64}")  # the last word of `made_with`
MOST_CHANGES = 50  # of the settings during one job


@dataclass(frozen=True, slots=True)
class Under:
    """Settings that a job ran under from `since_s` on, seconds since the epoch.

    `told` is None where only the hash is known: the job is older than this record.
    """

    since_s: float
    version: str
    fingerprint: str
    told: dict[str, Any] | None


def keep(connection: Connection, chamber: str, made_with: str, at_us: int, told: str) -> None:
    """Keep what a hash stands for, unless that is known."""
    key = _key(chamber, made_with.rpartition(" ")[2])
    if connection.execute(select(col(SettingsRow.id)).where(col(SettingsRow.id) == key)).first():
        return
    row = {"id": key, "chamber": chamber, "at_us": at_us, "body": told}
    connection.execute(insert(SettingsRow).values(**row))


class RanUnder:
    """Questions about the settings of jobs; raises `StoreError`."""

    def __init__(self, journal: Reads) -> None:
        self._journal = journal

    def of_job(self, job: str) -> list[Under]:
        """All settings that a job ran under, in their order.

        Not what was written of it once it was over, as when a restart clears what it was told.
        """
        first = func.min(col(Ledger.at_us))
        done = col(Ledger.kind) == JobPhase.FINISHED.value
        of_it = col(Ledger.job) == plain(job)
        over_us = (
            select(first)
            .where(of_it, col(Ledger.topic) == "job", done)
            .correlate(None)
            .scalar_subquery()
        )
        query = (
            select(col(Ledger.chamber), col(Ledger.made_with), first)
            .where(
                of_it,
                or_(over_us.is_(None), col(Ledger.at_us) <= over_us),
                # Not what was said of it or corrected since, under what holds today.
                or_(
                    col(Ledger.topic) == "event",
                    and_(col(Ledger.topic) == "job", ~done),
                ),
                col(Ledger.made_with) != "",
            )
            .group_by(col(Ledger.chamber), col(Ledger.made_with))
            .order_by(first)
            .limit(MOST_CHANGES)
        )
        with self._journal.connection("the journal can't be read") as connection:
            rows = connection.execute(query).all()
            keys = [_key(chamber, made_with.rpartition(" ")[2]) for chamber, made_with, _ in rows]
            kept = select(col(SettingsRow.id), col(SettingsRow.body))
            told = connection.execute(kept.where(col(SettingsRow.id).in_(keys))).all()
        found = {row.id: row.body for row in told}
        return [
            Under(
                since_s=at_us / 1e6,
                version=made_with.rpartition(" ")[0],
                fingerprint=made_with.rpartition(" ")[2],
                told=_told(found.get(key)),
            )
            for key, (_, made_with, at_us) in zip(keys, rows, strict=True)
        ]


def _key(chamber: str, fingerprint: str) -> str:
    return f"{chamber} {fingerprint}"


def _told(body: str | None) -> dict[str, Any] | None:
    try:
        told = None if body is None else json.loads(body)
    except (ValueError, RecursionError):
        return None
    return told if isinstance(told, dict) else None
