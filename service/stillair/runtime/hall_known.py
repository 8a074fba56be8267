"""What a hall knows from before its start: its chambers, and what people were told.

What an earlier process heard has to be heard by this one, or it is out of reach.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable
from contextlib import AbstractContextManager, suppress

from stillair.clock import Clock
from stillair.errors import StoreError
from stillair.hall.known import KnownChamber, KnownChambers
from stillair.hall.mirror import Mirror
from stillair.hall.telling import Told, round_of
from stillair.storage.outbox import NoticeRow

log = logging.getLogger(__name__)


class HallKnown:
    """Keeps in the data directory which chambers there are, and has the mirror expect them.

    `lock` is whoever's who has the mirror.
    """

    def __init__(
        self,
        kept: KnownChambers,
        mirror: Mirror,
        lock: AbstractContextManager[bool],
        clock: Clock,
    ) -> None:
        self._kept = kept
        self._mirror = mirror
        self._lock = lock
        self._clock = clock

    def read(self) -> None:
        """Expect what stands in the file."""
        try:
            self._kept.read()
        except StoreError as error:
            log.warning("which chambers there are is not known: %s", error)
        for key, of in self._kept.chambers.items():
            self._expect(key, of)

    def stored(self, chambers: Iterable[str]) -> None:
        """Expect what the store has, but for what was taken off the page."""
        with self._lock:
            there = {*self._mirror.chambers, *self._mirror.gone}
        for key in chambers:
            if key not in there and not self._kept.is_off(key):
                self._expect(key, KnownChamber(name="", simulated=False))

    def keep(self) -> None:
        """Keep which chambers there are; by the thread that keeps house."""
        with self._lock:
            chambers = {
                of.key: KnownChamber(name=of.name, simulated=of.simulated, place=of.place)
                for of in self._mirror.chambers.values()
            }
            off = self._mirror.gone
        try:
            self._kept.keep(chambers, off)
        except StoreError as error:
            log.warning("which chambers there are is not kept: %s", error)

    def _expect(self, key: str, of: KnownChamber) -> None:
        with self._lock, suppress(ValueError):  # the file may say anything
            self._mirror.expect(
                key, self._clock.now_s(), name=of.name, place=of.place, simulated=of.simulated
            )


def told_before(rows: Iterable[NoticeRow]) -> list[Told]:
    """What stands in the outbox, the oldest first."""
    return [
        Told(
            *(row.alarm, row.stage, row.person, row.route, row.priority, row.created_at),
            round=round_of(row.key),
            kind=row.kind,
            title=row.title,
        )
        for row in rows
        if row.alarm is not None
    ]
