"""When a temperature on its way will be where somebody waits for it.

Air that warms or cools goes to its end along an exponential, as long as one
store of heat rules (Newton's law of cooling). Through the means m1, m2, m3 of
three equal stretches of length T of the past there is just one:

    r = (m3 - m2) / (m2 - m1)     tau = -T / ln r     end = m3 + (m3 - m2) r / (1 - r)

(Prony's method for one exponential; Hildebrand, F. B. (1956) Introduction to
numerical analysis, 9.4). A real box has slower stores behind the air (walls,
bed): the air begins fast and goes on slowly, so that only the later half of
the past is asked. And its end goes on with theirs, so that the truth lies
between the exponential and the straight line: their geometric mean is told. How
much all that matters shows in how far the two lie apart, and how far the answer
moves when the whole past is asked; together with the readings' restlessness
that is the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

LEAST = 30  # values, for a forecast at all
STRAIGHT = 0.97  # a ratio of rises above which the past is a straight line
LEAST_K = 0.25  # moved within the past, or there is no direction
FURTHEST_S = 8 * 3600.0
NEAR_S, LATEST = 1800.0, 4.0  # on a straight line; and so many times that at the latest
LEAST_U_S, LEAST_SHARE = 40.0, 0.08  # nobody foretells better than that


@dataclass(frozen=True, slots=True)
class Forecast:
    """Seconds from now, and the expanded uncertainty (k = 2) of that in seconds."""

    to_go_s: float
    u_s: float


@dataclass(frozen=True, slots=True)
class Approach:
    """Where a temperature is, how fast it goes, and how it slows down.

    `rate_k_per_s` is the present rate; `tau_s` is infinite for a straight line.
    """

    now_c: float
    rate_k_per_s: float
    tau_s: float

    def until_s(self, goal_c: float) -> float | None:
        """Seconds until `goal_c`; None where it will never be there."""
        gap_k = goal_c - self.now_c
        if gap_k * self.rate_k_per_s <= 0.0:
            return None if gap_k else 0.0
        straight_s = gap_k / self.rate_k_per_s
        if math.isinf(self.tau_s):
            return straight_s
        share = straight_s / self.tau_s  # of the way to its end
        return -self.tau_s * math.log1p(-share) if share < 0.999 else None

    def after(self, dt_s: float) -> Approach:
        """The same way `dt_s` seconds on."""
        share = math.exp(-dt_s / self.tau_s)
        gone_s = dt_s if math.isinf(self.tau_s) else self.tau_s * (1.0 - share)
        now_c = self.now_c + self.rate_k_per_s * gone_s
        return Approach(now_c, self.rate_k_per_s * share, self.tau_s)

    def until_slow_s(self, rate_k_per_s: float) -> float | None:
        """Seconds until it moves no faster than `rate_k_per_s`; None where it doesn't slow down."""
        if abs(self.rate_k_per_s) <= rate_k_per_s:
            return 0.0
        if math.isinf(self.tau_s):
            return None
        return self.tau_s * math.log(abs(self.rate_k_per_s) / rate_k_per_s)


def approach(
    values: Sequence[float], step_s: float, off: tuple[float, float] = (0.0, 0.0)
) -> Approach | None:
    """The exponential through the past, `values` in °C every `step_s` seconds, newest last.

    `off` is added to the two rises, to try how much their errors matter.
    None where the past is too short, goes nowhere, or goes faster and faster.
    """
    length = len(values) // 3
    if 3 * length < LEAST:
        return None
    late = values[-length:]
    m3 = sum(late) / length
    m2 = sum(values[-2 * length : -length]) / length
    m1 = sum(values[-3 * length : -2 * length]) / length
    first_k, second_k = m2 - m1 + off[0], m3 - m2 + off[1]
    if first_k * second_k <= 0.0 or abs(m3 - m1) < LEAST_K:
        return None
    stretch_s = length * step_s
    ratio = second_k / first_k
    if ratio > 1.0 / STRAIGHT**4:
        return None
    if ratio > STRAIGHT:
        rate = second_k / stretch_s
        return Approach(m3 + rate * 0.5 * (stretch_s - step_s), rate, math.inf)
    tau_s = -stretch_s / math.log(ratio)
    to_end_k = second_k * ratio / (1.0 - ratio)  # from the middle of the last stretch
    to_end_k *= math.exp(-0.5 * (stretch_s - step_s) / tau_s)
    end_c = m3 + second_k * ratio / (1.0 - ratio)
    return Approach(end_c - to_end_k, to_end_k / tau_s, tau_s)


def restlessness_k(values: Sequence[float]) -> float:
    """The standard deviation of one value about the curve, from third differences, K."""
    if len(values) < 8:
        return 0.1
    total = 0.0
    for index in range(3, len(values)):
        a, b, c, d = values[index - 3 : index + 1]
        total += (d - 3.0 * c + 3.0 * b - a) ** 2
    return math.sqrt(total / (len(values) - 3) / 20.0)


def forecast(
    values: Sequence[float], step_s: float, ask: Callable[[Approach], float | None]
) -> Forecast | None:
    """When something will be so, from the past alone.

    `ask` answers with the seconds until then on a given way, or None for never.
    """
    late = recent(values)
    newest = approach(late, step_s)
    if newest is None:
        return None
    straight_s = ask(Approach(newest.now_c, newest.rate_k_per_s, math.inf))
    # What seems to end before it is there may yet get there, since the end goes on.
    most_s = math.inf if straight_s is None else LATEST * straight_s
    never_s = most_s if straight_s is not None and straight_s <= NEAR_S else math.inf

    def on(way: Approach | None) -> float:
        asked_s = None if way is None else ask(way)
        return never_s if asked_s is None else min(asked_s, most_s)

    bent_s = on(newest)
    if bent_s > FURTHEST_S:
        return None
    error_k = restlessness_k(late) * math.sqrt(2.0 / (len(late) // 3))
    noise_s = max(
        min(bent_s, abs(on(approach(late, step_s, off)) - bent_s))
        for off in ((error_k, -error_k), (-error_k, error_k))
    )
    model_s = 0.3 * bent_s
    if len(late) < len(values):
        model_s = min(bent_s, abs(on(approach(values, step_s)) - bent_s))
    to_go_s = bent_s
    if straight_s:
        to_go_s = math.sqrt(bent_s * straight_s)
        model_s = 0.5 * math.hypot(model_s, bent_s - straight_s)
    u_s = math.hypot(2.0 * noise_s, model_s, LEAST_U_S, LEAST_SHARE * to_go_s)
    return Forecast(to_go_s, min(u_s, max(LEAST_U_S, most_s - to_go_s)))


def until(goal_c: float, slow_k_per_s: float = math.inf) -> Callable[[Approach], float | None]:
    """The question when a way is at `goal_c`, and rises no faster than `slow_k_per_s` as well."""

    def ask(way: Approach) -> float | None:
        there_s = way.until_s(goal_c) if way.now_c < goal_c else 0.0
        slow_s = way.until_slow_s(slow_k_per_s)
        return None if there_s is None or slow_s is None else max(there_s, slow_s)

    return ask


def recent(values: Sequence[float]) -> Sequence[float]:
    """The later half of a past, or as much as a forecast needs."""
    return values[-max(LEAST, len(values) // 2) :]
