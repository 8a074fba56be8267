"""How much of what ought to be read was: readings of sensors, and pictures."""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Callable

from stillair.model import Reading

MINUTES = 60
PICTURES = 100  # over which their rate is taken
GRACE_S = 2.0  # a slow camera's next picture may still come


class Tally:
    """Count readings by the chamber's time and pictures by the machine's. Thread-safe, no I/O."""

    def __init__(self, machine_s: Callable[[], float]) -> None:
        self._machine_s = machine_s
        self._lock = threading.Lock()
        # By sensor, each minute: its number, sound and lost readings.
        self._minutes: dict[str, deque[list[int]]] = {}
        self._counts: dict[str, list[int]] = {}  # by sensor, sound and lost since the start
        self._pictures: deque[float] = deque(maxlen=PICTURES)
        self.read_s = -math.inf  # the newest reading's instant

    def reading(self, reading: Reading) -> None:
        """Take one, sound or not."""
        number = int(reading.t_s // 60.0)
        with self._lock:
            self.read_s = max(self.read_s, reading.t_s)
            minutes = self._minutes.setdefault(reading.sensor, deque(maxlen=MINUTES))
            if not minutes or minutes[-1][0] != number:
                minutes.append([number, 0, 0])
            lost = reading.temperature_c is None
            minutes[-1][2 if lost else 1] += 1
            self._counts.setdefault(reading.sensor, [0, 0])[lost] += 1

    def picture(self) -> None:
        """One has come."""
        with self._lock:
            self._pictures.append(self._machine_s())

    def lost(self, sensor: str, now_s: float) -> float | None:
        """The share of a sensor's readings of the last hour that gave nothing; None without any."""
        oldest = int(now_s // 60.0) - MINUTES
        with self._lock:
            minutes = [m for m in self._minutes.get(sensor, ()) if m[0] > oldest]
            sound, lost = sum(m[1] for m in minutes), sum(m[2] for m in minutes)
        return lost / (sound + lost) if sound + lost else None

    def counts(self, sensor: str) -> tuple[int, int]:
        """How many of a sensor's readings were sound since the start, and how many gave nothing."""
        with self._lock:
            sound, lost = self._counts.get(sensor, (0, 0))
        return sound, lost

    def pictures_per_s(self) -> float | None:
        """How fast pictures come; None where too few have."""
        with self._lock:
            times_s = tuple(self._pictures)
        if len(times_s) < 2:
            return None
        # Until now, so that no rate stands where nothing comes any more.
        span_s = max(times_s[-1], self._machine_s() - GRACE_S) - times_s[0]
        return (len(times_s) - 1) / span_s if span_s > 0.0 else None
