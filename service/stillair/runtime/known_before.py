"""What a chamber's watch knows again after a restart, and nothing where it can't be read."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from stillair.errors import StoreError
from stillair.model import Timeline, WatchMemory
from stillair.storage.history import History
from stillair.storage.items import Item
from stillair.storage.journal import Journal
from stillair.storage.readings import Readings
from stillair.storage.writer import MARK_BY_READINGS_S

log = logging.getLogger(__name__)

HOUR_S = 3600.0
STORIES = 1000  # changes read back at a start


class KnownBefore:
    """Ask the stores at a start; `recover` brings what the last process couldn't write.

    The file `archive` is read as that process left it.
    """

    def __init__(
        self, journal: Journal, history: History, archive: Path, recover: Callable[[], object]
    ) -> None:
        self._journal = journal
        self._history = history
        self._archive = archive
        self._recover = recover

    def memory(self, key: str, timeline: Timeline, now_s: float = math.inf) -> WatchMemory:
        """What a chamber's watch knows again; nothing where the journal can't be read.

        Somebody watched until the newest mark in the journal, or until the newest reading that
        is kept, if that came later; `now_s` is the chamber's present.
        """
        self._recover()
        try:
            memory = self._journal.memory(key, timeline)
        except StoreError as error:
            log.error("what was known before is not known now: %s", error)
            return WatchMemory()
        marked_s = memory.last_seen_s
        if marked_s is None or marked_s >= now_s:
            return memory
        until_s = min(marked_s + 2.0 * MARK_BY_READINGS_S, now_s)
        try:
            with closing(Readings(self._archive)) as kept:
                since_s = timeline.epoch_s(marked_s)
                read_s = kept.newest_s(key, since_s, timeline.epoch_s(until_s))
        except StoreError as error:
            log.warning("until when it was watched is known by its last mark alone: %s", error)
            return memory
        if read_s is None:
            return memory
        return replace(memory, last_seen_s=max(marked_s, read_s - timeline.wall_at_zero_s))

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
        seen_s = self.memory(key, zero, -math.inf).last_seen_s  # its marks are close enough
        return zero.at(seen_s) if seen_s is not None else None
