"""Whether the copy of a hall's database that pages read is there, and how old it is.

It stands on the page alone: nobody is told, for what boards hand on is kept all the same.
"""

from __future__ import annotations

import logging
import threading
from typing import Final

from stillair.clock import Clock
from stillair.database.server import ServerReader
from stillair.errors import StoreError
from stillair.storage.hall_history import behind_s
from stillair.storage.items import Item

log = logging.getLogger(__name__)

LOOK_S: Final = 5.0
BEHIND_S: Final = 30.0  # less is nothing that anybody would miss
STOP_S: Final = 0.5


class PagesCopy:
    """Asks the copy now and then, in a thread of its own."""

    def __init__(self, address: str, clock: Clock) -> None:
        self._reader = ServerReader(address, pool_size=1)
        self._clock = clock
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="hall copy", daemon=True)
        self._ails: Item | None = None

    @property
    def ails(self) -> Item | None:
        """None while all is well; else the `reason` why it is not there, or its age `behind_s`.

        That is None where the copy itself doesn't know it.
        """
        return self._ails

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End it; harmless twice."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(STOP_S)
        self._reader.close()

    def look(self) -> Item | None:
        """Ask once, 10 s at most; gives what ails it."""
        try:
            late_s = behind_s(self._reader)
        except StoreError as error:
            if self._ails is None:
                log.warning("hall: %s", error)
            self._ails = {"reason": str(error), "behind_s": None}
            return self._ails
        is_late = late_s is None or late_s > BEHIND_S
        self._ails = {"reason": "", "behind_s": late_s} if is_late else None
        return self._ails

    def _run(self) -> None:
        due_s = self._clock.now_s()
        while not self._stopping.is_set():
            self.look()
            due_s = max(due_s, self._clock.now_s()) + LOOK_S
            self._clock.wait(due_s, self._stopping)
