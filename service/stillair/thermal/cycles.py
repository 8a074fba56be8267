"""A thermostat's swings: how high, how low and how steeply the air goes by itself, round and round.

A controller with a dead band drives the air between two levels in a limit cycle
(Tsypkin, Ya. Z. (1984) Relay Control Systems): while nothing changes, its peaks,
its troughs and its slopes repeat. A fall within them is the heater's pause. Air
that goes below its troughs has lost something, though the heater is on; only a
heater that stays off does that as well, and then it goes on as steeply as in
every pause and doesn't turn. So cold air has come in where the fall is clearly
steeper than the pauses are, or where the air rises again while it is below still.

A fan that mixes layers sends one sensor below its troughs and another above its
peaks: that is no loss.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from stillair.thermal.air import AirTrack
from stillair.thermal.balance import Balance

KEPT = 4  # turning points of a kind
LEAST_TURN_K, TURN_SHARE, TURN_NOISES = 0.25, 0.35, 5.0
ALIKE, EVENLY, LONGEST_S, OVERDUE = 1.7, 2.2, 600.0, 1.6
BEYOND_K, BEYOND_SHARE, BEYOND_NOISES = 0.4, 0.25, 4.0
ABOVE_SHARE = 0.3
BROKEN_S = 8.0
STEEPER = 1.5
UP_K, UP_SHARE, UP_NOISES, UP_S = 0.25, 0.1, 5.0, 240.0
HOLD_S = 1800.0


@dataclass(frozen=True, slots=True)
class Turn:
    """Where the air turned: when, at what, and how steeply it had fallen before, K/s."""

    t_s: float
    c: float
    steepest_k_per_s: float


class Cycle:
    """The turning points of one sensor."""

    def __init__(self) -> None:
        self._peaks: deque[Turn] = deque(maxlen=KEPT)
        self._troughs: deque[Turn] = deque(maxlen=KEPT)
        self._falling: bool | None = None
        self._extreme_c, self._extreme_s = 0.0, -math.inf
        self._steepest = 0.0
        self.steep_since_s: float | None = None
        self._steep_from_c = 0.0
        self.regular, self._good_until_s = False, -math.inf
        self._steady_k_per_s = 0.0
        self.swing_k = self.period_s = self.steepest_k_per_s = 0.0
        self.floor_c, self.ceiling_c = -math.inf, math.inf
        self.lowest_c = math.inf  # since it went below its floor

    def see(self, t_s: float, track: AirTrack, tau_s: float) -> None:
        """Take this second, of a sensor with the lag `tau_s`."""
        c = track.past_c(0)
        rate = track.fall_k / track.span_s
        least = STEEPER * max(self._steady_k_per_s, 2.0 * track.noise_k / track.span_s)
        if not self.regular or self._falling is False:
            self.steep_since_s = None
        elif self.steep_since_s is not None:  # a mere jump soon has been no steep fall
            if self._steep_from_c - c < least * (t_s - self.steep_since_s):
                self.steep_since_s = None
        elif rate > least:
            self.steep_since_s, self._steep_from_c = t_s, c
        if self._falling is None:
            self._falling, self._extreme_c, self._extreme_s = track.fall_k > 0.0, c, t_s
            self._steepest = 0.0
        turn_k = max(LEAST_TURN_K, TURN_SHARE * self.swing_k, TURN_NOISES * track.noise_k)
        if self._falling:
            self._steepest = max(self._steepest, rate)
            if c < self._extreme_c:
                self._extreme_c, self._extreme_s = c, t_s
            elif c - self._extreme_c >= turn_k:
                self._turn(self._troughs, t_s, c)
        elif c > self._extreme_c:
            self._extreme_c, self._extreme_s = c, t_s
        elif self._extreme_c - c >= turn_k:
            self._turn(self._peaks, t_s, c)
        if self.period_s:
            # What a lag shows of a fast swing is less than it would show of a lasting fall.
            slowness = 2.0 * math.pi * (tau_s + track.span_s) / self.period_s
            self._steady_k_per_s = self.steepest_k_per_s * math.hypot(1.0, slowness)
        self.regular = t_s <= self._good_until_s

    def _turn(self, turns: deque[Turn], t_s: float, c: float) -> None:
        turns.append(Turn(self._extreme_s, self._extreme_c, self._steepest))
        self._falling = not self._falling
        self._extreme_c, self._extreme_s, self._steepest = c, t_s, 0.0
        self.steep_since_s = None
        self._look()

    def _look(self) -> None:
        """Whether it goes round and round, and then within what."""
        peaks, troughs = list(self._peaks), list(self._troughs)
        if len(peaks) < KEPT or len(troughs) < KEPT:
            return
        swings = [peak.c - trough.c for peak, trough in zip(peaks, troughs, strict=True)]
        gaps_s = [b.t_s - a.t_s for turns in (peaks, troughs) for a, b in pairwise(turns)]
        if (
            min(swings) <= 0.0
            or max(swings) > ALIKE * min(swings)
            or max(gaps_s) > min(LONGEST_S, EVENLY * min(gaps_s))
        ):
            return  # what was known stays good for a while: something may have come between
        self.swing_k, self.period_s = max(swings), max(gaps_s)
        self._good_until_s = self._extreme_s + OVERDUE * self.period_s
        self.floor_c = min(trough.c for trough in troughs)
        self.ceiling_c = max(peak.c for peak in peaks)
        self.steepest_k_per_s = max(trough.steepest_k_per_s for trough in troughs)

    @property
    def peaked_s(self) -> float:
        """When the air was at its last peak."""
        return self._peaks[-1].t_s

    def hold(self, since_s: float) -> None:
        """Believe what is known a while longer: the air has been below since then."""
        self._good_until_s = max(self._good_until_s, since_s + HOLD_S)

    def below_k(self, track: AirTrack) -> float:
        """How far the air is below what a swing may reach, K; negative within."""
        margin_k = max(BEYOND_K, BEYOND_SHARE * self.swing_k, BEYOND_NOISES * track.noise_k)
        return self.floor_c - track.past_c(0) - margin_k

    def above(self, track: AirTrack) -> bool:
        """Whether the air is warmer than at its peaks."""
        return track.past_c(0) > self.ceiling_c + max(BEYOND_K, ABOVE_SHARE * self.swing_k)


class Cycles:
    """The chamber's swings over all of its sensors, and when they are broken."""

    def __init__(self, balance: Balance) -> None:
        self._balance = balance
        self._cycles: dict[str, Cycle] = {}
        self._below_since_s: float | None = None
        self._mixed_until_s = -math.inf
        self.below_s = 0.0

    def forget(self) -> None:
        """What came between may have changed them: learn anew what goes round and round."""
        self._cycles.clear()
        self._below_since_s = None
        self.below_s = 0.0

    def see(self, t_s: float, tracks: Sequence[AirTrack]) -> None:
        """Look at this second, whatever is told meanwhile."""
        below = False
        for track in tracks:
            if track.seconds < 30:
                continue
            cycle = self._cycles.setdefault(track.name, Cycle())
            cycle.see(t_s, track, self._balance.sensor(track.name).tau_s)
            if not cycle.regular:
                continue
            if cycle.below_k(track) < 0.0:
                cycle.lowest_c = math.inf
                if cycle.above(track):
                    self._mixed_until_s = t_s + cycle.period_s
            else:
                below = True
                cycle.lowest_c = min(cycle.lowest_c, track.past_c(0))
                cycle.hold(t_s if self._below_since_s is None else self._below_since_s)
        if not below or t_s <= self._mixed_until_s:
            self._below_since_s = None
        elif self._below_since_s is None:
            self._below_since_s = t_s
        self.below_s = 0.0 if self._below_since_s is None else t_s - self._below_since_s + 1.0

    def swinging(self, tracks: Sequence[AirTrack]) -> bool:
        """Whether some of these go round and round."""
        return any(self._regular(track) is not None for track in tracks)

    def fallen_since_s(self, tracks: Sequence[AirTrack]) -> float:
        """Since when the air below has fallen: the last peak of the sensor farthest below."""
        found = [(c.below_k(t), c.peaked_s) for t in tracks if (c := self._regular(t)) is not None]
        return max(found)[1]

    def steep_since_s(self, tracks: Sequence[AirTrack]) -> float | None:
        """Since when some sensor has fallen, in this fall, more steeply than in any pause."""
        since = [c.steep_since_s for t in tracks if (c := self._regular(t)) is not None]
        return min((s for s in since if s is not None), default=None)

    def broken(self, tracks: Sequence[AirTrack]) -> bool:
        """Whether the air has gone below what the swings may reach though the heater is on."""
        if self.below_s < BROKEN_S:
            return False
        return self.steep_since_s(tracks) is not None or self._heated(tracks)

    def _heated(self, tracks: Sequence[AirTrack]) -> bool:
        """Whether the air rises again soon after it went below, though it is below still."""
        rising = [
            track.past_c(0) - cycle.lowest_c
            >= max(UP_K, UP_SHARE * cycle.swing_k, UP_NOISES * track.noise_k)
            for track in tracks
            if (cycle := self._regular(track)) is not None and cycle.below_k(track) >= 0.0
        ]
        return self.below_s <= UP_S and bool(rising) and all(rising)

    def _regular(self, track: AirTrack) -> Cycle | None:
        cycle = self._cycles.get(track.name)
        return cycle if cycle is not None and cycle.regular else None
