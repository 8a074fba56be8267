"""One sensor's rising heat: the level that it holds, and by which rule its rise is a fire's.

A second's readings are averaged to one sample. The level is the lowest of the
last three samples (five where this sensor had decoded faults within ten
minutes), and what it rose from the lowest that three in a row kept to, so that
no spike of two readings counts, up or down. Placeholders (0.0, 85.0, 127.94),
decoded faults and the three readings after them are no samples. Only of a
sensor read less than four times a minute two will do.

The rules
---------
quickening_rise
    Three rises in a row, each at least 1.15 times as fast as the one before but
    for the usual jerk of the readings, the first beyond all that the sensor showed
    just before: from reading to reading and 1.6 K/s at last, over 2 s each and
    1.4 K/s, over 3 s and 1.3 K/s, or over 5 s and 1.1 K/s; 3.5, 4.5, 6.5 or 9 K
    in all. A fire grows as t squared (NFPA 72, annex B), the air of a closed box
    at first as t cubed, a sensor behind its lag a power more: the rises grow for
    as long as the fire does. Those of a heater, of a door shut, of steam grow only
    while lags hold them back: none was faster than 1.2 K/s in 1,450 simulated
    hours without fire, and all above 0.7 K/s came after a door was shut; a heater
    of 13 K/min, the strongest measured, has 0.2 K/s. Where doubt is greater,
    more than 39 K below the static response (warm-up; 45 degrees in class C) and
    up to what the sensor held within the last half hour (a door was shut), the
    rates and sums are doubled.
steep_rise, fast_rise
    20 K within 30 s (Japan, differential heat detectors, class 1); 17 K above
    the lowest of the last 60 s: on 121 real room-fire sensor records near the
    ceiling 15 to 20 K missed none, and in 37 h of a heated box they gave no
    false trip (UL 521's 15 F/min = 8.3 K/min gave ten). So where the air is
    at 45 degrees, not just back where it was, and the rise grows. A rise that
    doesn't is held to class 2 of the same standard, 30 K, unless it makes
    2.5 K/s; one that leads back as well is left to the other rules. Near hot steam
    a sensor rose by 28 K in 30 s, and slackened from the first reading on.
long_rise
    10 K/min for 4.5 min (class 1); where the last third slackens, 15 K/min (class 2).
growing_rise
    Five minutes in a row each of whose rises is at least 1.22 times the one
    before, the last 4 K; or four half minutes, 1.25 times, the last 6.5 K (in a
    warm-up's air, as above, twice as much); and the rise doesn't slacken. A heater
    of 13 K/min through its own and its sensor's lag of a minute each grows so for
    three minutes at most, and is at its 6.5 K in half a minute only when it grows
    no more.

What a sensor held counts up to the chamber's limit at most. Three readings of
proof, one a second, leave a fire that grows ultra-fast (1 MW in 75 s) in a
small box one chance in four to have its air at the static response first.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from itertools import islice, pairwise

from stillair.model import Reading
from stillair.thermal.air import Lowest
from stillair.thermal.health import (
    HIGHEST_C,
    LOWEST_C,
    QUARANTINE,
    SILENT_S,
    USUAL_INTERVALS,
    is_placeholder,
)
from stillair.thermal.plan import SensorPlan

FAST_K, FAST_S = 17.0, 60.0
MILD_C = 45.0  # air cooler than that is often being warmed up
STEEP_K, STEEP_S = 20.0, 30.0
CLASS_2_K = 30.0  # for a rise that may have another cause
# the last third of a rise must take less than this of the time of the third before: a steady
# rise comes to 1, heaters, shut doors and steam to more, t squared to 0.77
GROWS, SLACKENS = 0.87, 1.25
SURE_K_PER_S = 2.5
START_K, START_SHARE = 1.0, 0.1  # a rise began where it left its lowest point by either
MINUTE_S = 75.0  # of what a rise's beginning is looked for
LONG_K, LONG_2_K, LONG_S = 45.0, 67.5, 270.0
GROWTH_FIRST_K = 0.15
# windows, grid steps of each, least ratio, least last rise
GROWTHS = ((5, 6, 1.22, 4.0), (4, 3, 1.25, 6.5))
# length of each rise (one reading at least), least rate of the last, least sum
QUICKENINGS = ((0.0, 1.6, 3.5), (2.0, 1.4, 4.5), (3.0, 1.3, 6.5), (5.0, 1.1, 9.0))
QUICK_RATIO = 1.15  # of the rates, but for one jerk of the readings
COOL_K = 39.0  # below the static response: a warm-up's air
DOUBT = 2.0  # so many times as fast in a warm-up's air and back to what was held
QUICK_GATE_K = 0.5  # from the last reading; less isn't looked at
QUICK_S = 60.0
QUICK_BEFORE = 5  # readings
# Lest noise and two false readings count: the first rise stands out from the trend by this
# and by the usual jerk of the sensor's readings; the second is so many times as fast at most,
# whether the first stands out by four jerks or not; each later one so many times as the one
# before; and of a last rise over several readings each of the last three has a fair share.
QUICK_FIRST_K, QUICK_JERKS = 0.3, 4.0
QUICK_DIM, QUICK_CLEAR = 6.0, 25.0
QUICK_LATER, QUICK_SHARE = 4.5, 0.5
JERK_SHARE, JERK_MOST_K = 1.0 / 32.0, 1.0
ALONE, NERVOUS = 3, 5  # samples that must hold the level
SLOW_SAMPLES_S = 15.0  # a sensor read more seldom needs only two
NERVOUS_S = 600.0
GRID_S = 10.0
DOUBTFUL_S, DOUBTFUL_READINGS = 16.0, 5  # next to faults
HELD_S = 1800.0  # a temperature held within this time is one to return to
RETURN_K = 1.0  # what is higher by more is no return
FRESH_S = 90.0  # and what was reached only just now isn't held


@dataclass(frozen=True, slots=True)
class Rise:
    """A rise that is a fire's, by which rule; `growing` rises in a row grew, if that is asked."""

    rule: str
    rise_k: float
    window_s: float
    growing: int = 1


class HeatTrack:
    """One sensor's samples and what the rules say of them.

    Parameters
    ----------
    plan : SensorPlan
        The sensor.
    limit_c : float
        The chamber's limit; what the sensor held beyond it is nothing to return to.
    static_c : float
        The static response of the chamber's class; a warm-up's air is `COOL_K` below.
    """

    def __init__(
        self, plan: SensorPlan, limit_c: float = HIGHEST_C, static_c: float = HIGHEST_C
    ) -> None:
        self.name = plan.name
        self._correction_k = plan.correction_k
        self._most_held_c = limit_c
        self._cool_c = min(MILD_C, static_c - COOL_K)
        self._sum = 0.0
        self._count = 0
        self._read_s = 0.0
        self._skip = 0
        self._fault_s: float | None = None
        self.last_c: float | None = None
        self.last_s = 0.0
        self._apart_s = 0.0  # the last two samples
        self._recent: deque[tuple[float, float]] = deque(maxlen=21)
        self._doubtful: deque[tuple[float, float]] = deque(maxlen=64)
        self._needed = ALONE
        self._jerk_k = 0.0
        self._lowest = Lowest(FAST_S)
        self._minute: deque[tuple[float, float]] = deque()  # time, lowest that held
        self._grid: deque[tuple[float, float]] = deque(maxlen=int(HELD_S / GRID_S))
        self._held_c = LOWEST_C
        self._low_c = 0.0
        self._growing: Rise | None = None
        self._long: float | None = None  # from where it may be a long rise
        self._quickening: Rise | None = None
        self.fresh = False
        self.stirs = False  # only then a rule of rising heat may hold

    def take(self, reading: Reading) -> None:
        value_c = reading.temperature_c
        if reading.fault is not None or value_c is None or not LOWEST_C <= value_c <= HIGHEST_C:
            self._skip = QUARANTINE
            self._fault_s = reading.t_s
        elif is_placeholder(value_c, self._correction_k, self._near_c(reading.t_s)):
            return
        elif self._skip:
            self._skip -= 1
            self._take_doubtful(reading.t_s, value_c)
        else:
            self._sum += value_c
            self._count += 1
            self._read_s = reading.t_s

    def _near_c(self, t_s: float) -> float | None:
        """What it showed just before; None after a silence, which makes no value likely."""
        return None if self.is_silent(t_s, SILENT_S) else self.last_c

    def is_silent(self, t_s: float, for_s: float) -> bool:
        """Whether no good reading has come for so long and for three of its intervals."""
        return t_s - self.last_s > min(max(for_s, USUAL_INTERVALS * self._apart_s), HELD_S)

    def _take_doubtful(self, t_s: float, value_c: float) -> None:
        """Take a reading next to a fault: what five of them agree on for 8 s counts.

        A connection that fails again and again would else never be heard.
        """
        doubtful = self._doubtful
        doubtful.append((t_s, value_c))
        while doubtful[0][0] < t_s - DOUBTFUL_S:
            doubtful.popleft()
        if len(doubtful) >= DOUBTFUL_READINGS and t_s - doubtful[0][0] >= 0.5 * DOUBTFUL_S:
            self._sum += min(value for _, value in doubtful)
            self._count += 1
            self._read_s = t_s

    def tick(self, t_s: float) -> None:
        """Make a sample of what came since the last second."""
        self.fresh = self._count > 0
        if not self._count:
            return
        value_c = self._sum / self._count
        self._sum, self._count = 0.0, 0
        apart_s = t_s - self.last_s
        if apart_s > max(FAST_S, USUAL_INTERVALS * self._apart_s):  # no continuation
            self._recent.clear()
        self._apart_s = apart_s
        self.last_c, self.last_s = value_c, t_s
        recent = self._recent
        recent.append((self._read_s, value_c))
        self._quickening = None
        if len(recent) >= 3:
            before_c, first_c = recent[-2][1], recent[-3][1]
            base_c = max(value_c, before_c, first_c)
            if value_c - before_c > QUICK_GATE_K:
                self._quickening = self._quicken()
            jerk_k = abs(value_c - before_c - before_c + first_c)
            self._jerk_k += JERK_SHARE * (
                (jerk_k if jerk_k < JERK_MOST_K else JERK_MOST_K) - self._jerk_k
            )
        else:
            base_c = max(value_c for _, value_c in recent)
        self._low_c = self._lowest.update(t_s, base_c)
        minute = self._minute
        minute.append((t_s, base_c))
        while minute[0][0] < t_s - MINUTE_S:
            minute.popleft()
        if not self._grid or t_s - self._grid[-1][0] >= GRID_S - 0.5:
            self._on_grid(t_s)
        self.stirs = (
            value_c - self._low_c >= FAST_K
            or self._quickening is not None
            or self._growing is not None
            or self._long is not None
        )

    def _nervous(self) -> bool:
        if self._fault_s is None:
            return False
        if self.last_s - self._fault_s <= NERVOUS_S:
            return True
        self._fault_s = None
        return False

    def level_c(self) -> float | None:
        """What the last samples have all reached; None while there are too few."""
        needed = NERVOUS if self._nervous() else ALONE
        recent = self._recent
        have = len(recent)
        if have >= 2 and recent[-1][0] - recent[-2][0] >= SLOW_SAMPLES_S:
            needed = 2
        self._needed = needed
        if have < needed:
            return None
        level_c = recent[-1][1]
        for back in range(2, needed + 1):
            value_c = recent[-back][1]
            if value_c < level_c:
                level_c = value_c
        return level_c

    def rise(self, level_c: float) -> Rise | None:
        """Which rule of rising heat holds at this level."""
        if self._quickening is not None:
            return self._quickening
        returns = self._returns(level_c)
        if level_c - self._low_c >= FAST_K:
            if level_c - self._low_c >= STEEP_K:
                low_c = min(c for t_s, c in self._minute if t_s >= self.last_s - STEEP_S)
                if self._is_fires(low_c, level_c, STEEP_K, returns):
                    return Rise("steep_rise", level_c - low_c, STEEP_S)
            if self._is_fires(self._low_c, level_c, FAST_K, returns):
                return Rise("fast_rise", level_c - self._low_c, FAST_S)
        if self._long is not None and level_c - self._long >= LONG_K:
            return Rise("long_rise", level_c - self._long, LONG_S)
        if (
            self._growing is not None
            and not returns
            and self._grows(self._low_c, level_c, SLACKENS)
        ):
            return self._growing
        return None

    def _returns(self, level_c: float) -> bool:
        """Whether the sensor has lately been as warm as that, and no warmer than it may be."""
        return level_c <= self._held_c + RETURN_K

    def _is_fires(self, low_c: float, level_c: float, least_k: float, returns: bool) -> bool:
        """Whether the rise from `low_c` is large enough for as much doubt as there is."""
        rise_k = level_c - low_c
        if rise_k < least_k:
            return False
        took_s = self._reached_s() - self._passed_s(low_c + rise_k / 3.0)
        pushes = rise_k / 1.5 < SURE_K_PER_S * took_s and not (
            level_c >= MILD_C and self._grows(low_c, level_c, GROWS)
        )
        doubts = returns + pushes
        return doubts == 0 or (doubts == 1 and rise_k >= CLASS_2_K)

    def _grows(self, low_c: float, level_c: float, most: float) -> bool:
        """Whether the rise's last third took at most so many times as long as the third before."""
        third_k = (level_c - low_c) / 3.0
        late_s = self._passed_s(level_c - third_k)
        early_s = self._passed_s(level_c - 2.0 * third_k)
        return self._reached_s() - late_s <= most * (late_s - early_s)

    def _reached_s(self) -> float:
        """When the level was reached that the samples since have held."""
        return self._minute[-min(self._needed, len(self._minute))][0]

    def _passed_s(self, level_c: float) -> float:
        """When the level was passed last, on the way up."""
        after_s, after_c = self._minute[-1]
        for t_s, value_c in reversed(self._minute):
            if value_c <= level_c:
                if after_c <= value_c:
                    return t_s
                return t_s + (after_s - t_s) * (level_c - value_c) / (after_c - value_c)
            after_s, after_c = t_s, value_c
        return after_s

    def onset_s(self) -> float:
        """When the present rise left its lowest point of the last minute."""
        minute = self._minute
        low_c = min(c for _, c in minute)
        start_s, top_c = minute[-1]
        near_c = low_c + max(START_K, START_SHARE * (top_c - low_c))
        for t_s, value_c in reversed(minute):
            if value_c <= near_c:
                break
            start_s = t_s
        return start_s

    def since_s(self, level_c: float) -> float:
        """Since when the last samples have all been at `level_c` or above."""
        start_s = self.last_s
        for t_s, value_c in reversed(self._minute):
            if value_c < level_c:
                break
            start_s = t_s
        return start_s

    def _quicken(self) -> Rise | None:
        """Three rises in a row, each faster than the one before and beyond all just before."""
        readings = list(self._recent)
        level_c = readings[-1][1]
        factor = DOUBT if level_c < self._cool_c or self._returns(level_c) else 1.0
        one_s = max(readings[-1][0] - readings[-2][0], 0.1)
        for window_s, least_k_per_s, least_k in QUICKENINGS:
            step = max(1, round(window_s / one_s))
            rises = NERVOUS if step == 1 and self._nervous() else ALONE
            first = len(readings) - 1 - rises * step
            if first < 1:
                continue
            rise_k = readings[-1][1] - readings[first][1]
            took_s = readings[-1][0] - readings[first][0]
            if rise_k < factor * least_k or took_s > QUICK_S:
                continue
            marks = readings[first::step]
            rates = [_rate(before, after) for before, after in pairwise(marks)]
            slack = self._jerk_k * rises / max(took_s, one_s)
            if rates[-1] < factor * least_k_per_s or not all(
                after > 0.0 and after + slack >= QUICK_RATIO * before
                for before, after in pairwise(rates)
            ):
                continue
            if any(after > QUICK_LATER * before for before, after in pairwise(rates[1:])):
                continue
            own = [_rate(before, after) for before, after in pairwise(readings[-1 - ALONE :])]
            if step > 1 and min(own) < QUICK_SHARE * rates[-1]:
                continue
            before = readings[max(0, first - QUICK_BEFORE) : first + 1]
            if marks[1][1] <= max(value_c for _, value_c in before):
                continue
            new_k = marks[1][1] - marks[0][1]
            new_k -= max(_rate(before[0], before[-1]), 0.0) * (marks[1][0] - marks[0][0])
            if new_k < max(QUICK_FIRST_K, self._jerk_k):
                continue
            clear = new_k >= QUICK_JERKS * self._jerk_k
            if rates[1] > (QUICK_CLEAR if clear else QUICK_DIM) * rates[0]:
                continue
            return Rise("quickening_rise", rise_k, took_s, rises)
        return None

    def _on_grid(self, t_s: float) -> None:
        grid = self._grid
        five = sorted(value_c for _, value_c in islice(reversed(self._recent), 5))
        grid.append((t_s, five[len(five) // 2]))
        while grid[0][0] <= t_s - HELD_S:
            grid.popleft()
        held_c = max((c for held_s, c in grid if held_s <= t_s - FRESH_S), default=LOWEST_C)
        self._held_c = min(held_c, self._most_held_c)
        self._long = self._long_rise()
        self._growing = self._growing_rise()

    def _long_rise(self) -> float | None:
        third = round(LONG_S / GRID_S / 3.0)
        grid = self._grid
        if len(grid) <= 3 * third:
            return None
        marks = [grid[-1 - third * back] for back in range(3, -1, -1)]
        rise_k = marks[3][1] - marks[0][1]
        if rise_k < LONG_K or marks[3][0] - marks[0][0] > LONG_S + 2 * GRID_S:
            return None
        *first, last_k = (after[1] - before[1] for before, after in pairwise(marks))
        if rise_k < LONG_2_K and last_k * SLACKENS < max(first):
            return None
        return marks[0][1]

    def _growing_rise(self) -> Rise | None:
        grid = self._grid
        for windows, steps, ratio, last_k in GROWTHS:
            least_k = last_k * (DOUBT if grid[-1][1] < self._cool_c else 1.0)
            if len(grid) <= steps * windows or grid[-1][1] - grid[-1 - steps][1] < least_k:
                continue
            marks = [grid[-1 - steps * back] for back in range(windows, -1, -1)]
            if marks[-1][0] - marks[0][0] > (steps * windows + 3) * GRID_S:
                continue
            rises = [after[1] - before[1] for before, after in pairwise(marks)]
            if rises[0] >= GROWTH_FIRST_K and all(
                after >= ratio * before for before, after in pairwise(rises)
            ):
                rise_k = marks[-1][1] - marks[0][1]
                return Rise("growing_rise", rise_k, steps * windows * GRID_S, windows)
        return None


def _rate(before: tuple[float, float], after: tuple[float, float]) -> float:
    """K/s; times that don't go on count as a twentieth of a second."""
    return (after[1] - before[1]) / max(after[0] - before[0], 0.05)
