"""What a chamber's watch knows again after a restart, and nothing where it can't be read."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import UTC, datetime

from stillair.errors import StoreError
from stillair.model import Timeline, WatchMemory
from stillair.storage.history import History
from stillair.storage.items import Item
from stillair.storage.journal import Journal

log = logging.getLogger(__name__)

HOUR_S = 3600.0
STORIES = 1000  # changes read back at a start


class KnownBefore:
    """Ask the stores at a start; `recover` brings what the last process couldn't write."""

    def __init__(self, journal: Journal, history: History, recover: Callable[[], object]) -> None:
        self._journal = journal
        self._history = history
        self._recover = recover

    def memory(self, key: str, timeline: Timeline) -> WatchMemory:
        """What a chamber's watch knows again; nothing where the journal can't be read."""
        self._recover()
        try:
            return self._journal.memory(key, timeline)
        except StoreError as error:
            log.error("what was known before is not known now: %s", error)
            return WatchMemory()

    def learned(self, key: str) -> str | None:
        """What a chamber's watch had learned; nothing where the journal can't be read."""
        try:
            return self._journal.remembered(key)
        except StoreError as error:
            log.error("what was learned before is learned anew: %s", error)
            return None

    def last_hour(self, key: str, now_epoch_s: float) -> list[Item]:
        """The last hour's changes of events, oldest first."""
        since_at = datetime.fromtimestamp(now_epoch_s - HOUR_S, UTC)
        try:
            page = self._history.entries(
                0, STORIES, "event", chamber=key, since_at=since_at, last=True
            )
        except StoreError:
            return []
        return [entry.body for entry in page.entries]

    def last_label(self, key: str) -> datetime | None:
        """The wall-clock label up to which a chamber's history goes."""
        zero = Timeline("", 0.0)
        seen_s = self.memory(key, zero).last_seen_s
        return zero.at(seen_s) if seen_s is not None else None
