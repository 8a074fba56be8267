"""Wall-clock labels for a chamber's seconds."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path

from stillair.clock import Clock
from stillair.model import Timeline

STEP_S = 0.5  # below this two clocks merely drift; labels stay smooth
TOLD_STEP_S = 60.0  # a step that makes times of day on the page wrong enough to say so


@dataclass(frozen=True, slots=True)
class ClockStep:
    """Somebody set the wall clock: how the seconds were labelled before, and are now."""

    before: Timeline
    after: Timeline

    @property
    def step_s(self) -> float:
        """By how much it was set, forward above 0."""
        return self.after.wall_at_zero_s - self.before.wall_at_zero_s


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

    def check(self) -> ClockStep | None:
        """Follow the wall clock; return its step if that is worth telling."""
        offset_s = self._offset_s()
        with self._lock:
            before = self._timeline
            if abs(offset_s - before.wall_at_zero_s) < STEP_S:
                return None
            step = ClockStep(before, Timeline(before.boot_id, offset_s))
            self._timeline = step.after
        return step if abs(step.step_s) >= TOLD_STEP_S else None

    def _offset_s(self) -> float:
        return self._clock.wall().timestamp() - self._clock.now_s()


def boot_id(path: Path = Path("/proc/sys/kernel/random/boot_id")) -> str:
    """The kernel's name for this boot; where it gives none, every start counts as one."""
    try:
        return path.read_text().strip()[:64]
    except OSError:
        return ""
