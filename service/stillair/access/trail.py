"""Acts on their way to the record: taken at once, written by a thread of its own.

Whoever answers an alarm must not wait for a disk. While none can be written,
the newest acts wait in memory, and how many older ones had to be dropped is
written down with them.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

log = logging.getLogger(__name__)

MOST_WAITING = 2_000
AGAIN_S = 30.0
FLUSH_S = 2.0


@dataclass(frozen=True, slots=True)
class Act:
    """Who did what, with what, from where, and when (microseconds since the epoch)."""

    at_us: int
    what: str
    subject: str
    by: str
    address: str


class Trail:
    """Hand acts to `write`, which says whether they were kept, in the order they came."""

    def __init__(self, write: Callable[[list[Act]], bool], *, again_s: float = AGAIN_S) -> None:
        self._write = write
        self._again_s = again_s
        self._changed = threading.Condition()  # guards all of the following
        self._waiting: deque[Act] = deque()
        self._dropped = 0
        self._working = False

    def take(self, act: Act) -> None:
        """Take one act from any thread; never blocks."""
        with self._changed:
            if len(self._waiting) >= MOST_WAITING:
                self._waiting.popleft()
                self._dropped += 1
            self._waiting.append(act)
            if not self._working:
                self._working = True
                threading.Thread(target=self._run, name="record of acts", daemon=True).start()

    def flush(self, within_s: float = FLUSH_S) -> bool:
        """Wait until everything is written; False if it isn't in time."""
        with self._changed:
            return self._changed.wait_for(lambda: not self._working, within_s)

    def _run(self) -> None:
        while True:
            with self._changed:
                batch, dropped = list(self._waiting), self._dropped
                if not batch:
                    self._working = False
                    self._changed.notify_all()
                    return
            told = batch
            if dropped:
                lost = Act(batch[0].at_us, f"{dropped} acts could not be kept", "", "", "")
                told = [lost, *batch]
            try:
                kept = self._write(told)
            except Exception:
                log.exception("acts can't be put on record")
                kept = False
            with self._changed:
                if kept:
                    self._dropped -= dropped
                    done = set(map(id, batch))
                    while self._waiting and id(self._waiting[0]) in done:
                        self._waiting.popleft()
                else:
                    log.warning("%d acts wait to be put on record", len(self._waiting))
                    self._changed.wait(self._again_s)
