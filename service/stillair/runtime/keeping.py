"""What has to be done to what is kept: flush readings often, give up old ones nightly."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from stillair.errors import StoreError
from stillair.storage.archive import Archive

log = logging.getLogger(__name__)

FLUSH_EVERY_S = 5.0


class ArchiveLoop:
    """Flush the archive in a thread of its own; tell when it can't be."""

    def __init__(self, archive: Archive, on_trouble: Callable[[bool, str], None]) -> None:
        self._archive = archive
        self._on_trouble = on_trouble
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
        try:
            self._archive.flush()
        except StoreError as error:
            self._tell(True, str(error))
        except Exception:
            # Readings wait in memory; the next round may do better.
            log.exception("the archive stumbled")
            self._tell(True, "the archive stumbled; see the log")
        else:
            self._tell(False, "")

    def _tell(self, failing: bool, reason: str) -> None:
        if failing is not self._failing:
            self._failing = failing
            self._on_trouble(failing, reason)
