"""What a page can ask of whoever serves it: a board that watches, or a hall of many boards.

Both answer of what is kept in the same way; who watches, and what of the present there is to be
told, is each one's own.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from stillair.alerts.courier import Courier
from stillair.alerts.push import PushRoute
from stillair.errors import CommandRefused, Refusal, StillairError
from stillair.model import Command
from stillair.runtime.alarm_tests import AlarmTests
from stillair.runtime.feed import LiveFeed
from stillair.runtime.heights import Heights
from stillair.runtime.redacting import Places
from stillair.runtime.schedule import Housekeeping
from stillair.runtime.troubles import Troubles
from stillair.runtime.ways_tried import WaysTried
from stillair.storage.history import History, Page
from stillair.storage.items import Item

HOUR_S = 3600.0
STORED_S = 1.0  # how long an answer waits to be able to say "stored"


@dataclass(frozen=True, slots=True)
class Answer:
    """A command has been carried out: what it made, and whether that is stored yet."""

    created: str | None
    stored: bool


class NotAnsweredError(StillairError):
    """The loop of a chamber did not answer a command in time."""


class Past(ABC):
    """Questions about what is kept; `StoreError` where it can't be read."""

    alarm_tests: AlarmTests
    push: PushRoute
    ways: WaysTried
    courier: Courier
    housekeeping: Housekeeping
    places: Places
    troubles: Troubles

    def __init__(self, history: History) -> None:
        self.history = history
        self.heights = Heights(history)
        self.feed = LiveFeed(self.now)
        self.last_seq = 0

    # --- each one's own ------------------------------------------------------------------

    @abstractmethod
    def start(self) -> None:
        """Begin to watch, or to listen."""

    @abstractmethod
    def now(self, owner: bool = True) -> Item:
        """Everything that the first page shows; where things hang is for owners alone."""

    @abstractmethod
    def is_whole(self) -> bool:
        """Whether all that watches, keeps and tells is as it should be."""

    @abstractmethod
    def on_time(self) -> bool:
        """Whether all that a restart would cure is as it should be."""

    @abstractmethod
    def work(self) -> Mapping[str, Callable[[], Awaitable[None]]]:
        """What goes on in the web server's loop until it is cancelled, by its name."""

    @abstractmethod
    def wall(self) -> datetime:
        """The machine's wall clock."""

    @abstractmethod
    def chamber_time_s(self, key: str) -> float:
        """Now, by the clock of a chamber."""

    @abstractmethod
    def chamber(self, key: str | None) -> str:
        """The chamber of that key, or the first. Raises `CommandRefused` (unknown)."""

    @abstractmethod
    def kept_chamber(self, key: str | None) -> str:
        """As `chamber`, also where something of it is kept and nobody watches it here."""

    @abstractmethod
    def alarms(
        self, after: int, limit: int, chamber: str | None, standing: bool | None
    ) -> tuple[list[Item], int | None]:
        """A page of alarms as they stand this second, and what comes after it."""

    @abstractmethod
    async def test_command(self, test: str, make: Callable[[float], Command]) -> Answer:
        """A word on an alarm test, to where it was begun. Raises `CommandRefused`."""

    @abstractmethod
    def missed(self, last: int, limit: int) -> Page:
        """What a page that was away has to be told of the ledger, after a number."""

    @abstractmethod
    def toolpath_of(self, job: str) -> str | None:
        """The id of the toolpath that a job follows."""

    @abstractmethod
    def with_telephones(self) -> tuple[str, ...]:
        """Whose telephones may join."""

    # --- what is kept -----------------------------------------------------------------------

    def job(self, job: str) -> Item:
        """One job. Raises `CommandRefused` (unknown)."""
        self.history.catch_up()
        item = self.history.job(job)
        if item is None:
            raise CommandRefused(Refusal.UNKNOWN, "There is no such job.")
        return item

    def readings(
        self, key: str, start_s: float | None, end_s: float | None, points: int
    ) -> dict[str, Any]:
        """Readings of a chamber in columns; the last hour where no stretch is given."""
        if end_s is None:
            end_s = self.chamber_time_s(key)
        if start_s is None:
            start_s = end_s - HOUR_S
        if start_s > end_s:  # of what is still to come
            return {"time_s": [], "sensors": {}}
        return self.history.readings(key, start_s, end_s, points)

    def job_readings(
        self, job: str, start_s: float | None, end_s: float | None, points: int
    ) -> dict[str, Any]:
        """Readings from the job's start until it had cooled, or the part that is asked for."""
        key = str(self.job(job)["chamber"])
        begun_s, over_s = self.history.job_span(job)
        if over_s is None:
            over_s = self.chamber_time_s(key) + 1.0
        start_s = max(begun_s, start_s) if start_s is not None else begun_s
        end_s = min(over_s, end_s) if end_s is not None else over_s
        if start_s > end_s:  # all of it before the job, or after
            return {"time_s": [], "sensors": {}}
        return self.history.job_readings(job, start_s, end_s, points)
