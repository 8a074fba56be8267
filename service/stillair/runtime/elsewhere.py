"""Chambers that are known here and that nobody watches here: brought in, or no longer watched."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Container

from stillair.errors import CommandRefused, Refusal, StoreError
from stillair.model import Outcome, Timeline
from stillair.storage.history import History
from stillair.storage.left import Left

log = logging.getLogger(__name__)

# A chamber file that was left out by mistake is back by then, and its job goes on: a watch that
# was blind for so long gives up a job as well.
GONE_S = 1800.0


class Elsewhere:
    """How they are called, by key. Thread-safe; asked of the journal when told to `look`."""

    def __init__(self, history: History, watched: Container[str]) -> None:
        self._history = history
        self._watched = watched
        self._lock = threading.Lock()
        self._brought: dict[str, str] = {}
        self._left: dict[str, Left] = {}
        self._ended: set[str] = set()  # what has its end kept, or waiting for room to be

    def look(self) -> None:
        """Take in what is there now; a journal that can't be read changes nothing."""
        try:
            places = self._history.places
            brought, left = places.brought(), places.left(self._watched)
        except (StoreError, ValueError) as error:
            log.warning("which chambers are watched elsewhere is not known: %s", error)
            return
        with self._lock:
            self._brought = {k: name for k, name in brought.items() if k not in self._watched}
            self._left = {of.chamber: of for of in left if of.chamber not in self._brought}

    def close(self, now_s: float, keep: Callable[[Outcome, Timeline], object]) -> None:
        """End what is open in chambers that nobody has watched for long; `now_s` since the epoch.

        A job, and alarms and events: nobody could answer them any more.
        """
        with self._lock:
            left = list(self._left.values())
        for of in left:
            closed = of.closed()
            if closed is None or now_s - of.seen_s < GONE_S:
                continue
            ids = {job.id for job in closed[0].jobs}
            ids |= {f"alarm {alarm.id}" for alarm in closed[0].alarms}
            ids |= {f"event {of.chamber}-{event.event}" for event in closed[0].events}
            if not self._ended.issuperset(ids):
                self._ended |= ids
                log.warning("%s is watched no more: what is open there is ended", of.chamber)
                keep(*closed)

    @property
    def names(self) -> dict[str, str]:
        """How they are called, by key."""
        with self._lock:
            return {key: of.name for key, of in self._left.items()} | self._brought

    def refusal(self, key: str, what: str) -> CommandRefused:
        """Why nothing can be done with a chamber that isn't watched here, or its job."""
        with self._lock:
            brought, left = key in self._brought, key in self._left
        if brought:
            return CommandRefused(
                Refusal.CONFLICT, "That was brought in, and its chamber is not watched here."
            )
        if left:
            return CommandRefused(Refusal.CONFLICT, "Its chamber is not watched here any more.")
        return CommandRefused(Refusal.UNKNOWN, f"There is no such {what}.")
