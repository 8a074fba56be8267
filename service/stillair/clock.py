"""Time as an argument: who needs the time takes a `Clock`.

Durations use monotonic seconds; wall-clock time is only a label. A chamber
that is played faster than life has a `FasterClock`, so that everything in it,
rates and delays included, agrees on one time.
"""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime
from typing import Protocol

MOST_AHEAD_S = 30.0  # a faster clock waits when its chamber's watch is further behind
MADE_AT = datetime(2026, 1, 1, tzinfo=UTC)  # a wall clock before this has never been set
PATIENCE_S = 15.0  # of the machine's time; a chamber's loop that is stuck for 5 s counts as late


class Clock(Protocol):
    """Monotonic seconds, wall-clock time and waiting."""

    def now_s(self) -> float:
        """Seconds that never go backwards."""
        ...

    def wall(self) -> datetime:
        """The aware UTC wall-clock time, which may step either way."""
        ...

    def wait(self, until_s: float, wake: threading.Event) -> bool:
        """Block until `now_s()` reaches `until_s` or `wake` is set; True if woken."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def now_s(self) -> float:
        return time.monotonic()

    def wall(self) -> datetime:
        return datetime.now(UTC)

    def wait(self, until_s: float, wake: threading.Event) -> bool:
        return wake.wait(max(0.0, until_s - self.now_s()))


class FasterClock:
    """A clock that runs `speed` times as fast as `base` from the moment it is made.

    Its wall-clock label advances at the same speed, from `start_at` or now.
    Where the computer can't follow so fast, time waits for who tells `check` how
    far it has come, so that no second is passed over; but for no longer than
    `PATIENCE_S`, as who doesn't come round any more must not stop time.
    Raises `ValueError` unless `speed` is above 0.
    """

    def __init__(self, base: Clock, speed: float, *, start_at: datetime | None = None) -> None:
        if not speed > 0:
            raise ValueError(f"speed must be above 0, not {speed}")
        self._base = base
        self._speed = speed
        self._origin_s = base.now_s()
        self._origin_at = start_at or base.wall()
        self._lock = threading.Lock()
        self._waited_s = 0.0  # of this clock's seconds
        self._told_s = self._origin_s
        self._reached: tuple[float, float] | None = None  # in this clock's seconds, and when

    def check(self, t_s: float) -> None:
        """Whoever goes through all seconds of this clock has come to `t_s`."""
        with self._lock:
            self._reached = (t_s, self._base.now_s())

    def now_s(self) -> float:
        with self._lock:
            base_s = self._base.now_s()
            now_s = self._origin_s + (base_s - self._origin_s) * self._speed - self._waited_s
            if self._reached is not None:
                reached_s, at_s = self._reached
                ahead_s = now_s - max(reached_s + MOST_AHEAD_S, self._told_s)
                if ahead_s > 0.0 and base_s - at_s < PATIENCE_S:
                    self._waited_s += ahead_s
                    now_s -= ahead_s
            self._told_s = max(now_s, self._told_s)  # it never goes backwards
            return self._told_s

    def wall(self) -> datetime:
        return datetime.fromtimestamp(
            self._origin_at.timestamp() + self.now_s() - self._origin_s, UTC
        )

    def wait(self, until_s: float, wake: threading.Event) -> bool:
        with self._lock:
            waited_s = self._waited_s
        base_until_s = self._origin_s + (until_s - self._origin_s + waited_s) / self._speed
        return self._base.wait(base_until_s, wake)


class ManualClock:
    """A clock that a test moves by hand; `wait` jumps straight to its deadline."""

    def __init__(self, start_s: float = 0.0, start_at: datetime | None = None) -> None:
        self._now_s = start_s
        self._wall = start_at or datetime(2026, 5, 2, 9, 0, tzinfo=UTC)

    def now_s(self) -> float:
        return self._now_s

    def wall(self) -> datetime:
        return self._wall

    def wait(self, until_s: float, wake: threading.Event) -> bool:
        if wake.is_set():
            return True
        self.advance(max(0.0, until_s - self._now_s))
        return False

    def advance(self, seconds: float) -> None:
        """Move both clocks forward. Raises `ValueError` for a negative step."""
        if seconds < 0:
            raise ValueError("monotonic time never goes backwards")
        self._now_s += seconds
        self.step_wall(seconds)

    def step_wall(self, seconds: float) -> None:
        """Move the wall clock alone, either way, as a time service or a person does."""
        self._wall = datetime.fromtimestamp(self._wall.timestamp() + seconds, UTC)
