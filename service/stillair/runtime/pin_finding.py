"""Which pin a switch hangs at: whoever opens and closes the door sees which one changes.

Only pins that nothing uses are looked at, as inputs, from when somebody begins until nobody
has asked for some seconds. No pin is ever driven.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from stillair.sensing import free_pins
from stillair.sensing.free_pins import BoardPin, WatchedPin

LOOKED_FOR_S: Final = 15.0  # after the last question the pins are let go
PAUSE_S: Final = 0.03  # nobody opens and shuts a door faster


@dataclass(frozen=True, slots=True)
class SeenPin:
    """A free pin: whether it is connected to ground, and how often that has changed."""

    number: int
    is_closed: bool
    changes: int


@dataclass(frozen=True, slots=True)
class PinsNow:
    """What is known of all pins; `why` says why none can be looked at, and what to do."""

    is_looking: bool
    free: tuple[SeenPin, ...]
    used: tuple[BoardPin, ...]
    unused: tuple[int, ...] = ()  # looked at or not
    why: str = ""


class PinFinder:
    """Look at free pins while somebody asks.

    Parameters
    ----------
    taken : callable
        The pins that chamber files name, with what for.
    board : callable
        All pins of the header; raises `OSError` with a remedy.
    opened : callable
        Opens a free one as an input.
    """

    def __init__(
        self,
        taken: Callable[[], Mapping[int, str]],
        *,
        board: Callable[[], Sequence[BoardPin]] | None = None,
        opened: Callable[[int], WatchedPin] | None = None,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._taken = taken
        self._board = board or free_pins.board_pins
        self._opened = opened or free_pins.FreePin
        self._monotonic_s = monotonic_s
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._asked_s = 0.0
        self._seen: dict[int, SeenPin] = {}
        self._refused: dict[int, str] = {}
        self._stopping = threading.Event()

    def begin(self) -> None:
        """Look from now on, and count from now on."""
        with self._lock:
            self._asked_s = self._monotonic_s()
            self._seen = {n: SeenPin(n, p.is_closed, 0) for n, p in self._seen.items()}
            if not self._is_looking() and not self._stopping.is_set():
                self._seen, self._refused = {}, {}
                self._thread = threading.Thread(
                    target=self._run, name="looking for switches", daemon=True
                )
                self._thread.start()

    def now(self) -> PinsNow:
        """All pins as they are; asking keeps them being looked at, and begins nothing."""
        with self._lock:
            self._asked_s = self._monotonic_s()
            looking, seen, refused = self._is_looking(), dict(self._seen), dict(self._refused)
        try:
            board = self._board()
        except OSError as error:
            return PinsNow(False, (), (), why=str(error))
        # What is looked at is held by ourselves, which is no use of it.
        by = {pin.number: "" if pin.number in seen else pin.used_by for pin in board}
        by |= {n: why for n, why in {**refused, **self._taken()}.items() if n in by}
        return PinsNow(
            looking,
            tuple(seen[n] for n in sorted(seen)) if looking else (),
            tuple(BoardPin(n, who) for n, who in by.items() if who),
            tuple(n for n, who in by.items() if not who),
        )

    def stop(self) -> None:
        """Let all pins go."""
        self._stopping.set()
        thread = self._thread
        if thread is not None:
            thread.join(1.0)

    # --- the thread --------------------------------------------------------------

    def _is_looking(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def _run(self) -> None:
        pins: dict[int, WatchedPin] = {}
        try:
            for number in self._wanted():
                try:
                    pins[number] = self._opened(number)
                except OSError as error:  # somebody was faster
                    with self._lock:
                        self._refused[number] = error.strerror or str(error)
            while self._monotonic_s() - self._asked_s < LOOKED_FOR_S:
                for number, pin in list(pins.items()):
                    try:
                        self._look(number, closed=pin.is_closed())
                    except OSError:
                        pins.pop(number).close()
                        with self._lock:
                            self._seen.pop(number, None)
                if self._stopping.wait(PAUSE_S):
                    return
        finally:
            for pin in pins.values():
                pin.close()
            with self._lock:
                self._seen = {}

    def _wanted(self) -> list[int]:
        taken = self._taken()
        try:
            board = self._board()
        except OSError:
            return []
        return [pin.number for pin in board if not pin.used_by and pin.number not in taken]

    def _look(self, number: int, *, closed: bool) -> None:
        with self._lock:
            last = self._seen.get(number)
            changes = 0 if last is None else last.changes + (last.is_closed is not closed)
            self._seen[number] = SeenPin(number, closed, changes)
