"""Wall-clock labels for a chamber's seconds."""

from __future__ import annotations

import threading
from pathlib import Path

from stillair.clock import Clock
from stillair.model import Timeline

STEP_S = 0.5  # below this two clocks merely drift; labels stay smooth
TOLD_STEP_S = 60.0  # a step that makes times of day on the page wrong enough to say so


class Labels:
    """Give the timeline of now, and notice when somebody sets the wall clock."""

    def __init__(self, clock: Clock, boot_id: str) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._timeline = Timeline(boot_id, self._offset_s())

    def timeline(self) -> Timeline:
        """How the chamber's seconds are labelled just now."""
        with self._lock:
            return self._timeline

    def check(self) -> float | None:
        """Follow the wall clock; return the step in seconds if it is worth telling."""
        offset_s = self._offset_s()
        with self._lock:
            step_s = offset_s - self._timeline.wall_at_zero_s
            if abs(step_s) < STEP_S:
                return None
            self._timeline = Timeline(self._timeline.boot_id, offset_s)
        return step_s if abs(step_s) >= TOLD_STEP_S else None

    def _offset_s(self) -> float:
        return self._clock.wall().timestamp() - self._clock.now_s()


def boot_id(path: Path = Path("/proc/sys/kernel/random/boot_id")) -> str:
    """The kernel's name for this boot; where it gives none, every start counts as one."""
    try:
        return path.read_text().strip()[:64]
    except OSError:
        return ""
