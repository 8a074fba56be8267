"""Housekeeping by the wall clock: what is old is given up at night."""

from __future__ import annotations

import logging
from collections.abc import Sequence

from apscheduler.schedulers.background import BackgroundScheduler

from stillair.config import ChamberSettings
from stillair.errors import StoreError
from stillair.runtime.service import Service

log = logging.getLogger(__name__)

NIGHT_HOUR, NIGHT_MINUTE = 3, 40


class Housekeeping:
    """Run what belongs to the day and not to the watch.

    By the wall clock, which may jump: nothing here decides or samples.
    """

    def __init__(self, service: Service, chambers: Sequence[ChamberSettings]) -> None:
        self._service = service
        self._chambers = tuple(chambers)
        self._scheduler = BackgroundScheduler(
            job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1}
        )
        self._scheduler.add_job(
            self.give_up_old, "cron", hour=NIGHT_HOUR, minute=NIGHT_MINUTE, id="retention"
        )

    def start(self) -> None:
        """Begin; what a stopped service missed is done at the next night."""
        self._scheduler.start()

    def stop(self) -> None:
        """End without waiting for what runs."""
        self._scheduler.shutdown(wait=False)

    def give_up_old(self) -> None:
        """Give up readings beyond each chamber's days and megabytes."""
        for settings in self._chambers:
            try:
                self._service.give_up_old(
                    settings.key,
                    keep_days=settings.history.keep_days,
                    keep_mb=settings.history.keep_mb,
                )
            except StoreError as error:
                log.warning("old readings of %s are still there: %s", settings.key, error)
