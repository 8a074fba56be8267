"""Layers that will be too cold or not firm at the air expected, and what would change that.

What would help is not guessed: the thermal history is computed again with the change.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stillair.jobs.roads import Column, Stack, histories
from stillair.jobs.rules import Remark, Rule
from stillair.jobs.toolpath.layers import Layers, Toolpath
from stillair.jobs.weather import COOL, FIRST, USUAL, WARM, conditions, sides_per_mm, stack
from stillair.model.materials import Material

LEAST_LAYERS: Final = 3
GAP: Final = 5  # layers between two stretches that are told as one
MOST_STRETCHES: Final = 20
COPIES: Final = 2.0
# Assumed: whatever the job's other layers are, a joint so near to firm isn't called cold.
WARM_ENOUGH_K: Final = 20.0
LEAST_TIMES_S: Final = (5.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 45.0, 60.0)
FAN_SHARES: Final = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0)
MOST_FAN: Final = 0.5  # in a material that wants a warm chamber: more cracks it
WARM_C: Final = 30.0  # its chamber's floor is above this
STEP_C: Final = 5.0
BELOW_LIMIT_K: Final = 5.0

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Foreseen:
    """The material, and which temperatures below are bad."""

    row: Material
    bad: Callable[[Column], Flags]

    def left(self, column: Stack) -> int:
        """How many layers of a column are bad."""
        return int((self.bad(_below_c(column, self.row)) & _told(column)).sum())


def too_cold(
    toolpath: Toolpath,
    name: str,
    row: Material,
    air_c: float,
    *,
    limit_c: float,
    cold_k: float,
) -> Remark | None:
    """Layers colder than a usual layer of the job would be in a chamber at the material's floor."""
    column = _column(toolpath, row, air_c)
    if not len(column.first):
        return None
    at_floor_c = _below_c(_in_air(column, row.floor_c), row)
    least_c = min(float(np.median(at_floor_c)), row.firm_c - WARM_ENOUGH_K) - cold_k
    job = _Foreseen(row, lambda below_c: below_c < least_c)
    ends_c = histories(column, conditions(row)).below_c
    bad = job.bad(ends_c[USUAL]) & _told(column)
    count = int(bad.sum())
    if count < LEAST_LAYERS:
        return None
    at = int(np.flatnonzero(bad)[ends_c[USUAL, bad].argmin()])
    sure = bool(job.bad(ends_c[WARM, at]))
    warmer_c = np.arange(air_c + STEP_C, min(row.ceiling_c, limit_c - BELOW_LIMIT_K) + 0.1, STEP_C)
    warm = _least(job, warmer_c.tolist(), lambda c: _in_air(column, c), count)
    still = replace(column, fan_share=np.zeros_like(column.fan_share))
    half = replace(column, wait_s=column.wait_s / COPIES, soonest_s=column.soonest_s / COPIES)
    helps = [
        *(f"A chamber of {c:.0f} °C: {_rest(left)}." for c, left in warm),
        *_if_better(job, still, count, "No fan"),
        *_if_better(job, half, count, "Shorter layers, as with half as many pieces on the plate"),
    ]
    return Remark(
        Rule.TOO_COLD,
        f"With the chamber at {air_c:.0f} °C {_layers(count, len(bad), sure=sure)} laid on one"
        f" that is below {least_c:.0f} °C, at worst {_range(ends_c[:, at])}: colder than a"
        f" usual layer of this job in a chamber of {row.floor_c:.0f} °C, the least for"
        f" {name}.",
        {
            "chamber_c": round(air_c, 1),
            "layers": count,
            "coldest_c": round(float(ends_c[USUAL, at]), 1),
            "least_c": round(least_c, 1),
        },
        tuple(helps),
        _heights(toolpath.layers, bad),
    )


def not_firm(
    toolpath: Toolpath, name: str, row: Material, air_c: float, *, firm_k: float
) -> Remark | None:
    """Layers that are laid on one which is not firm yet; those that the bed keeps warm are not."""
    column = replace(_column(toolpath, row, air_c), bed_c=air_c)
    if not len(column.first):
        return None
    firm_c = row.firm_c - firm_k
    job = _Foreseen(row, lambda below_c: below_c > firm_c)
    ends_c = histories(column, conditions(row)).below_c
    bad = job.bad(ends_c[USUAL]) & _told(column)
    count = int(bad.sum())
    if count < LEAST_LAYERS:
        return None
    at = int(np.flatnonzero(bad)[ends_c[USUAL, bad].argmax()])
    sure = bool(job.bad(ends_c[COOL, at]))
    shortest_s = float(column.wait_s[np.flatnonzero(bad) - 1].min())
    copies = replace(column, wait_s=column.wait_s * COPIES, soonest_s=column.soonest_s * COPIES)
    slower = _least(
        job,
        [s for s in LEAST_TIMES_S if s > shortest_s],
        lambda s: replace(column, wait_s=np.maximum(column.wait_s, s)),
        count,
    )
    most_fan = MOST_FAN if row.floor_c >= WARM_C else 1.0
    fan = _least(
        job,
        [share for share in FAN_SHARES if column.fan_share[bad].min() < share <= most_fan],
        lambda share: replace(
            column, fan_share=np.where(bad, np.maximum(column.fan_share, share), column.fan_share)
        ),
        count,
    )
    cooler_c = np.arange(air_c - STEP_C, row.floor_c - 0.1, -STEP_C)
    cool = _least(job, cooler_c.tolist(), lambda c: replace(_in_air(column, c), bed_c=c), count)
    helps = [
        *_if_better(job, copies, count, "Another copy on the plate"),
        *(f"No layer in less than {s:.0f} s: {_rest(left)}." for s, left in slower),
        *(f"The fan at {share:.0%} on these layers: {_rest(left)}." for share, left in fan),
        *(f"A chamber of {c:.0f} °C: {_rest(left)}." for c, left in cool),
    ]
    return Remark(
        Rule.NOT_FIRM,
        f"With the chamber at {air_c:.0f} °C {_layers(count, len(bad), sure=sure)} laid on one"
        f" that is still above {firm_c:.0f} °C, at worst {_range(ends_c[:, at])}: {name} is"
        " not firm there, so it sags and its edges curl.",
        {
            "chamber_c": round(air_c, 1),
            "layers": count,
            "hottest_c": round(float(ends_c[USUAL, at]), 1),
            "firm_c": round(firm_c, 1),
            "shortest_s": round(shortest_s, 1),
        },
        tuple(helps),
        _heights(toolpath.layers, bad),
    )


def _column(toolpath: Toolpath, row: Material, air_c: float) -> Stack:
    layers = toolpath.layers
    bed_c = toolpath.whole.bed_c[1] or toolpath.whole.bed_c[0] or None
    sides = sides_per_mm(layers, toolpath.outlines)
    return stack(layers, row, np.full(len(layers), air_c), bed_c=bed_c, side_per_mm=sides)


def _below_c(column: Stack, row: Material) -> Column:
    """Of the layer below when each arrives, with the usual choice of conditions."""
    return np.asarray(histories(column, conditions(row)[:1]).below_c[0])


def _in_air(column: Stack, air_c: float) -> Stack:
    return replace(column, air_c=np.full_like(column.air_c, air_c))


def _told(column: Stack) -> Flags:
    """All layers but a piece's first ones."""
    number = np.arange(len(column.first))
    return np.asarray(number - np.maximum.accumulate(np.where(column.first, number, 0)) >= FIRST)


def _least(
    job: _Foreseen, choices: Sequence[float], change: Callable[[float], Stack], before: int
) -> list[tuple[float, int]]:
    """The smallest change that leaves no layer; if none does, the largest if it halves them."""
    low, high = 0, len(choices)
    while low < high:
        middle = (low + high) // 2
        if job.left(change(choices[middle])):
            low = middle + 1
        else:
            high = middle
    if low < len(choices):
        return [(choices[low], 0)]
    if not choices:
        return []
    left = job.left(change(choices[-1]))
    return [(choices[-1], left)] if left <= before / 2 else []


def _if_better(job: _Foreseen, column: Stack, before: int, what: str) -> list[str]:
    left = job.left(column)
    return [f"{what}: {_rest(left)}."] if left <= before / 2 else []


def _rest(left: int) -> str:
    if not left:
        return "then none of them is"
    return f"then {left} still {'is' if left == 1 else 'are'}"


def _range(ends_c: Column) -> str:
    """The usual figure, and the range of what isn't known."""
    return f"{ends_c[USUAL]:.0f} °C ({ends_c.min():.0f} °C to {ends_c.max():.0f} °C)"


def _layers(count: int, of: int, *, sure: bool) -> str:
    named = f"all {of} layers" if count >= of - FIRST else f"{count} of {of} layers"
    return f"{named} are" if sure else f"perhaps {named} are"


def _heights(layers: Layers, bad: Flags) -> tuple[tuple[float, float], ...]:
    at = np.flatnonzero(bad)
    ends = np.flatnonzero((np.diff(at) > GAP) | (np.diff(layers.piece[at]) != 0)) + 1
    parts = sorted(np.split(at, ends), key=len, reverse=True)[:MOST_STRETCHES]
    return tuple(
        (round(float(layers.height_mm[part[0]]), 2), round(float(layers.height_mm[part[-1]]), 2))
        for part in sorted(parts, key=lambda part: int(part[0]))
    )
