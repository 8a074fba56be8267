"""How warm the layer below still is when the next arrives, for every layer of a job at once.

A road of plastic leaves the nozzle hot, gives heat to the air around it and to the
layer below, and is covered by the next layer after a while. Whether the two grow into
one depends on how warm their joint was, and for how long; whether the part keeps its
shape, on how firm the layer below was.

The model. Rodriguez, Thomas and Renaud (2000) and Bellehumeur, Li, Sun and Gu (2004)
take the section of a road as one lump that loses heat to the air: its temperature
falls as exp(-h P t / (rho c A)), with P the free edge of the section and A its area.
That alone knows nothing of the warm layers below, which decide for short layers, so
here a spot of the part is a column of such lumps, from the newest road to the bed:

    C_k dT_k/dt = G_k (T_k-1 - T_k) + G_k+1 (T_k+1 - T_k) + L_k (T_air - T_k)

per square metre of plan: `C` = rho c dz; `G` the conductance between the middles of two
lumps, at a joint between layers in series with the contact there; `L` at the top
1 / (1/h + dz/2k), with h between still air and full fan as the fan's share is, and at
the sides h' p dz, where p is free edge per area of the layer. A side loses through the
plastic as well: 1/h' = 1/h_still + 1/(3 k p), the lumped form for a slab that is
heated within (a fan at the nozzle blows on the fresh road, not on the old sides). The
bed is held at its temperature. The newest two layers are three lumps each; older ones
share lumps, three of each size of 1, 2, 4 to 32 layers, then one for all the rest.

A layer is laid in no time and as hot as the nozzle; properties don't change with
temperature, and heat set free in crystallising is in `c`. Between two arrivals all is
linear, so the column is followed exactly in time: by its modes (eigenvectors of the
symmetric form of the equations), for all layers in a few calls. What one arrival hands
to the next is the only loop.

References
----------
Rodriguez, J. F., Thomas, J. P., Renaud, J. E. (2000). Characterization of the
mesostructure of fused-deposition acrylonitrile-butadiene-styrene materials. Rapid
Prototyping Journal 6 (3).
Bellehumeur, C., Li, L., Sun, Q., Gu, P. (2004). Modeling of bond formation between
polymer filaments in the fused deposition modeling process. Journal of Manufacturing
Processes 6 (2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Column = NDArray[np.float64]

SUB: Final = 3
ALIKE: Final = 3
LARGEST: Final = 32  # layers; older ones share one lump
LUMPS: Final = 2 * SUB + ALIKE * LARGEST.bit_length() + 1
CHUNK: Final = 256  # layers computed at once: bounds the memory
DEEPEST: Final = 8  # layers laid over a joint while its time is still counted
# Shares of a layer's time at which a joint is looked at: it cools fast at first.
SHARES: Final = np.array([0, 1e-3, 4e-3, 0.01, 0.025, 0.05, 0.1, 0.17, 0.25, 0.4, 0.6, 0.8, 1.0])
LEAST_S, MOST_S = 0.02, 86_400.0
THINNEST_MM, THICKEST_MM = 0.01, 10.0


@dataclass(frozen=True, slots=True)
class Conditions:
    """One choice of the figures that nobody knows exactly.

    Coefficients to the air in W/(m2 K), of still air and under full fan; contact
    between layers and to the bed in the same unit.
    """

    density_kg_per_m3: float
    conductivity_w_per_mk: float
    heat_j_per_kgk: float
    still_w_per_m2k: float
    fan_w_per_m2k: float
    contact_w_per_m2k: float
    bed_contact_w_per_m2k: float


@dataclass(frozen=True, slots=True, eq=False)
class Stack:
    """Layers in the order in which they are laid, one entry a layer.

    `wait_s` is how long a usual spot lies open until the next layer arrives over it,
    `soonest_s` how long the spot that is covered first. `first` is True where a piece
    begins anew on the bed.
    """

    thickness_mm: Column
    wait_s: Column
    soonest_s: Column
    nozzle_c: Column
    air_c: Column
    fan_share: Column
    side_per_mm: Column
    first: NDArray[np.bool_]
    bed_c: float


@dataclass(frozen=True, slots=True, eq=False)
class Histories:
    """One row for each choice of conditions, one column a layer.

    `below_c` is the mean temperature of the layer below when this one arrives over a
    usual spot, `soonest_c` over the spot that had the shortest time; both are the bed's
    for a first layer. `joint_s` is for how long the joint with the layer below stays
    above a temperature, as far as `DEEPEST` more layers on.
    """

    below_c: Column
    soonest_c: Column
    joint_s: Column


def histories(
    stack: Stack, conditions: Sequence[Conditions], above_c: float | None = None
) -> Histories:
    """The thermal history of each layer under each choice of conditions.

    `above_c` is the temperature that `joint_s` counts above; without one it is 0. Values
    that no layer can have are brought to the nearest that it can. Raises `ValueError` for
    columns of different lengths or values that are no finite numbers.
    """
    stack = _checked(stack)
    count, kinds = len(stack.thickness_mm), len(conditions)
    below_c = np.full((kinds, count), stack.bed_c, dtype=np.float64)
    soonest_c = below_c.copy()
    joint_s = np.zeros((kinds, count))
    if not count or not kinds:
        return Histories(below_c, soonest_c, joint_s)
    edges = _edges(stack.first)
    covered = np.append(~stack.first[1:], False)  # by the next layer
    since = np.maximum.accumulate(np.where(stack.first, np.arange(count), 0))
    start_c = np.zeros((kinds, LUMPS))
    start_c[:, :SUB] = stack.nozzle_c[0]
    for begin in range(0, count, CHUNK):
        chunk = slice(begin, min(begin + CHUNK, count))
        column = _Column(stack, conditions, edges, chunk)
        start_c = column.follow(start_c, stack, edges)
        on = np.flatnonzero(covered[chunk])
        below_c[:, begin + on + 1] = column.top_c(stack.wait_s[chunk])[on].T
        soonest_c[:, begin + on + 1] = column.top_c(stack.soonest_s[chunk])[on].T
        if above_c is None:
            continue
        for deep, lasted_s in enumerate(column.joints_s(edges[chunk], above_c)):
            joint = np.arange(chunk.start, chunk.stop) - deep
            is_one = joint > since[chunk]
            joint_s[:, joint[is_one]] += lasted_s[is_one].T
    return Histories(below_c, soonest_c, joint_s)


class _Column:
    """The columns of a stretch of layers, each from its layer's arrival to the next one's.

    Axes of its arrays: layer, choice of conditions, then lumps from the top, or modes.
    """

    def __init__(
        self, stack: Stack, conditions: Sequence[Conditions], edges: Column, chunk: slice
    ) -> None:
        edge = edges[chunk]
        thick_m = _between(edge, stack.thickness_mm * 1e-3)
        free_m = _between(edge, stack.thickness_mm * stack.side_per_mm)  # side per m2 of plan, m2
        free_per_m = np.divide(free_m, thick_m, out=np.zeros_like(free_m), where=thick_m > 0.0)
        built = [_equations(each, edge, thick_m, free_per_m, stack, chunk) for each in conditions]
        self._root = np.stack([part.root for part in built], axis=1)
        rates, self._modes = np.linalg.eigh(np.stack([part.matrix for part in built], axis=1))
        self._rates = np.maximum(rates, 0.0)
        drive = np.stack([part.drive for part in built], axis=1)
        self._pushed = (drive[..., None, :] @ self._modes)[..., 0, :]
        self._began = np.zeros_like(self._rates)
        self._thick_m = thick_m
        self._wait_s = stack.wait_s[chunk]
        self._chunk = chunk

    def follow(self, start_c: Column, stack: Stack, edges: Column) -> Column:
        """Go through the layers one by one; give what the one after the last begins with.

        `start_c` is what the first begins with: (conditions, lumps), degrees Celsius.
        """
        chunk, count = self._chunk, len(stack.first)
        after = np.minimum(np.arange(chunk.start, chunk.stop) + 1, count - 1)
        decay, reach_s = _decay(self._rates, self._wait_s[:, None, None])
        back = self._modes / self._root[..., None]
        step = (back * decay[..., None, :]) @ (
            np.swapaxes(self._modes, -1, -2) * self._root[..., None, :]
        )
        push_c = (back @ (reach_s * self._pushed)[..., None])[..., 0]
        carried = _carried(edges[chunk], edges[after], self._thick_m)
        carried[stack.first[after]] = 0.0
        step = carried[:, None] @ step
        push_c = (carried[:, None] @ push_c[..., None])[..., 0]
        push_c[..., :SUB] = stack.nozzle_c[after, None, None]
        starts_c = np.empty((len(after) + 1, *start_c.shape))
        starts_c[0] = start_c
        for at in range(len(after)):
            starts_c[at + 1] = (step[at] @ starts_c[at, ..., None])[..., 0] + push_c[at]
        self._began = ((starts_c[:-1] * self._root)[..., None, :] @ self._modes)[..., 0, :]
        return np.asarray(starts_c[-1])

    def top_c(self, after_s: Column) -> Column:
        """Mean of the newest layer so long after it was laid: (layers, conditions)."""
        decay, reach_s = _decay(self._rates, after_s[:, None, None])
        shown = (self._modes[..., :SUB, :] / self._root[..., :SUB, None]).mean(axis=-2)
        return np.asarray(((decay * self._began + reach_s * self._pushed) * shown).sum(axis=-1))

    def joints_s(self, edge: Column, above_c: float) -> list[Column]:
        """For how long each of the newest joints is above a temperature: (layers, conditions)."""
        at_s = (self._wait_s[:, None] * SHARES)[:, None, :, None]
        decay, reach_s = _decay(self._rates[:, :, None], at_s)
        told = decay * self._began[:, :, None] + reach_s * self._pushed[:, :, None]
        lumps_c = (told @ np.swapaxes(self._modes, -1, -2)) / self._root[:, :, None]
        rows, last = np.arange(len(edge)), (self._thick_m > 0.0).sum(axis=1) - 1
        middle = (edge[:, :-1] + edge[:, 1:]) / 2.0
        found = []
        for deep in range(DEEPEST + 1):
            # Between the middles of the lumps over and under it; an old one may share a lump.
            place = edge[:, 0] - 1.0 - deep
            under = np.minimum((middle > place[:, None]).sum(axis=1), last)
            over = np.maximum(under - 1, 0)
            apart = np.maximum(middle[rows, over] - middle[rows, under], 1e-9)
            share = np.clip((middle[rows, over] - place) / apart, 0.0, 1.0)[:, None, None]
            over_c, under_c = lumps_c[rows, :, :, over], lumps_c[rows, :, :, under]
            joint_c = over_c + (under_c - over_c) * share
            found.append(_above(joint_c, above_c) * self._wait_s[:, None])
        return found


@dataclass(frozen=True, slots=True, eq=False)
class _Equations:
    """One layer's column in the form x' = drive - matrix x, of x = root * temperature."""

    root: Column  # of the heat capacity, J/(m2 K)
    matrix: Column
    drive: Column


def _equations(
    given: Conditions,
    edge: Column,
    thick_m: Column,
    free_per_m: Column,
    stack: Stack,
    chunk: slice,
) -> _Equations:
    k = given.conductivity_w_per_mk
    is_one = thick_m > 0.0
    capacity = np.where(is_one, given.density_kg_per_m3 * given.heat_j_per_kgk * thick_m, 1.0)
    # A joint's contact belongs to both its sides by half; a lump of many layers has many.
    layers = edge[:, :-1] - edge[:, 1:]
    whole = edge == np.floor(edge)
    half_contact = 0.5 / given.contact_w_per_m2k
    through = thick_m / (2.0 * k)
    over = through + half_contact * np.where(layers >= 1.0, layers, whole[:, :-1])
    under = through + half_contact * np.where(layers >= 1.0, layers, whole[:, 1:])
    conduct = np.where(is_one[:, 1:], 1.0 / (under[:, :-1] + over[:, 1:]), 0.0)
    share = stack.fan_share[chunk]
    top = given.still_w_per_m2k + (given.fan_w_per_m2k - given.still_w_per_m2k) * share
    side = free_per_m / (
        1.0 / given.still_w_per_m2k + 1.0 / (3.0 * k * np.maximum(free_per_m, 1e-9))
    )
    to_air = side * thick_m
    to_air[:, 0] += 1.0 / (1.0 / top + through[:, 0])
    to_bed = np.zeros_like(to_air)
    rows, last = np.arange(len(edge)), is_one.sum(axis=1) - 1
    to_bed[rows, last] = 1.0 / (1.0 / given.bed_contact_w_per_m2k + through[rows, last])
    root = np.sqrt(capacity)
    matrix = np.zeros((len(edge), LUMPS, LUMPS))
    own = to_air + to_bed + np.where(is_one, 0.0, 1.0)
    own[:, :-1] += conduct
    own[:, 1:] += conduct
    each = np.arange(LUMPS)
    matrix[:, each, each] = own / capacity
    beside = -conduct / (root[:, :-1] * root[:, 1:])
    matrix[:, each[:-1], each[1:]] = beside
    matrix[:, each[1:], each[:-1]] = beside
    drive = (to_air * stack.air_c[chunk, None] + to_bed * stack.bed_c) / root
    return _Equations(root, matrix, drive)


def _decay(rates: Column, t_s: Column) -> tuple[Column, Column]:
    """What is left of a mode after a time, and the seconds for which a steady push counts."""
    gone = -np.expm1(-rates * t_s)
    reach_s = np.divide(
        gone, rates, out=np.broadcast_to(t_s, gone.shape).copy(), where=rates > 1e-12
    )
    return 1.0 - gone, reach_s


def _above(joint_c: Column, above_c: float) -> Column:
    """The share of a layer's time for which a course given at `SHARES` is above a value."""
    over_k = joint_c - above_c
    first, then = over_k[..., :-1], over_k[..., 1:]
    fall = np.abs(first - then)
    highest = np.maximum(first, then)
    lowest = np.minimum(first, then)
    part = np.divide(highest, fall, out=np.ones_like(fall), where=fall > 0.0)
    part = np.where(lowest >= 0.0, 1.0, np.where(highest <= 0.0, 0.0, part))
    return np.asarray((part * np.diff(SHARES)).sum(axis=-1))


def _edges(first: NDArray[np.bool_]) -> Column:
    """Where the lumps of each layer's column end, from the top down, counted in layers.

    One row a layer; the lowest edge is repeated for lumps that aren't there.
    """
    edges = np.empty((len(first), LUMPS + 1))
    fine = 1.0 - np.arange(2 * SUB) / SUB  # counted from the newest layer's number
    start = 0
    sizes: list[int] = []  # of the older lumps, newest first
    for at, anew in enumerate(first):
        if anew:
            start, sizes = at, []
        if at - start >= 2:
            sizes.insert(0, 1)
            _share(sizes)
        row = edges[at]
        row[:] = start
        row[: len(fine)] = np.maximum(at + fine, start)
        if sizes:
            row[len(fine) : len(fine) + len(sizes)] = at - 1 - np.cumsum([0, *sizes[:-1]])
    return edges


def _share(sizes: list[int]) -> None:
    """Let the two oldest lumps of a size become one where there are more than `ALIKE`."""
    begin, size = 0, 1
    while size <= LARGEST:
        end = begin
        while end < len(sizes) and sizes[end] == size:
            end += 1
        if end - begin <= ALIKE:
            return
        if size == LARGEST:
            sizes[begin + ALIKE :] = [sum(sizes[begin + ALIKE :])]
            return
        sizes[end - 2 : end] = [2 * size]
        begin, size = end - 2, 2 * size


def _between(edge: Column, each: Column) -> Column:
    """How much of what each layer has lies between the edges."""
    total = np.concatenate([[0.0], np.cumsum(each)])
    at = np.interp(edge, np.arange(len(total)), total)
    parts = at[:, :-1] - at[:, 1:]
    parts[edge[:, :-1] <= edge[:, 1:]] = 0.0
    return np.asarray(parts)


def _carried(edge: Column, then: Column, thick_m: Column) -> Column:
    """The mean over each lump of the next column, of the lumps of this one."""
    middle = (edge[:, :-1] + edge[:, 1:]) / 2.0
    inside = (middle[:, None, :] < then[:, :-1, None]) & (middle[:, None, :] > then[:, 1:, None])
    part = inside * thick_m[:, None, :]
    whole = part.sum(axis=-1, keepdims=True)
    return np.asarray(np.divide(part, whole, out=np.zeros_like(part), where=whole > 0.0))


def _checked(stack: Stack) -> Stack:
    columns = (
        stack.thickness_mm, stack.wait_s, stack.soonest_s, stack.nozzle_c, stack.air_c,
        stack.fan_share, stack.side_per_mm,
    )  # fmt: skip
    if len({len(column) for column in (*columns, stack.first)}) != 1:
        raise ValueError("every column has one value a layer")
    if not all(np.isfinite(column).all() for column in columns) or not np.isfinite(stack.bed_c):
        raise ValueError("every value of a layer is a finite number")
    first = stack.first.copy()
    first[:1] = True
    wait_s = np.clip(stack.wait_s, LEAST_S, MOST_S)
    return Stack(
        thickness_mm=np.clip(stack.thickness_mm, THINNEST_MM, THICKEST_MM),
        wait_s=wait_s,
        soonest_s=np.clip(stack.soonest_s, LEAST_S, wait_s),
        nozzle_c=stack.nozzle_c,
        air_c=stack.air_c,
        fan_share=np.clip(stack.fan_share, 0.0, 1.0),
        side_per_mm=np.clip(stack.side_per_mm, 0.0, 100.0),
        first=first,
        bed_c=stack.bed_c,
    )
