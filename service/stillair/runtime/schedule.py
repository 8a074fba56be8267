"""Housekeeping by the wall clock: what is old, or too much, is given up."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime

from apscheduler.schedulers.background import BackgroundScheduler

from stillair.errors import StoreError
from stillair.storage.retention import Retention

log = logging.getLogger(__name__)


class Housekeeping:
    """Run what belongs to the day and not to the watch.

    By the wall clock, which may jump: nothing here decides or samples.
    """

    def __init__(self, retention: Retention, wall: Callable[[], datetime]) -> None:
        self._retention = retention
        self._wall = wall
        self._scheduler = BackgroundScheduler(
            job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1}
        )
        # Each hour, not each night: a card that fills up does so within hours.
        self._scheduler.add_job(self.give_up_old, "cron", minute=17, id="retention")

    def each_minute(self, name: str, job: Callable[[], None]) -> None:
        """Have `job` done each minute too; before `start`."""
        self._scheduler.add_job(job, "cron", second=41, id=name)

    def start(self) -> None:
        """Begin."""
        self._scheduler.start()

    def stop(self) -> None:
        """End without waiting for what runs."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    def give_up_old(self) -> None:
        """Give up what is beyond the days and megabytes of the chambers."""
        try:
            removed = self._retention.run(self._wall())
        except StoreError as error:
            log.warning("what is old is still kept: %s", error)
        else:
            if removed.stretches or removed.ledger_rows:
                log.info(
                    "given up: %d stretches of readings, %d quiet rows",
                    removed.stretches,
                    removed.ledger_rows,
                )
