"""The chamber's last twenty minutes, and whether its air rises, falls, swings or stands.

Everything is asked of one value every ten seconds. A slope is that between two
values; a shift compares the means of two equal stretches that follow each
other, so that a thermostat's swings count for little in it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

from stillair.thermal.forecast import Approach

GRID_S = 10.0
KEEP = 121  # twenty minutes
TEN_MINUTES = 60
SPREAD_K, SPREAD_SHARE = 0.7, 0.2
SHIFT_K, SHIFT_SHARE = 1.5, 0.05
NEW_LOW_K = 1.0
FLAT_K = 0.5  # of shift over ten minutes: on its way to nowhere
STEADY_K_PER_MIN, CREEP_K_PER_MIN = 0.15, 0.25
STEADY_S, CREEP_S = 300.0, 1200.0
LAG_S = 150.0  # a slope over five minutes is that of half as long ago
HEATED_K, HEATED_SHARE = 0.2, 0.02  # no box loses so little of its excess in ten minutes unheated


@dataclass(slots=True)
class Sample:
    """The chamber at one time: the mean of its sensors, between which it lies, the bed."""

    t_s: float
    air_c: float
    spread_k: float
    hottest_c: float
    bed_c: float | None


class AirPast:
    """What the air did of late."""

    def __init__(self) -> None:
        self.samples: deque[Sample] = deque(maxlen=KEEP)
        self._flat_s: float | None = None

    def is_due(self, t_s: float) -> bool:
        """Whether the next value is to be taken."""
        return not self.samples or t_s - self.samples[-1].t_s >= GRID_S - 0.5

    def push(self, sample: Sample) -> None:
        """Take a value."""
        self.samples.append(sample)
        if len(self.samples) < KEEP or abs(self.shift_k(TEN_MINUTES)) >= FLAT_K:
            self._flat_s = None
        elif self._flat_s is None:
            self._flat_s = sample.t_s - TEN_MINUTES * GRID_S

    def clear(self) -> None:
        """Forget all: what comes next is no continuation."""
        self.samples.clear()
        self._flat_s = None

    def raise_by(self, off_k: float) -> None:
        """Count all of the past so much warmer."""
        for sample in self.samples:
            sample.air_c += off_k

    def spread_by(self, spread_k: float) -> None:
        """Nothing is known of how the spread was: it was as it is."""
        for sample in self.samples:
            sample.spread_k = spread_k

    def since(self, t_s: float) -> list[Sample]:
        """The values from a time on."""
        return [sample for sample in self.samples if sample.t_s >= t_s]

    def slope_k_per_min(self, window_s: float) -> float | None:
        """Rise per minute over the last `window_s`; None while the past is too short."""
        steps = round(window_s / GRID_S)
        if len(self.samples) <= steps:
            return None
        then, now = self.samples[-1 - steps], self.samples[-1]
        return (now.air_c - then.air_c) * 60.0 / (now.t_s - then.t_s)

    def shift_k(self, half: int) -> float:
        """How much warmer the last `half` values were than as many before, on average."""
        if len(self.samples) <= 2 * half:
            return 0.0
        values = [sample.air_c for sample in self._last(2 * half)]
        return (sum(values[half:]) - sum(values[:half])) / half

    def mean_c(self, values: int) -> float:
        """The mean of the last so many values."""
        return sum(sample.air_c for sample in self._last(values)) / min(values, len(self.samples))

    def spread_has_settled(self) -> bool:
        """Whether sensors have kept their distances for five minutes."""
        spreads = [sample.spread_k for sample in self._last(31)]
        return max(spreads) - min(spreads) < max(SPREAD_K, SPREAD_SHARE * max(spreads))

    def only_swings(self, allowed_k: float) -> bool:
        """Whether the means of ten minutes stay, by `allowed_k` and the spread, while it swings."""
        half = TEN_MINUTES
        if len(self.samples) < KEEP or abs(self.shift_k(half)) >= allowed_k:
            return False
        spreads = [sample.spread_k for sample in self._last(2 * half)]
        return abs(sum(spreads[half:]) - sum(spreads[:half])) / half < SPREAD_K

    def is_flat(self, t_s: float, for_s: float) -> bool:
        """Whether its mean has stood still for so long."""
        return self._flat_s is not None and t_s - self._flat_s >= for_s

    def falls_away(self, excess_k: float) -> bool:
        """Whether the air falls, and lower than it lately did again and again."""
        least_k = max(SHIFT_K, SHIFT_SHARE * excess_k)
        if min(self.shift_k(TEN_MINUTES // 2), self.shift_k(TEN_MINUTES)) >= -least_k:
            return False
        before = islice(self.samples, 0, max(1, len(self.samples) - TEN_MINUTES))
        return self.samples[-1].air_c < min(sample.air_c for sample in before) - NEW_LOW_K

    def is_heated(self, excess_k: float) -> bool:
        """Whether it doesn't fall as even a tight box would without heat."""
        if len(self.samples) < KEEP:
            return False
        return self.shift_k(TEN_MINUTES) > -max(HEATED_K, HEATED_SHARE * excess_k)

    def _last(self, values: int) -> Iterator[Sample]:
        return islice(self.samples, max(0, len(self.samples) - values), None)


def steady_k_per_min(soak_s: float) -> float:
    """The slope that counts as steady after so much soak."""
    share = min(1.0, max(0.0, (soak_s - STEADY_S) / (CREEP_S - STEADY_S)))
    return STEADY_K_PER_MIN + share * (CREEP_K_PER_MIN - STEADY_K_PER_MIN)


def until_steady_s(way: Approach) -> float:
    """Seconds from the begin of soak until the slope meets what is allowed, which gets more."""
    to_go_s = STEADY_S - LAG_S
    while to_go_s + LAG_S < CREEP_S:
        allowed = steady_k_per_min(to_go_s + LAG_S)
        if 60.0 * abs(way.after(to_go_s).rate_k_per_s) <= allowed:
            break
        to_go_s += 60.0
    return to_go_s + LAG_S
