"""Chambers that are known from what was brought in, and that nobody watches here."""

from __future__ import annotations

import logging
import threading
from collections.abc import Container

from stillair.errors import CommandRefused, Refusal, StoreError
from stillair.storage.history import History

log = logging.getLogger(__name__)


class Elsewhere:
    """How they are called, by key. Thread-safe; asked of the journal when told to `look`."""

    def __init__(self, history: History, watched: Container[str]) -> None:
        self._history = history
        self._watched = watched
        self._lock = threading.Lock()
        self._names: dict[str, str] = {}

    def look(self) -> None:
        """Take in what is there now; a journal that can't be read changes nothing."""
        try:
            found = self._history.brought()
        except (StoreError, ValueError) as error:
            log.warning("what was brought in is not known: %s", error)
            return
        with self._lock:
            self._names = {k: name for k, name in found.items() if k not in self._watched}

    @property
    def names(self) -> dict[str, str]:
        """How they are called, by key."""
        with self._lock:
            return dict(self._names)

    def refusal(self, key: str, what: str) -> CommandRefused:
        """Why nothing can be done with a chamber that isn't watched here, or its job."""
        if key in self.names:
            return CommandRefused(
                Refusal.CONFLICT, "That was brought in, and its chamber is not watched here."
            )
        return CommandRefused(Refusal.UNKNOWN, f"There is no such {what}.")
