"""What has to be done to what is kept: flush readings often, give up old ones nightly."""

from __future__ import annotations

import asyncio
import logging
import threading
import time
from collections.abc import Callable
from contextlib import suppress

from stillair.errors import StoreError
from stillair.storage.archive import Archive

log = logging.getLogger(__name__)

WRITE_OUT_S = 2.0
FLUSH_EVERY_S = 5.0
LATE_S = 15.0  # a flush that takes longer hangs; packing a full tail takes some 0.2 s on a card


class ArchiveLoop:
    """Flush the archive in a thread of its own; tell when it can't be, or doesn't end."""

    def __init__(
        self,
        archive: Archive,
        on_trouble: Callable[[bool, str], None],
        *,
        also: Callable[[], object] = lambda: None,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._archive = archive
        self._also = also  # has the journal get what other processes want to see beside readings
        self._on_trouble = on_trouble
        self._monotonic_s = monotonic_s
        self._lock = threading.Lock()  # what is told comes in the order of what was
        self._begun_s: float | None = None  # the flush under way
        self._failing = False
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="archive", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """Keep what is in memory and end, within two seconds."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(2.0)

    def check(self) -> None:
        """Tell when a flush doesn't end; never blocks. Call it each second, from any thread."""
        with self._lock:
            begun_s = self._begun_s
            if begun_s is not None and self._monotonic_s() - begun_s > LATE_S:
                self._tell(True, f"the disk has not answered for {LATE_S:g} s")

    async def write_out(self) -> None:
        """Let another process see the newest readings too; it sees fewer where the disk is slow."""
        with suppress(StoreError, TimeoutError):
            await asyncio.wait_for(asyncio.to_thread(self._write_out), WRITE_OUT_S)

    def _write_out(self) -> None:
        self._also()
        self._archive.flush()

    @property
    def alive(self) -> bool:
        """Whether its thread runs, as it should between start and stop."""
        started = self._thread.ident is not None
        return self._stopping.is_set() or not started or self._thread.is_alive()

    @property
    def keeps(self) -> bool:
        """Whether readings get to the disk, as far as is known."""
        return not self._failing and self.alive

    @property
    def repaired(self) -> str | None:
        """One sentence if a damaged file was set aside since the start."""
        return self._archive.repaired

    @property
    def lost(self) -> int:
        """Readings that could not be kept since the start."""
        return self._archive.lost

    def _run(self) -> None:
        self._flush()  # opens the file, so that charts have something to read at once
        while not self._stopping.wait(FLUSH_EVERY_S):
            self._flush()
        self._flush()
        try:
            self._archive.close()
        except StoreError as error:
            log.warning("the archive was not closed in order: %s", error)

    def _flush(self) -> None:
        self._begun_s = self._monotonic_s()
        reason = ""
        try:
            self._archive.flush()
        except StoreError as error:
            reason = str(error)
        except Exception:
            # Readings wait in memory; the next round may do better.
            log.exception("the archive stumbled")
            reason = "the archive stumbled; see the log"
        with self._lock:
            self._begun_s = None
            self._tell(bool(reason), reason)

    def _tell(self, failing: bool, reason: str) -> None:
        if failing is self._failing:
            return
        self._failing = failing
        try:
            self._on_trouble(failing, reason)
        except Exception:
            # Whoever is told must not end the keeping.
            log.exception("the archive's trouble was not taken")
