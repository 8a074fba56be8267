"""What the loops of sounder and relay share: a thread of its own around an output that may fail.

Only that thread calls the output. That it begins to fail is told once, and it is called again;
a call that hangs can't say so itself, so whoever looks after the loops asks `on_time`.
"""

from __future__ import annotations

import logging
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable

from stillair.clock import Clock

log = logging.getLogger(__name__)

STOP_S = 0.9


class OutputLoop(ABC):
    """Do one round after the other until it is stopped; a subclass says what a round is.

    Parameters
    ----------
    name : str
        What it drives, for the log.
    clock : Clock
        The machine's own, however fast a chamber is played.
    on_trouble : callable
        Told (True, reason) when the output begins to fail, (False, "") when it works again.
    """

    def __init__(self, name: str, clock: Clock, on_trouble: Callable[[bool, str], None]) -> None:
        self._name = name
        self._clock = clock
        self._on_trouble = on_trouble
        self._fault = ""  # of the newest call of the output that failed
        self._failing = False
        self._stopping = False
        self._asked_s: float | None = None  # when the call of the output under way began
        self._wake = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def on_time(self, within_s: float) -> bool:
        """Whether the thread runs, as it should between start and stop, and no call hangs."""
        asked_s = self._asked_s
        hangs = asked_s is not None and self._clock.now_s() - asked_s > within_s
        ended = self._thread.ident is not None and not self._thread.is_alive()
        return self._stopping or not (hangs or ended)

    def stop(self) -> None:
        """End it and let go of the output; safe to call twice."""
        self._stopping = True
        self._wake.set()
        if self._thread.is_alive() and self._thread is not threading.current_thread():
            self._thread.join(STOP_S)

    @abstractmethod
    def _round(self) -> None:
        """Do what is wanted until `_wake` is set."""

    @abstractmethod
    def _end(self) -> None:
        """Let go of the output."""

    def _run(self) -> None:
        try:
            while not self._stopping:
                self._wake.clear()
                self._round()
        finally:
            self._end()

    def _ask(self, action: Callable[[], object]) -> bool:
        """Let the output act; True if it did. That it begins to fail is told once."""
        self._asked_s = self._clock.now_s()
        try:
            action()
        except Exception as error:
            # Any error of a driver or program: it is called again, for it may work then.
            self._fault = str(error) or type(error).__name__
            self._tell(True, self._fault)
            return False
        finally:
            self._asked_s = None
        return True

    def _tell(self, failing: bool, reason: str) -> None:
        """Tell that it begins to fail, or works again; nothing where that is known."""
        if failing is self._failing:
            return
        self._failing = failing
        level = logging.WARNING if failing else logging.INFO
        log.log(level, "%s: %s", self._name, reason or "works")
        try:
            self._on_trouble(failing, reason)
        except Exception:
            # Whoever is told must neither silence the sounder nor keep the machine running.
            log.exception("the %s's trouble was not taken", self._name)
