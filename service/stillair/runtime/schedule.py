"""Housekeeping by the wall clock: what is old is given up, and what is kept is backed up."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import UTC, datetime

from apscheduler.schedulers.background import BackgroundScheduler

from stillair.errors import StillairError, StoreError
from stillair.storage.retention import Retention

log = logging.getLogger(__name__)


class Housekeeping:
    """Run what belongs to the day and not to the watch.

    By the wall clock, which may jump: nothing here decides or samples.
    """

    def __init__(
        self,
        retention: Retention,
        wall: Callable[[], datetime],
        back_up: Callable[[datetime], object],
        make_room: Callable[[], object],
        on_trouble: Callable[[bool, str], None],
    ) -> None:
        self._retention = retention
        self._wall = wall
        self._back_up = back_up
        self._make_room = make_room
        self._on_trouble = on_trouble
        self._scheduler = BackgroundScheduler(
            job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1}
        )
        # Each hour, not each night: a card that fills up does so within hours.
        self._scheduler.add_job(self.give_up_old, "cron", minute=17, id="retention")
        self._scheduler.add_job(self.back_up, "cron", hour=3, minute=40, id="backup")

    def each_minute(
        self, name: str, job: Callable[[], None], *, second: int = 41, at_once: bool = False
    ) -> None:
        """Have `job` done each minute too, and with `at_once` at the start; before `start`."""
        # Left out, the trigger says when; None would mean never.
        first = {"next_run_time": datetime.now(UTC)} if at_once else {}
        self._scheduler.add_job(job, "cron", second=second, id=name, **first)

    def start(self) -> None:
        """Begin."""
        self._scheduler.start()

    @property
    def alive(self) -> bool:
        """Whether its thread runs, as it should between start and stop."""
        # Nothing else shows it, and nobody would be told of backup, certificate or disk any more.
        return not self._scheduler.running or bool(self._scheduler._thread.is_alive())

    def stop(self) -> None:
        """End without waiting for what runs."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    def back_up(self) -> None:
        """Make the nightly backup; that none could be made is told until one is."""
        try:
            self._back_up(self._wall())
        except StillairError as error:
            log.warning("no backup was made: %s", error)
            self._on_trouble(True, str(error))
        except Exception:
            log.exception("no backup was made")
            self._on_trouble(True, "making it failed; see the log")
        else:
            self._on_trouble(False, "")

    def give_up_old(self) -> None:
        """Give up what is beyond the days and megabytes of the chambers."""
        try:
            self._make_room()  # of what is kept twice first
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
