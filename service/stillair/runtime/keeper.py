"""A thread of its own that keeps something which nobody waits for."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod

STOP_S = 2.0


class Keeper(ABC):
    """Begin and end such a thread.

    `_changed` guards what it shares with others, `_stopping` among that: a `_run` that
    sees it keeps what waits, and ends.
    """

    def __init__(self, name: str) -> None:
        self._changed = threading.Condition()
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    @abstractmethod
    def _run(self) -> None: ...

    def start(self) -> None:
        """Begin to keep."""
        self._thread.start()

    def stop(self) -> None:
        """Keep what waits and end, within two seconds; a disk that hangs isn't waited for."""
        with self._changed:
            self._stopping = True
            self._changed.notify_all()
        if self._thread.ident is not None:
            self._thread.join(STOP_S)

    @property
    def alive(self) -> bool:
        """Whether its thread runs, as it should between start and stop."""
        return self._stopping or self._thread.ident is None or self._thread.is_alive()
