"""Layers that will be too cold or not firm at the air expected, and what would change that.

What would help is not guessed: with each change the job is looked at again, with all that
follows from it. A job's usual layer is another one without a fan, say, so it is found anew.
A change is named only where it leaves no such layer, or half of them at most, and makes no
layer bad on the other side that wasn't.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stillair.jobs.roads import LEAST_S, Column, Stack, histories
from stillair.jobs.rules import Remark, Rule
from stillair.jobs.toolpath.layers import Layers, Toolpath
from stillair.jobs.weather import COOL, FIRST, USUAL, WARM, conditions, sides_per_mm, stack
from stillair.model.materials import Material

LEAST_LAYERS: Final = 3
GAP: Final = 5  # layers between two stretches that are told as one
MOST_STRETCHES: Final = 20
MORE_COPIES: Final = {1: "Another copy", 2: "Two more copies", 3: "Three more copies"}
# Assumed: whatever the job's other layers are, a joint so near to firm isn't called cold.
WARM_ENOUGH_K: Final = 20.0
LEAST_TIMES_S: Final = (5.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 45.0, 60.0)
MOST_TIMES_S: Final = (900.0, 600.0, 450.0, 300.0, 240.0, 180.0, 120.0, 90.0, 60.0, 45.0, 30.0)
LEAST_SHARE: Final = 0.25  # of its time, in which no layer is said to be laid
FAN_SHARES: Final = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0)
MOST_FAN: Final = 0.5  # in a material that wants a warm chamber: more cracks it
WARM_C: Final = 30.0  # its chamber's floor is above this
ROOM_C: Final = 20.0  # assumed; no box without cooling is colder than its room
STEP_C: Final = 5.0
BELOW_LIMIT_K: Final = 5.0

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Seen:
    """Layers that are bad, the temperature that they are held to, the three ends of theirs."""

    bad: Flags
    bound_c: float
    below_c: Column

    @property
    def count(self) -> int:
        """How many are bad."""
        return int(self.bad.sum())


@dataclass(frozen=True, slots=True)
class Layerwise:
    """What layers are held to: a material, and how far they may be from its figures."""

    row: Material
    cold_k: float
    firm_k: float

    def cold(self, column: Stack, kinds: slice = slice(None)) -> _Seen:
        """Laid on one colder than a usual layer of the job in a chamber at the material's floor.

        A bed that takes heat is nobody's disturbance; one that gives it helps. Where a
        material wants no warm chamber nothing is too cold.
        """
        row, given = self.row, list(conditions(self.row))
        usual_c = _usual_c(_in_air(column, row.floor_c), row)
        bound_c = min(usual_c, row.firm_c - WARM_ENOUGH_K) - self.cold_k
        below_c = histories(_on_bed(column, max(column.bed_c, usual_c)), given[kinds]).below_c
        is_cold = (below_c[USUAL] < bound_c) & (row.floor_c >= WARM_C)
        return _Seen(is_cold & _told(column), bound_c, below_c)

    def soft(self, column: Stack, kinds: slice = slice(None)) -> _Seen:
        """Laid on one that is not firm; those that the bed keeps warm are not."""
        bound_c = self.row.firm_c - self.firm_k
        cool = _on_bed(column, float(column.air_c.mean()))
        below_c = histories(cool, list(conditions(self.row))[kinds]).below_c
        return _Seen((below_c[USUAL] > bound_c) & _told(column), bound_c, below_c)


@dataclass(frozen=True, slots=True)
class _Advice:
    """Which changes help a column: layers `bad` are to become none, and none on the other side."""

    bad: Callable[[Stack, slice], _Seen]
    other: Callable[[Stack, slice], _Seen]
    before: int
    before_other: int

    def left(self, column: Stack) -> int:
        """How many layers of a changed column are bad."""
        return self.bad(column, ONE).count

    def least(self, choices: Sequence[float], change: Callable[[float], Stack]) -> list[_Change]:
        """The smallest change that leaves no layer; if none does, the largest if it halves them."""
        low, high = 0, len(choices)
        left: dict[float, int] = {}
        while low < high:
            middle = (low + high) // 2
            choice = choices[middle]
            left[choice] = self.left(change(choice))
            if left[choice]:
                low = middle + 1
            else:
                high = middle
        # Whichever the search ends at has been counted on the way.
        return [
            (choice, left[choice])
            for choice in choices[low : low + 1] or choices[-1:]
            if left[choice] <= self.before / 2
            and self.other(change(choice), ONE).count <= max(self.before_other, LEAST_LAYERS - 1)
        ]


_Change = tuple[float, int]
ONE: Final = slice(1)  # the usual choice of conditions alone


def too_cold(
    toolpath: Toolpath, name: str, held: Layerwise, air_c: float, *, limit_c: float
) -> Remark | None:
    """Layers colder than a usual layer of the job would be in a chamber at the material's floor."""
    column, row = _column(toolpath, held.row, air_c), held.row
    if not len(column.first):
        return None
    seen = held.cold(column)
    count, bad, ends_c = seen.count, seen.bad, seen.below_c
    if count < LEAST_LAYERS:
        return None
    at = int(np.flatnonzero(bad)[ends_c[USUAL, bad].argmin()])
    sure = bool(ends_c[WARM, at] < seen.bound_c)
    advice = _Advice(held.cold, held.soft, count, held.soft(column, ONE).count)
    least_c, most_c = max(air_c + STEP_C, row.floor_c), min(row.ceiling_c, limit_c - BELOW_LIMIT_K)
    warmer_c = np.arange(least_c, most_c + 0.1, STEP_C)
    longest_s = float(column.wait_s[_under(bad)].max())
    warm = advice.least(warmer_c.tolist(), lambda c: _in_air(column, c))
    still = advice.least(
        [0.0] if column.fan_share[_under(bad)].any() else [],
        lambda share: replace(column, fan_share=np.full_like(column.fan_share, share)),
    )
    faster = advice.least(
        [s for s in MOST_TIMES_S if LEAST_SHARE * longest_s <= s < longest_s],
        lambda s: _timed(column, np.minimum(column.wait_s, s)),
    )
    helps = [
        *(f"A chamber of {c:.0f} °C: {_rest(left)}." for c, left in warm),
        *(f"No fan: {_rest(left)}." for _, left in still),
        *(
            f"No layer in more than {s:.0f} s, faster or with fewer pieces: {_rest(left)}."
            for s, left in faster
        ),
    ]
    return Remark(
        Rule.TOO_COLD,
        f"With the chamber at {air_c:.0f} °C {_layers(count, len(bad), sure=sure)} laid on one"
        f" that is below {seen.bound_c:.0f} °C, at worst {_range(ends_c[:, at])}: colder than a"
        f" usual layer of this job in a chamber of {row.floor_c:.0f} °C, the least for"
        f" {name}.",
        {
            "chamber_c": round(air_c, 1),
            "layers": count,
            "coldest_c": round(float(ends_c[USUAL, at]), 1),
            "least_c": round(seen.bound_c, 1),
        },
        tuple(helps),
        _heights(toolpath.layers, bad),
    )


def not_firm(toolpath: Toolpath, name: str, held: Layerwise, air_c: float) -> Remark | None:
    """Layers that are laid on one which is not firm yet; those that the bed keeps warm are not."""
    column, row = _column(toolpath, held.row, air_c), held.row
    if not len(column.first):
        return None
    seen = held.soft(column)
    count, bad, ends_c = seen.count, seen.bad, seen.below_c
    if count < LEAST_LAYERS:
        return None
    at = int(np.flatnonzero(bad)[ends_c[USUAL, bad].argmax()])
    sure = bool(ends_c[COOL, at] > seen.bound_c)
    under = _under(bad)  # what has to cool
    shortest_s = float(column.wait_s[under].min())
    advice = _Advice(held.soft, held.cold, count, held.cold(column, ONE).count)
    copies = advice.least(
        list(MORE_COPIES), lambda more: _timed(column, column.wait_s * (1.0 + more))
    )
    slower = advice.least(
        [s for s in LEAST_TIMES_S if s > shortest_s],
        lambda s: _timed(column, np.maximum(column.wait_s, s)),
    )
    most_fan = MOST_FAN if row.floor_c >= WARM_C else 1.0
    fan = advice.least(
        [share for share in FAN_SHARES if column.fan_share[under].min() < share <= most_fan],
        lambda share: replace(
            column, fan_share=np.where(under, np.maximum(column.fan_share, share), column.fan_share)
        ),
    )
    cooler_c = np.arange(air_c - STEP_C, max(row.floor_c, ROOM_C) - 0.1, -STEP_C)
    cool = advice.least(cooler_c.tolist(), lambda c: _in_air(column, c))
    helps = [
        *(f"{MORE_COPIES[int(n)]} on the plate: {_rest(left)}." for n, left in copies),
        *(f"No layer in less than {s:.0f} s: {_rest(left)}." for s, left in slower),
        *(
            f"The fan at {share:.0%} on these layers and the one below them: {_rest(left)}."
            for share, left in fan
        ),
        *(f"A chamber of {c:.0f} °C: {_rest(left)}." for c, left in cool),
    ]
    return Remark(
        Rule.NOT_FIRM,
        f"With the chamber at {air_c:.0f} °C {_layers(count, len(bad), sure=sure)} laid on one"
        f" that is still above {seen.bound_c:.0f} °C, at worst {_range(ends_c[:, at])}: {name} is"
        " not firm there, so it sags and its edges curl.",
        {
            "chamber_c": round(air_c, 1),
            "layers": count,
            "hottest_c": round(float(ends_c[USUAL, at]), 1),
            "firm_c": round(seen.bound_c, 1),
            "shortest_s": round(shortest_s, 1),
        },
        tuple(helps),
        _heights(toolpath.layers, bad),
    )


def _column(toolpath: Toolpath, row: Material, air_c: float) -> Stack:
    layers = toolpath.layers
    bed_c = toolpath.whole.bed_c[1] or toolpath.whole.bed_c[0] or None
    sides = sides_per_mm(layers, toolpath.outlines)
    air = np.full(len(layers), air_c, dtype=np.float64)
    return stack(layers, row, air, bed_c=bed_c, side_per_mm=sides)


def _usual_c(column: Stack, row: Material) -> float:
    """Of a usual layer below, on a bed that is just as warm: it neither gives nor takes.

    All is linear in the bed's temperature, so two runs tell of any.
    """
    given = conditions(row)[:1]
    usual_c = bed_c = float(column.air_c.mean())
    below_c = histories(_on_bed(column, bed_c), given).below_c[USUAL]
    reach = (histories(_on_bed(column, bed_c + 100.0), given).below_c[USUAL] - below_c) / 100.0
    for _ in range(20):
        usual_c = float(np.median(below_c + reach * (usual_c - bed_c)))
    return usual_c


def _in_air(column: Stack, air_c: float) -> Stack:
    return replace(column, air_c=np.full_like(column.air_c, air_c))


def _on_bed(column: Stack, bed_c: float) -> Stack:
    return replace(column, bed_c=bed_c)


def _timed(column: Stack, wait_s: Column) -> Stack:
    """The same layers in other times; what is covered first is so in proportion."""
    share = wait_s / np.maximum(column.wait_s, LEAST_S)
    return replace(column, wait_s=wait_s, soonest_s=column.soonest_s * share)


def _under(bad: Flags) -> Flags:
    """The layers that these are laid on."""
    return np.append(bad[1:], False)


def _told(column: Stack) -> Flags:
    """All layers but a piece's first ones."""
    number = np.arange(len(column.first))
    return np.asarray(number - np.maximum.accumulate(np.where(column.first, number, 0)) >= FIRST)


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
