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
from itertools import islice

RING_S = 1024
TREND_S = 60
BLEND_S = 3  # s that are averaged into one value
WARM_START_C = 32.0  # a first value above this is no room
ASSUMED_ROOM_C = 22.0
ROOM_GOOD_S = 3600.0
ROOM_HELD_MIN = 10
ROOM_STILL_MIN, ROOM_STILL_K = 60, 2.5
ROOM_K_PER_H, ROOM_NEAR_K, ROOM_FALLEN_K = 2.0, 4.0, 10.0


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
        self.rise_30_k = 0.0
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

    def slope_k_per_s(self, ago_s: int, length_s: int) -> float:
        """How steeply it went through the `length_s` before `ago_s` ago, by means of 8 s."""
        new_c = self.mean_c(ago_s, ago_s + 8)
        return (new_c - self.mean_c(ago_s + length_s, ago_s + length_s + 8)) / length_s

    def _measure(self) -> None:
        span = self.span_s
        have = self.seconds
        if have < span + 40:
            self.kink_k = self.kink_30_k = self.fall_k = self.trend_k_per_s = 0.0
            self.rise_30_k = 0.0
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
            self.kink_30_k = self.rise_30_k = 0.0
            return
        before_c = self.mean_c(wide, wide + 10)
        trend = (before_c - self.mean_c(wide + 40, wide + 50)) / 40.0
        fall = before_c - self.mean_c(0, 8)
        off_k = fall + wide * trend
        self.kink_30_k = off_k if trend < 0.0 else fall
        self.rise_30_k = -off_k if trend > 0.0 else -fall


class RoomEstimate:
    """The room's temperature: from a room sensor, else from what the chamber's air can't hide.

    `estimated` says that it is not measured. Without a sensor it is where the
    coldest sensor of the chamber began, or 22 degrees where that was no room's
    temperature. From there on:

    - No chamber is colder than its room for long: the estimate falls to what the
      air kept below for ten minutes. Colder air that a door lets in passes, and
      so does a sensor's slip; neither is the room.
    - A chamber that stands still a little above it stands in a room that has
      warmed: the estimate follows, by 2 K an hour, as fast as rooms warm. Nobody
      heats a chamber by less than 4 K.
    - Where the air began hot nothing is known, so it is believed at once where it
      has come down to and stands still for an hour, if that can be a room.

    A room sensor that has fallen silent is good for an hour. From its last word, or
    from the last estimate where no air was heard for so long, the room may have
    warmed by those 2 K an hour: air that is no warmer is the room's.
    """

    def __init__(self) -> None:
        self.room_c = ASSUMED_ROOM_C
        self.estimated = True
        self._known = False  # by evidence, not assumed
        self._measured_s = self._air_s = -math.inf
        self._minute_s = -math.inf
        self._minutes: deque[tuple[float, float]] = deque(maxlen=ROOM_STILL_MIN)
        self._low_c = self._high_c = 0.0  # of this minute
        self._hottest_c = -math.inf

    def update(self, t_s: float, room_c: float | None, coldest_air_c: float | None) -> None:
        """Take this second's mean of the room sensors and the coldest of the chamber's."""
        if room_c is not None:
            self.room_c, self.estimated, self._known = room_c, False, True
            self._measured_s = t_s
            return
        if t_s - self._measured_s <= ROOM_GOOD_S:
            return
        self.estimated = True
        if coldest_air_c is None:
            return
        if t_s - self._air_s > ROOM_GOOD_S:
            self._begin(t_s, coldest_air_c)
        self._air_s = t_s
        self._low_c = min(self._low_c, coldest_air_c)
        self._high_c = max(self._high_c, coldest_air_c)
        if t_s - self._minute_s >= 60.0:
            self._minutes.append((self._low_c, self._high_c))
            self._minute_s = t_s
            self._low_c = self._high_c = coldest_air_c
            self._learn()

    def _begin(self, t_s: float, air_c: float) -> None:
        """Air is heard of for the first time, or again after so long that the room may differ."""
        self._minutes.clear()
        self._minute_s = t_s
        self._low_c = self._high_c = self._hottest_c = air_c
        last_s = max(self._air_s, self._measured_s)
        since_h = (t_s - last_s) / 3600.0
        if air_c < WARM_START_C and (
            not self._known or air_c - self.room_c <= ROOM_K_PER_H * since_h
        ):
            self.room_c, self._known = air_c, True

    def _learn(self) -> None:
        minutes = self._minutes
        self._hottest_c = max(self._hottest_c, minutes[-1][0])
        if len(minutes) < ROOM_HELD_MIN:
            return
        held_c = max(high_c for _, high_c in islice(reversed(minutes), ROOM_HELD_MIN))
        if held_c < self.room_c:
            self.room_c = held_c
            return
        if len(minutes) < ROOM_STILL_MIN:
            return
        low_c = min(low_c for low_c, _ in minutes)
        high_c = max(high_c for _, high_c in minutes)
        if high_c - low_c > ROOM_STILL_K:
            return
        if not self._known and low_c < min(WARM_START_C, self._hottest_c - ROOM_FALLEN_K):
            self.room_c, self._known = low_c, True
        elif self.room_c < low_c and high_c <= self.room_c + ROOM_NEAR_K:
            self.room_c = min(low_c, self.room_c + ROOM_K_PER_H / 60.0)
