"""Where the machine moves, and whether it does just now.

Five times a second the picture, shrunk to 80 x 60, is held against the one before; light
that changed as a whole is taken out first, by the ratio of the medians. What is left above
the noise is movement. A map keeps how often each spot has moved while the machine did: of a
machine's movement only what lies where it usually moves is counted, and only if it is at
least a tenth of what it usually is, so that a fan, a display or a lamp that blinks is no
machine at work. Who opens the door moves much more, and counts as movement: it isn't
stillness, and the watch asks about stillness alone.
"""

from __future__ import annotations

import math
import statistics
from collections import deque

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.fire.grid import middle
from stillair.model import Movement

Gray = NDArray[np.uint8]

SIZE = (80, 60)
EVERY_S = 0.2
LEAST_CHANGE = 7.0  # of 255
NOISES = 5.0  # a change has to be above so many standard deviations of the noise
LEAST_SPOTS = 5  # of 4,800
MUCH_SPOTS = 48  # a lamp's bands change fewer, and so does what moves far off
USUAL_SHARE = 0.1  # of what the machine usually moves
WHOLE_PICTURE = 0.4  # more than this at once is light, or the camera itself
MAP_TAU_S = 600.0
KNOWN_AFTER_S = 30.0  # so long it has to have moved before its stillness means anything
MOVED_WITHIN_S = 2.0
TELL_EVERY_S = 10.0


class MotionMap:
    """Learn where and how much the machine moves; tell movement and stillness; see the module."""

    def __init__(self) -> None:
        self._before: NDArray[np.float32] | None = None
        self._taken_s = -math.inf
        self._map = np.zeros((SIZE[1], SIZE[0]), np.float32)
        self._amounts: deque[float] = deque(maxlen=600)
        self._moving_s = 0.0
        self._moved_s: deque[float] = deque(maxlen=3)
        self._last_moved_s: float | None = None
        self._began_s: float | None = None
        self._told: Movement | None = None
        self._stirs = False

    @property
    def stirs(self) -> bool:
        """Whether much moved from one to the other of the last two pictures."""
        return self._stirs

    def update(self, t_s: float, gray: Gray, *, fit: bool) -> Movement | None:
        """Take the next picture, `(height, width) uint8`; say what is new, or due again.

        While the view isn't `fit` nothing is learned and movement is not known.
        """
        if not fit:
            self._before = None
            self._moved_s.clear()
            return self._tell(Movement(t_s, None, t_s))
        if t_s - self._taken_s < EVERY_S - 1e-6:
            return None
        small = cv2.resize(gray, SIZE, interpolation=cv2.INTER_AREA).astype(np.float32)
        before, self._before = self._before, small
        gone_s, self._taken_s = t_s - self._taken_s, t_s
        if before is None or gone_s > 2.0:
            return None
        changed = _changed(small, before)
        self._stirs = changed is None or cv2.countNonZero(changed) >= MUCH_SPOTS
        if changed is not None:
            self._learn(t_s, gone_s, changed)
        return self._tell(self._movement(t_s))

    def _learn(self, t_s: float, gone_s: float, changed: Gray) -> None:
        known = self._moving_s >= KNOWN_AFTER_S
        counted = changed & (self._map > 0.02).astype(np.uint8) if known else changed
        amount = float(cv2.countNonZero(counted))
        usual = statistics.median(self._amounts) if len(self._amounts) > 50 else 0.0
        if amount < max(LEAST_SPOTS, USUAL_SHARE * usual):
            return
        self._moved_s.append(t_s)
        self._amounts.append(float(cv2.countNonZero(changed)))
        self._moving_s += gone_s
        # a plain mean at first, then one that forgets
        weight = max(gone_s / MAP_TAU_S, gone_s / self._moving_s)
        cv2.accumulateWeighted(changed, self._map, min(1.0, weight))
        if len(self._moved_s) == 3 and t_s - self._moved_s[0] <= MOVED_WITHIN_S:
            if self._last_moved_s is None or t_s - self._last_moved_s > MOVED_WITHIN_S:
                self._began_s = self._moved_s[0]
            self._last_moved_s = t_s

    def _movement(self, t_s: float) -> Movement:
        if self._moving_s < KNOWN_AFTER_S or self._last_moved_s is None or self._began_s is None:
            return Movement(t_s, None, t_s)
        if t_s - self._last_moved_s <= MOVED_WITHIN_S:
            return Movement(t_s, True, self._began_s)
        return Movement(t_s, False, self._last_moved_s)

    def _tell(self, now: Movement) -> Movement | None:
        told = self._told
        if told is not None and told.moving is now.moving and now.t_s - told.t_s < TELL_EVERY_S:
            return None
        self._told = now
        return now


def _changed(now: NDArray[np.float32], before: NDArray[np.float32]) -> Gray | None:
    """Where a picture differs from the one before, 1, beside light and noise; None: everywhere."""
    gain = (middle(now) + 1.0) / (middle(before) + 1.0)
    difference = np.abs(now - gain * before)
    noise = middle(difference) / 0.67
    changed = (difference > max(LEAST_CHANGE, NOISES * noise)).astype(np.uint8)
    return None if float(changed.mean()) > WHOLE_PICTURE else changed
