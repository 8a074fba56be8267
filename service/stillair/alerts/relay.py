"""The relay's loop: a thread of its own that keeps the machine running or off.

`set` only leaves word. The thread switches, and looks again every few seconds whether the
output still is as it should be: one that fails is told at once and tried again until it
works. Before the first word nothing is switched, so that a start alone lets no machine run.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import Protocol

from stillair.clock import Clock

log = logging.getLogger(__name__)

AGAIN_S = 0.5  # what failed is tried again
LOOK_S = 5.0  # what was switched is looked at again
STOP_S = 0.9


class RelayOutput(Protocol):
    """What lets the machine run. Every call may raise any error; none may block for long."""

    def let_run(self) -> None:
        """Let the machine have its supply."""
        ...

    def cut(self) -> None:
        """Take its supply away."""
        ...

    def look(self, *, is_cut: bool) -> str:
        """One clause on how it is, having switched nothing; raises where it isn't as it should."""
        ...

    def describe(self) -> str:
        """One clause for a person."""
        ...

    def close(self) -> None:
        """Free what it holds; safe to call twice."""
        ...


class NoRelay:
    """No output of the board itself: nothing is switched, and nothing fails."""

    def let_run(self) -> None:
        """Nothing is switched."""

    def cut(self) -> None:
        """Nothing is switched."""

    def look(self, *, is_cut: bool) -> str:  # noqa: ARG002 - there is nothing to look at
        return ""

    def describe(self) -> str:
        return ""

    def close(self) -> None:
        """Nothing is held."""


class RelayLoop:
    """Keep the machine as it was last said: running, or without supply.

    Parameters
    ----------
    output : RelayOutput
    clock : Clock
        The machine's own, however fast a chamber is played.
    on_trouble : callable
        Told (True, reason) when the output begins to fail, (False, "") when it works again.
    """

    def __init__(
        self, output: RelayOutput, clock: Clock, on_trouble: Callable[[bool, str], None]
    ) -> None:
        self._output = output
        self._clock = clock
        self._on_trouble = on_trouble
        self._wanted: bool | None = None  # whether the machine has to be off; None: nobody said
        self._is: bool | None = None  # how it was switched last
        self._failing = False
        self._stopping = False
        self._asked_s: float | None = None  # when the call of the output under way began
        self._wake = threading.Event()
        self._thread = threading.Thread(target=self._run, name="relay", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def set(self, stopped: bool) -> None:
        """Say whether the machine has to be off; never waits."""
        if stopped is not self._wanted:
            self._wanted = stopped
            self._wake.set()

    def on_time(self, within_s: float) -> bool:
        """Whether the thread runs, as it should between start and stop, and no call hangs."""
        asked_s = self._asked_s
        hangs = asked_s is not None and self._clock.now_s() - asked_s > within_s
        ended = self._thread.ident is not None and not self._thread.is_alive()
        return self._stopping or not (hangs or ended)

    def check(self) -> str:
        """How the output is, without switching it. Raises what it raises."""
        wanted = self._wanted
        if wanted is None or self._is is not wanted:
            raise RuntimeError("it has not been switched as it should be")
        return self._output.look(is_cut=wanted)

    def describe(self) -> str:
        """One clause for a person; "" where there is none."""
        return self._output.describe()

    def stop(self) -> None:
        """Let go of the output, which by the usual wiring stops the machine; safe to call twice."""
        self._stopping = True
        self._wake.set()
        if self._thread.is_alive() and self._thread is not threading.current_thread():
            self._thread.join(STOP_S)

    def _run(self) -> None:
        try:
            while not self._stopping:
                self._wake.clear()
                pause_s = LOOK_S if self._switched() else AGAIN_S
                self._clock.wait(self._clock.now_s() + pause_s, self._wake)
        finally:
            self._ask(self._output.close)

    def _switched(self) -> bool:
        """Switch as it was said, or look whether it is so; True if that went well."""
        wanted = self._wanted
        if wanted is None:
            return True
        if self._is is not wanted:
            action = self._output.cut if wanted else self._output.let_run
            if not self._ask(action):
                return False
            self._is = wanted
        if self._ask(lambda: self._output.look(is_cut=wanted)):
            self._tell(False, "")
            return True
        self._is = None  # it is switched again
        return False

    def _ask(self, action: Callable[[], object]) -> bool:
        """Let the output act; True if it did. That it begins to fail is told once."""
        self._asked_s = self._clock.now_s()
        try:
            action()
        except Exception as error:
            # Any error of a driver or program: it is tried again.
            self._tell(True, str(error) or type(error).__name__)
            return False
        finally:
            self._asked_s = None
        return True

    def _tell(self, failing: bool, reason: str) -> None:
        if failing is self._failing:
            return
        self._failing = failing
        log.log(logging.WARNING if failing else logging.INFO, "relay: %s", reason or "works")
        try:
            self._on_trouble(failing, reason)
        except Exception:
            # Whoever is told must not keep the machine running.
            log.exception("the relay's trouble was not taken")
