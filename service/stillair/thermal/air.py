"""What the air does at each sensor, in the figures that events are told from.

Balance of the air in the chamber (excess x over the room, time t):

    C dx/dt = P(t) - G x - rho c Q(t) x

P heat input, G losses through walls and leaks, Q air exchanged through a door
or gap. A sensor follows with its own lag. While nothing happens dx/dt changes
slowly, so the last minute's slope foretells the next seconds; opening a door
adds a term that is proportional to x and sets in at once, a failing heater
takes away P and can't cool faster than -G x / C, about 3 K/min on a real
heated box. Hence the figures here: the fall beyond the minute's own slope
(`kink_k`), over 10 s and over 30 s, set against the excess.

A track keeps running sums on the grid of whole seconds, so a mean over any
stretch of the last quarter of an hour costs one subtraction.
"""

from __future__ import annotations

import math
from collections import deque

RING_S = 1024
TREND_S = 60
BLEND_S = 3  # s that are averaged into one value
WARM_START_C = 32.0  # a first value above this is no room
ASSUMED_ROOM_C = 22.0


class Lowest:
    """The lowest value of the last `window_s` seconds, each value looked at twice at most."""

    def __init__(self, window_s: float) -> None:
        self._window_s = window_s
        self._values: deque[tuple[float, float]] = deque()

    def update(self, t_s: float, value: float) -> float:
        """Take one value; return the lowest, this one included."""
        values = self._values
        while values and values[-1][1] >= value:
            values.pop()
        values.append((t_s, value))
        while values[0][0] < t_s - self._window_s:
            values.popleft()
        return values[0][1]


class AirTrack:
    """One sensor's recent past on the grid of seconds.

    `lag_s` is the longest time between two of its readings that counts as
    usual; all stretches get longer with it.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self.now_c = 0.0
        self.seconds = 0  # of unbroken past
        self.noise_k = 0.05
        self.step_k = 1.0  # the sensor's resolution
        self.usual_s = 1.0
        self.fresh = False  # whether this second brought a sample
        self.span_s = 10
        self.fall_k = self.kink_k = self.kink_30_k = self.trend_k_per_s = 0.0
        self._sums = [0.0] * RING_S
        self._at = 0
        self._held_s = 0

    def push(self, value_c: float | None, usual_s: float) -> None:
        """Take the sample of this second; None holds the last one for a while, then breaks off."""
        self.fresh = value_c is not None
        self.usual_s = usual_s
        if value_c is None:
            self._held_s += 1
            if not self.seconds or self._held_s > max(10.0, 3.0 * usual_s):
                self.blank()
                return
            value_c = self.now_c
        else:
            if self.seconds:
                step_k = abs(value_c - self.now_c)
                if step_k < 2.0:
                    self.noise_k += 0.02 * (step_k - self.noise_k)
                if 1e-3 < step_k < self.step_k:
                    self.step_k = step_k
            self._held_s = 0
            self.now_c = value_c
        at = self._at
        total = self._sums[at] + value_c
        self._at = at = (at + 1) % RING_S
        self._sums[at] = total
        self.seconds += 1
        self.span_s = 10 if usual_s <= 3.0 else min(120, 3 * math.ceil(usual_s))
        self._measure()

    def blank(self) -> None:
        """Forget the past: what comes next is no continuation."""
        self.seconds = 0

    def mean_c(self, newest_s: int, oldest_s: int) -> float:
        """The mean of the samples from `newest_s` to `oldest_s` seconds ago, newest excluded."""
        sums, at = self._sums, self._at
        return (sums[at - newest_s] - sums[at - oldest_s]) / (oldest_s - newest_s)

    def past_c(self, ago_s: int) -> float:
        """The value `ago_s` seconds ago, averaged over three."""
        return self.mean_c(ago_s, ago_s + BLEND_S)

    def _measure(self) -> None:
        span = self.span_s
        have = self.seconds
        if have < span + 40:
            self.kink_k = self.kink_30_k = self.fall_k = self.trend_k_per_s = 0.0
            return
        now_c = self.mean_c(0, BLEND_S)
        before_c = self.mean_c(span, span + BLEND_S)
        length = min(TREND_S + span, have - span - 11)
        trend = (
            self.mean_c(span, span + 10) - self.mean_c(span + length, span + length + 10)
        ) / length
        self.trend_k_per_s = trend
        self.fall_k = before_c - now_c
        off_k = self.fall_k + span * trend
        self.kink_k = off_k if trend < 0.0 else self.fall_k
        wide = 30 if span < 30 else span
        if have < wide + 60:
            self.kink_30_k = 0.0
            return
        before_c = self.mean_c(wide, wide + 10)
        trend = (before_c - self.mean_c(wide + 40, wide + 50)) / 40.0
        fall = before_c - self.mean_c(0, 8)
        self.kink_30_k = fall + wide * trend if trend < 0.0 else fall


class RoomEstimate:
    """The room's temperature: from a room sensor, else from the coldest the chamber has been.

    `estimated` says that it is not measured. A chamber that was warm when the
    watch began is taken to stand in a room of 22 degrees.
    """

    def __init__(self) -> None:
        self.room_c = ASSUMED_ROOM_C
        self.estimated = True
        self._coldest_c: float | None = None

    def update(self, room_c: float | None, coldest_air_c: float | None) -> None:
        """Take this second's mean of the room sensors and the coldest of the chamber's."""
        if room_c is not None:
            self.room_c = room_c
            self.estimated = False
            return
        if coldest_air_c is not None:
            if self._coldest_c is None:
                cold = coldest_air_c < WARM_START_C
                self._coldest_c = coldest_air_c if cold else ASSUMED_ROOM_C
            self._coldest_c = min(self._coldest_c, coldest_air_c)
            if self.estimated:
                self.room_c = self._coldest_c
