"""When a chamber that warms will be warm and steady, and one that cools cool enough.

Each is given with its uncertainty, from the way that the air went since the phase began.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from stillair.thermal.forecast import Forecast, approach, forecast, recent, until
from stillair.thermal.settling import (
    CREEP_S,
    GRID_S,
    LAG_S,
    STEADY_S,
    AirPast,
    Sample,
    steady_k_per_min,
    until_steady_s,
)

SOAK_K_PER_MIN = 0.25
# Walls take half an hour to two hours to warm, and hold the slope up so much longer.
SLOWER_S, SLOWER_SHARE = 200.0, 0.15
CREEPING_K_PER_MIN = 0.6  # a box that comes to its target so slowly may have no thermostat
COOL_S = 60.0
BED_OVER_K = 5.0


def foretell_soak(
    past: AirPast,
    since_s: float,
    t_s: float,
    *,
    warming: bool,
    goal_c: float | None,
    warm_c: float,
) -> Forecast | None:
    """When it will be steady: so long after it soaks as soak takes at least and at most.

    Whether a thermostat will hold it there, swing, or it creeps on can't be seen beforehand.
    `goal_c` is where it soaks; without one that is where it rises no more, above `warm_c`.
    """
    air = [sample.air_c for sample in past.since(since_s)]
    if warming or (goal_c is not None and past.mean_c(30) < goal_c):
        ask = until(warm_c, SOAK_K_PER_MIN / 60.0) if goal_c is None else until(goal_c)
        found = forecast(air, GRID_S, ask)
        way = approach(recent(air), GRID_S)
        if found is None or way is None:
            return None
        then = way.after(found.to_go_s)
        least_s = most_s = STEADY_S
        if goal_c is None or 60.0 * then.rate_k_per_s < CREEPING_K_PER_MIN:
            most_s = max(STEADY_S, min(CREEP_S, until_steady_s(then)))
        half_s = 0.5 * (most_s - least_s)
        to_go_s = found.to_go_s + STEADY_S + half_s
        if goal_c is not None:
            return Forecast(to_go_s, math.hypot(found.u_s, 0.2 * STEADY_S) + half_s)
        later_s = SLOWER_S + SLOWER_SHARE * found.to_go_s
        u_s = math.hypot(found.u_s, 2.0 * later_s) + half_s
        return Forecast(to_go_s + later_s, u_s)
    soak_s = t_s - since_s
    least_s, most_s = max(0.0, STEADY_S - soak_s), max(0.0, CREEP_S + LAG_S - soak_s)
    if past.spread_has_settled() and all(
        abs(past.slope_k_per_min(window_s) or 0.0) < steady_k_per_min(soak_s)
        for window_s in (150.0, 300.0, 600.0)
    ):
        return Forecast(least_s, 60.0 + 0.5 * least_s)
    if not most_s:
        return None  # it swings too widely, or the layers move
    return Forecast(0.5 * (least_s + most_s), 30.0 + 0.5 * (most_s - least_s))


def foretell_cool(past: Sequence[Sample], enough_c: float) -> Forecast | None:
    """When the air's hottest is at `enough_c`, and the bed little above it."""
    air = [sample.hottest_c for sample in past]
    found = forecast(air, GRID_S, lambda way: way.until_s(enough_c))
    bed = [sample.bed_c for sample in past if sample.bed_c is not None]
    if found is not None and bed and bed[-1] > enough_c + BED_OVER_K:
        later = forecast(bed, GRID_S, lambda way: way.until_s(enough_c + BED_OVER_K))
        if later is None or later.to_go_s > found.to_go_s:
            found = later
    return None if found is None else Forecast(found.to_go_s + COOL_S, found.u_s)
