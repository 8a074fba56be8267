"""Whether new pictures come at all, and often enough: a picture shown again is no news."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

FROZEN_AFTER_S = 4.0
FROZEN_PICTURES = 4  # so that a clock that runs fast can't make a few pictures a frozen camera
SAME_SHARE = 0.9  # of the cells
KNOWN_PICTURES = 8
ALIVE_PICTURES = 3
ALIVE_WITHIN_S = 5.0

SLOW_INTERVALS = 6
SLOW_FROM_S = 2.6  # for six intervals: 2.3 pictures a second
FAST_ENOUGH_S = 2.3  # for six: 2.6 pictures a second
BEGINS_S = 4.0  # a program that has just begun, on a small board, stutters at first


class Stillness:
    """Tell when a camera shows the same picture, or the same few, again and again.

    A picture is old when in nine tenths of its cells the sum of all pixels is exactly what
    it was in one of the last eight pictures that were new; frozen when nothing but old ones
    came for 4 s, and four at least. A live sensor's noise survives shrinking and compression:
    in 39 recordings, among them still rooms and strongly compressed ones, nothing was old for
    longer than 0.2 s (measured). The tenth lets a clock that the camera writes over a frozen
    picture run on; the eight find a driver that hands out its few buffers in turn.

    Alive again with three new pictures within 5 s. What is not found: a still picture that
    is packed anew with another quality each time.
    """

    def __init__(self) -> None:
        self._begin()

    def _begin(self) -> None:
        self._known: deque[NDArray[np.int32]] = deque(maxlen=KNOWN_PICTURES)
        self._since_s: float | None = None  # the first picture of which only old ones followed
        self._old = 0
        self._new_s: deque[float] = deque(maxlen=ALIVE_PICTURES)
        self._frozen = False

    def update(self, t_s: float, sums: NDArray[np.int32]) -> float | None:
        """Take the next picture's cells; return since when it stands still, or None."""
        if self._known and self._known[-1].shape != sums.shape:
            self._begin()
        if any(np.count_nonzero(k == sums) >= SAME_SHARE * sums.size for k in self._known):
            self._old += 1
            if self._since_s is not None and t_s - self._since_s >= FROZEN_AFTER_S:
                self._frozen = self._frozen or self._old >= FROZEN_PICTURES
        else:
            self._known.append(sums)
            self._new_s.append(t_s)
            enough = len(self._new_s) == ALIVE_PICTURES
            if not self._frozen or (enough and t_s - self._new_s[0] <= ALIVE_WITHIN_S):
                self._frozen, self._since_s, self._old = False, t_s, 0
        return self._since_s if self._frozen else None


class Pace:
    """Tell when too few pictures come to tell a flame by what it does in between.

    Slow when the last six intervals together, or as many as there were since the start,
    have taken 2.6 s, but for the first 4 s, of which nothing is told; fast enough again
    when six take no more than 2.3 s. So a pause of 2 s among ten pictures a second is none,
    and a source that falls to 0.4 a second is told within 5 s. Fewer pictures show a flame
    later: of 20 simulated ones 17 were told within 10 s at 3 pictures a second, 11 at 2 and
    6 at 1.5, and none can be at 1 (tests/bench/fire.py --tuning --per-s).
    """

    def __init__(self) -> None:
        self._times_s: deque[float] = deque(maxlen=SLOW_INTERVALS + 1)
        self._begun_s: float | None = None
        self._since_s: float | None = None

    def update(self, t_s: float) -> float | None:
        """Take the time of the next picture; return since when they come too slowly, or None."""
        self._times_s.append(t_s)
        took_s = t_s - self._times_s[0]
        if self._begun_s is None:
            self._begun_s = t_s
        if t_s - self._begun_s < BEGINS_S:
            return None
        if self._since_s is None and took_s >= SLOW_FROM_S:
            self._since_s = self._times_s[0]
        elif len(self._times_s) > SLOW_INTERVALS and took_s <= FAST_ENOUGH_S:
            self._since_s = None
        return self._since_s
