"""Give up the oldest of what is kept, so that the disk never fills.

Readings go first and by age, then by room. Of the ledger only quiet rows go:
older than the limit, outside every job, and no alarm of danger. What happened
in a job stays as long as the journal itself, and so does every fire.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from sqlalchemy import delete, func, select
from sqlmodel import col

from stillair.database import store_errors
from stillair.model import KIND_CLASS, SignalClass
from stillair.model.duties import TOPICS
from stillair.storage.archive import Archive
from stillair.storage.journal import Journal
from stillair.storage.outbox import micros
from stillair.storage.tables import AlarmRow, Delivery, Ledger, NoticeTable

DAY_S = 86_400.0
MB = 10**6
REMOVE_ROWS = 500  # in one transaction: what happens meanwhile has to wait for it
DANGERS = tuple(kind.value for kind, told in KIND_CLASS.items() if told[0] is SignalClass.ALARM)
SMALLEST_ARCHIVE_BYTES = 10 * MB  # about six weeks of one sensor; less isn't given up for room


@dataclass(frozen=True, slots=True)
class RetentionPlan:
    """How long and how much.

    `keep_days` and `keep_mb` hold for readings, the days for quiet rows of the
    ledger as well; `chamber_days` overrides the days of single chambers.
    While the disk has less than `free_mb`, the oldest readings go as well.
    Raises `ValueError` unless all are above 0.
    """

    keep_days: float = 400.0
    keep_mb: float = 2_000.0
    free_mb: float = 200.0
    chamber_days: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        limits = (self.keep_days, self.keep_mb, self.free_mb, *self.chamber_days.values())
        if not all(limit > 0 for limit in limits):
            raise ValueError("limits of retention must be above 0")


@dataclass(frozen=True, slots=True)
class Removed:
    """What one round gave up."""

    stretches: int = 0
    ledger_rows: int = 0


class Retention:
    """Keep both files within their limits. Run it now and then; it raises `StoreError`."""

    def __init__(
        self,
        journal: Journal,
        archive: Archive,
        plan: RetentionPlan,
        *,
        free_bytes: Callable[[Path], int] = lambda path: shutil.disk_usage(path).free,
    ) -> None:
        self._journal = journal
        self._archive = archive
        self._plan = plan
        self._free_bytes = free_bytes

    def run(self, now_at: datetime) -> Removed:
        """One round at the wall-clock time `now_at`."""
        plan = self._plan
        stretches = ledger_rows = 0
        overridden = tuple(plan.chamber_days)
        for chamber, days in plan.chamber_days.items():
            before_at = now_at - timedelta(days=days)
            stretches += self._archive.forget_before(before_at, only=(chamber,))
            ledger_rows += forget_quiet(self._journal, before_at, only=(chamber,))
        before_at = now_at - timedelta(days=plan.keep_days)
        stretches += self._archive.forget_before(before_at, others_than=overridden)
        ledger_rows += forget_quiet(self._journal, before_at, others_than=overridden)
        stretches += self._archive.shrink_to(self._room_bytes())
        return Removed(stretches, ledger_rows)

    def _room_bytes(self) -> int:
        room_bytes = round(self._plan.keep_mb * MB)
        with store_errors("the free room on the disk can't be told"):
            free_bytes = self._free_bytes(self._archive.path.parent)
        lacking_bytes = round(self._plan.free_mb * MB) - free_bytes
        if lacking_bytes > 0:
            spare_bytes = self._archive.used_bytes() - lacking_bytes
            room_bytes = min(room_bytes, max(spare_bytes, SMALLEST_ARCHIVE_BYTES))
        return room_bytes


def forget_quiet(
    journal: Journal,
    before_at: datetime,
    *,
    only: Sequence[str] = (),
    others_than: Sequence[str] = (),
) -> int:
    """Remove old rows that belong to no job and tell of no danger; returns how many.

    With them go alarms that stand no longer and messages that were sent.
    Of the chambers in `only`, or of all but `others_than`. Raises `StoreError`.
    """

    before_us = micros(before_at.timestamp())
    # Of each duty beside the alarms the newest word is what holds now, however old it is.
    newest = (
        select(func.max(col(Ledger.seq)))
        .where(col(Ledger.topic).in_(TOPICS))
        .group_by(col(Ledger.chamber), col(Ledger.topic))
    )
    quiet = [
        col(Ledger.seq).not_in(newest),
        col(Ledger.at_us) < before_us,
        col(Ledger.job).is_(None),
        col(Ledger.kind).not_in(DANGERS),
    ]
    if only:
        quiet.append(col(Ledger.chamber).in_(only))
    if others_than:
        quiet.append(col(Ledger.chamber).not_in(others_than))
    removed = 0
    while True:
        with journal.transaction("old rows can't be removed") as connection:
            few = connection.execute(
                select(col(Ledger.seq)).where(*quiet).limit(REMOVE_ROWS)
            ).scalars()
            numbers = list(few)
            connection.execute(delete(Ledger).where(col(Ledger.seq).in_(numbers)))
        removed += len(numbers)
        if len(numbers) < REMOVE_ROWS:
            break
    known = col(Ledger.seq) == col(AlarmRow.seq)
    with journal.transaction("old rows can't be removed") as connection:
        connection.execute(
            delete(AlarmRow).where(
                ~col(AlarmRow.standing), ~select(col(Ledger.seq)).where(known).exists()
            )
        )
        of_alarm = select(col(AlarmRow.id)).where(col(AlarmRow.id) == col(NoticeTable.alarm))
        connection.execute(
            delete(NoticeTable).where(
                col(NoticeTable.state) != "pending",
                col(NoticeTable.created_us) < before_us,
                ~of_alarm.exists(),
            )
        )
        keys = select(col(NoticeTable.key))
        connection.execute(delete(Delivery).where(col(Delivery.notice).not_in(keys)))
    return removed
