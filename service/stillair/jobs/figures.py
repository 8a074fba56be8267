"""Figures of a job's chamber, by which flawed jobs may differ from sound ones.

From half-minute means of the chamber's air, over the time in which the part was built:

air_c, hottest_c
    Mean over the sensors and the time; the highest half minute of any one sensor.
below_target_share
    Per cent of the time with the air more than `BELOW_K` under the target, once it has
    been reached.
deepest_drop_k, longest_drop_s
    How far the air fell below its own median of the `BASE_S` before, and for how long at
    most it stayed more than `DROP_K` below it. A door, a draft and lost heat all do that.
    Pauses are left out of the clock; a drop that lasts is held against the air before it.
spread_k
    Mean difference between the warmest and the coldest sensor of the air.
soak_s
    From when the air first came within `BELOW_K` of where it was in the middle of the job to
    the first height that was told. None where no height was.
room_c
    Mean of the room's sensors.
cooling_k_per_min
    The steepest fall over ten minutes in the two hours after the end.

Whoever changes what a figure means, counts `RULE` up and says so in `CHANGED`: a figure by
an earlier rule is held against none by the present one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import median

import numpy as np
from numpy.typing import NDArray

RULE = 2
CHANGED: Mapping[str, int] = {  # by which rule a figure is what it is, if not by the first
    "deepest_drop_k": 2,  # is held against the air before a pause, too
    "longest_drop_s": 2,  # counts its whole length
}

BELOW_K = 3.0
DROP_K = 2.0
BASE_S = 1800.0
COOLING_OVER_S = 600.0
COOLING_WITHIN_S = 7200.0
LEAST_ROWS = 20

Column = Sequence[float | None]
Span = tuple[float, float]


def holding(measured: Mapping[str, float], rule: int) -> dict[str, float]:
    """Those of a job's figures that still are what they were by an earlier rule."""
    return {name: value for name, value in measured.items() if CHANGED.get(name, 1) <= rule}


def chamber_figures(
    time_s: Sequence[float],
    sensors: Mapping[str, Column],
    room_c: Column | None,
    *,
    started_s: float,
    finished_s: float,
    target_c: float | None = None,
    first_height_s: float | None = None,
    pauses: Sequence[Span] = (),
) -> dict[str, float]:
    """The figures that the readings give; what they don't is left out.

    Parameters
    ----------
    time_s : sequence of float
        Times of the rows, increasing, half a minute apart, s.
    sensors : mapping
        For each sensor of the chamber's air one value a row, °C; None for a gap.
    room_c : sequence or None
        The room, one value a row.
    started_s, finished_s, first_height_s : float
        When the job began, was done, and its first height was told; the same clock.
    pauses : sequence of (start, end)
        In them the door may be open: they count for nothing.
    """
    at_s = np.asarray(time_s, dtype=float)
    if len(at_s) < LEAST_ROWS or not sensors:
        return {}
    values = np.array(
        [[np.nan if v is None else v for v in column] for column in sensors.values()], dtype=float
    )
    known = np.isfinite(values).any(axis=0)
    counts = np.maximum(np.isfinite(values).sum(axis=0), 1)
    air = np.where(known, np.nansum(values, axis=0) / counts, np.nan)
    paused = np.zeros(len(at_s), dtype=bool)
    own_s = at_s.copy()
    for start_s, end_s in pauses:
        paused |= (at_s >= start_s) & (at_s < end_s)
        own_s -= np.clip(at_s - start_s, 0.0, end_s - start_s)
    begun_s = started_s if first_height_s is None else max(started_s, first_height_s)
    built = known & ~paused & (at_s >= begun_s) & (at_s <= finished_s)
    found: dict[str, float] = {}
    if built.sum() >= LEAST_ROWS:
        usual_c = float(np.median(air[built]))
        reached = known & (at_s >= started_s) & (air >= usual_c - BELOW_K)
        reached_s = float(at_s[reached][0])
        after = built & (at_s >= reached_s)
        found["air_c"] = float(air[after].mean())
        found["hottest_c"] = float(np.nanmax(values[:, built]))
        found |= _drops(own_s[after], air[after])
        if len(values) > 1:
            lowest, highest = (
                np.nanmin(values[:, after], axis=0),
                np.nanmax(values[:, after], axis=0),
            )
            found["spread_k"] = float((highest - lowest).mean())
        if target_c is not None:
            found["below_target_share"] = 100.0 * float((air[after] < target_c - BELOW_K).mean())
        if first_height_s is not None:
            found["soak_s"] = max(0.0, first_height_s - reached_s)
        if room_c is not None:
            outside = [
                v for v, inside in zip(room_c, built, strict=True) if inside and v is not None
            ]
            if outside:
                found["room_c"] = sum(outside) / len(outside)
    cooling = _cooling_k_per_min(at_s[known], air[known], finished_s)
    if cooling is not None:
        found["cooling_k_per_min"] = cooling
    return {name: round(value, 3) for name, value in found.items()}


def _drops(own_s: NDArray[np.float64], air: NDArray[np.float64]) -> dict[str, float]:
    """By the job's own clock: what the air was before a pause is what it is held against after."""
    deepest_k, longest_s = 0.0, 0.0
    usual_c = float(np.median(air))
    since_s, before_c = 0.0, -np.inf  # the air before the drop that is under way, if one is
    first = 0
    for row in range(len(own_s)):
        while own_s[first] < own_s[row] - BASE_S:
            first += 1
        if row - first < LEAST_ROWS // 2:
            continue
        median_c = median(air[first : row + 1].tolist())
        # A long drop pulls the median down with it, so the air before it counts as well; but no
        # more than is usual in this job, or settling from too warm a start would never end.
        drop_k = max(median_c, min(before_c, usual_c)) - float(air[row])
        deepest_k = max(deepest_k, drop_k)
        if drop_k <= DROP_K:
            before_c = -np.inf
            continue
        if before_c == -np.inf:
            since_s, before_c = float(own_s[row]), median_c
        longest_s = max(longest_s, float(own_s[row]) - since_s)
    return {"deepest_drop_k": deepest_k, "longest_drop_s": longest_s}


def _cooling_k_per_min(
    at_s: NDArray[np.float64], air: NDArray[np.float64], finished_s: float
) -> float | None:
    after = (at_s >= finished_s) & (at_s <= finished_s + COOLING_WITHIN_S)
    times, values = at_s[after], air[after]
    if len(times) < LEAST_ROWS or times[-1] - times[0] < COOLING_OVER_S:
        return None
    later = np.searchsorted(times, times + COOLING_OVER_S)
    whole = later < len(times)
    spans_s = times[later[whole]] - times[whole]
    falls_k = values[whole] - values[later[whole]]
    rates = falls_k / spans_s * 60.0
    rates = rates[spans_s <= 1.5 * COOLING_OVER_S]
    return float(rates.max()) if len(rates) else None
