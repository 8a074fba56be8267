"""The relay's loop: a thread of its own that keeps the machine running or off.

`set` only leaves word. The thread switches, and looks again every few seconds whether the
output still is as it should be: one that fails is told at once and tried again until it
works. Before the first word nothing is switched, so that a start alone lets no machine run.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from stillair.alerts.output_loop import OutputLoop
from stillair.clock import Clock

AGAIN_S = 0.5  # what failed is tried again
LOOK_S = 5.0  # what was switched is looked at again


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


class RelayLoop(OutputLoop):
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
        super().__init__("relay", clock, on_trouble)
        self._output = output
        self._wanted: bool | None = None  # whether the machine has to be off; None: nobody said
        self._is: bool | None = None  # how it was switched last

    def set(self, stopped: bool) -> None:
        """Say whether the machine has to be off; never waits."""
        if stopped is not self._wanted:
            self._wanted = stopped
            self._wake.set()

    def check(self) -> str:
        """How the output is, without switching it. Raises what it raises."""
        wanted = self._wanted
        if wanted is None or self._is is not wanted:
            raise RuntimeError("it has not been switched as it should be")
        return self._output.look(is_cut=wanted)

    def describe(self) -> str:
        """One clause for a person; "" where there is none."""
        return self._output.describe()

    def _round(self) -> None:
        pause_s = LOOK_S if self._switched() else AGAIN_S
        self._clock.wait(self._clock.now_s() + pause_s, self._wake)

    def _end(self) -> None:
        # By the usual wiring that stops the machine.
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
