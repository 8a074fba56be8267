"""What fails of the courier itself: told once when it lasts, and once when it is over."""

from __future__ import annotations

import logging
from collections.abc import Callable

from stillair.errors import StoreError

log = logging.getLogger(__name__)

STARVED_S = 5.0  # without memory for a thread; longer than a passing need
EVERY_ROUTE = "every route"  # the subject of a trouble that is the courier's own
READ = "the outbox can't be read"
KEPT = "what becomes of messages can't be kept"
ROUND = "the courier stumbled"


class OwnFaults:
    """Count what fails in a row.

    Parameters
    ----------
    on_trouble : callable
        Told (EVERY_ROUTE, True, reason) when something fails for long, and
        (EVERY_ROUTE, False, "") when all works again.
    now_s : callable
        Monotonic seconds.
    patience : int
        How often in a row a store may fail until that is told.
    """

    def __init__(
        self,
        on_trouble: Callable[[str, bool, str], None],
        now_s: Callable[[], float],
        patience: int,
    ) -> None:
        self._on_trouble = on_trouble
        self._now_s = now_s
        self._patience = patience
        self._counts: dict[str, int] = {}
        self._troubled = False
        self._starved_s: float | None = None  # since when there is no memory to work with

    @property
    def starved(self) -> bool:
        """Whether there has been no memory to begin a thread with for `STARVED_S`."""
        since_s = self._starved_s
        return since_s is not None and self._now_s() - since_s > STARVED_S

    def fails(self, what: str, error: Exception) -> None:
        """A store that fails is in trouble after several times in a row, a defect at once."""
        count = self._counts[what] = self._counts.get(what, 0) + 1
        if isinstance(error, MemoryError) and self._starved_s is None:
            self._starved_s = self._now_s()
        if isinstance(error, StoreError):
            log.warning("%s: %s", what, error)
            lasting = count >= self._patience
        else:
            log.error("%s: %r", what, error, exc_info=error if count == 1 else None)
            lasting = True
        if lasting and not self._troubled:
            self._troubled = True
            self._tell(True, what)

    def works(self, what: str) -> None:
        """That has just been done."""
        self._counts.pop(what, None)
        if what != ROUND:  # a round may have had nothing to do
            self._starved_s = None
        if self._troubled and not self._counts:
            self._troubled = False
            self._tell(False, "")

    def _tell(self, failing: bool, reason: str) -> None:
        try:
            self._on_trouble(EVERY_ROUTE, failing, reason)
        except Exception:
            # Whoever is told must not end the rounds.
            log.exception("the courier's trouble was not taken")
