"""Every layer's own weather: its thermal history in the air that the chamber had.

`roads` follows a column of layers; here is what goes in, for a job, and what comes out
against the job's own undisturbed layers, on both sides. Too cold: a poor bond, cracks,
corners that lift. Too hot: not firm when the next layer arrives, so it sags and its
edges curl. Nothing here is a promise: a mark says by how many degrees a layer differs
from the same job's other layers, and whether it still does so at both ends of what isn't
known.

What isn't known. To the air: 10 to 30 W/(m2 K) in still air, 50 to 100 under full fan, in
between as the fan's share is; the usual value is the geometric mean. Heat capacity: the
material's range (see `model.materials`). `COOL` has the highest coefficients and the least
heat in the plastic, `WARM` the reverse. Contact between layers: two roads that melted
into each other, but touch on a part of their width only, are taken as 2,000 W/(m2 K), as
much as 0.1 mm of plastic; the sheet on the bed as 1,000. Both are assumed.

A layer is compared without what the bed gives it, which fades over the first centimetre
or two and is nobody's disturbance. The equations are linear, so one more run with the bed
as warm as the air tells what share of the bed's warmth reaches each layer; a bed is then
taken that keeps the layers near it like those far away. In the same way a run in the
job's usual air tells what the air alone did to a layer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stillair.jobs.roads import Column, Conditions, Stack, histories
from stillair.jobs.toolpath.grid import Outlines
from stillair.jobs.toolpath.layers import Layers
from stillair.model.materials import Material

STILL_W_PER_M2K: Final = (10.0, 30.0)
FAN_W_PER_M2K: Final = (50.0, 100.0)
CONTACT_W_PER_M2K: Final = 2000.0
BED_CONTACT_W_PER_M2K: Final = 1000.0
# Steps of cells show an edge longer than it is: by nothing along the grid, by 4/pi on a circle.
EDGE_SHARE: Final = 0.9
HOLE_MM: Final = 3.0
FIRST: Final = 2  # layers of a piece that aren't compared: squeezed, slow, on the bed
LEAST_BED_K: Final = 10.0  # a bed nearer to the air than this is no matter
FAR, NEAR = 0.02, 0.2  # shares of the bed's warmth that reach a layer
BED_DOUBT: Final = 0.25  # of what the bed is taken to give: not known better
LEAST_BASE: Final = 8  # undisturbed layers to be compared with
SPREADS: Final = 3.0  # robust ones, beyond which a layer differs
LEAST_K: Final = 5.0  # as far as the model itself may be off
AFTER_S: Final = 600.0  # after an event the layers are still the colder for it
USUAL, COOL, WARM = 0, 1, 2

Span = tuple[float, float]
Marks = NDArray[np.int8]
COLD: Final = -1  # against the job's own layers
NONE: Final = 0
HOT: Final = 1
NOT_FIRM: Final = 2  # above the temperature below which the material keeps its shape


@dataclass(frozen=True, slots=True, eq=False)
class Air:
    """The chamber's air during each layer; nan where nobody measured."""

    mean_c: Column
    lowest_c: Column


@dataclass(frozen=True, slots=True, eq=False)
class Weather:
    """Columns, one entry a layer; ranges have a row for the cool and one for the warm end.

    `below_c`: of the layer below when this one arrives over a usual spot; `soonest_c` over
    the spot that had the shortest time. `joint_s`: for how long the joint with it stays
    above `firm_c`. `off_k`: warmer (less than 0: colder) than the job's own undisturbed
    layers, the bed's warmth apart; nan where that can't be said. `air_k`: what of that the
    air did that the chamber had, against its usual air. `is_sure`: a mark stands at both
    ends of the range. `band_k`: differences up to this are usual in this job, and somewhat
    larger ones near the bed; `limits_c` is that band around what would be usual at each
    layer's height, the bed's warmth included, so it goes with `below_c`.
    """

    air_c: Column
    lowest_c: Column
    below_c: Column
    below_range_c: Column  # (2, n)
    soonest_c: Column
    joint_s: Column
    joint_range_s: Column  # (2, n)
    off_k: Column
    off_range_k: Column  # (2, n)
    air_k: Column
    wait_s: Column
    is_undisturbed: NDArray[np.bool_]
    mark: Marks
    is_sure: NDArray[np.bool_]
    usual_air_c: float
    limits_c: Column  # (2, n)
    usual_wait_s: float
    band_k: float
    firm_c: float


def conditions(row: Material) -> tuple[Conditions, Conditions, Conditions]:
    """The usual choice for a material, the cool end and the warm end."""

    def choose(still: float, fan: float, heat: float) -> Conditions:
        return Conditions(
            density_kg_per_m3=row.density_kg_per_m3,
            conductivity_w_per_mk=row.conductivity_w_per_mk,
            heat_j_per_kgk=heat,
            still_w_per_m2k=still,
            fan_w_per_m2k=fan,
            contact_w_per_m2k=CONTACT_W_PER_M2K,
            bed_contact_w_per_m2k=BED_CONTACT_W_PER_M2K,
        )

    (still, most_still), (fan, most_fan) = STILL_W_PER_M2K, FAN_W_PER_M2K
    least, most = row.heat_j_per_kgk
    return (
        choose((still * most_still) ** 0.5, (fan * most_fan) ** 0.5, (least + most) / 2.0),
        choose(most_still, most_fan, least),
        choose(still, fan, most),
    )


def stack(
    layers: Layers,
    row: Material,
    air_c: Column,
    *,
    bed_c: float | None = None,
    side_per_mm: Column | None = None,
) -> Stack:
    """The columns of a job's layers; what the toolpath doesn't say is the material's usual.

    Without `side_per_mm` a layer is taken to be square.
    """
    begins = begin_anew(layers)
    area_mm2 = np.maximum(layers.length_mm * layers.width_mm, 1e-3)
    nozzle_c = np.where(np.isfinite(layers.nozzle_c), layers.nozzle_c, sum(row.nozzle_c) / 2.0)
    wait_s = waits_s(layers)
    return Stack(
        thickness_mm=layers.thickness_mm,
        wait_s=wait_s,
        soonest_s=np.where(np.isfinite(layers.least_time_s), layers.least_time_s, wait_s),
        nozzle_c=nozzle_c,
        air_c=air_c,
        fan_share=np.nan_to_num(layers.fan_share),
        side_per_mm=4.0 / np.sqrt(area_mm2) if side_per_mm is None else side_per_mm,
        first=begins,
        bed_c=sum(row.bed_c) / 2.0 if bed_c is None else bed_c,
    )


def begin_anew(layers: Layers) -> NDArray[np.bool_]:
    """Which layers are a piece's first, on the bed."""
    first = np.ones(len(layers), dtype=np.bool_)
    first[1:] = layers.piece[1:] != layers.piece[:-1]
    return first


def waits_s(layers: Layers) -> Column:
    """For how long a usual spot of each layer lies open: until the same part of the next."""
    wait_s = layers.end_s - layers.start_s
    covered = ~begin_anew(layers)[1:]
    wait_s[:-1] = np.where(covered, layers.start_s[1:] - layers.start_s[:-1], wait_s[:-1])
    return wait_s


def sides_per_mm(layers: Layers, outlines: Outlines) -> Column:
    """Free edge of each layer per area of road laid, from its outline.

    Holes narrower than twice `HOLE_MM` count as shut: the air between lines of filling.
    """
    count = len(layers)
    edge_mm = np.empty(count)
    for begin in range(0, count, 128):
        end = min(begin + 128, count)
        cells = np.stack([outlines.layer(number) for number in range(begin, end)])
        cells = np.pad(cells, ((0, 0), (1, 1), (1, 1)))
        outside = _outside(cells)
        outside |= _wide(~cells & ~outside, max(1, round(HOLE_MM / outlines.cell_mm)))
        steps = (outside[:, 1:] != outside[:, :-1]).sum(axis=(1, 2)) + (
            outside[:, :, 1:] != outside[:, :, :-1]
        ).sum(axis=(1, 2))
        edge_mm[begin:end] = steps * outlines.cell_mm * EDGE_SHARE
    area_mm2 = np.maximum(layers.length_mm * layers.width_mm, 1e-3)
    # No road has more than its two sides.
    return np.asarray(np.minimum(edge_mm / area_mm2, 2.0 / np.maximum(layers.width_mm, 0.05)))


def _outside(cells: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which cells the air around reaches, (layers, height, width)."""
    outside = np.zeros_like(cells)
    outside[:, 0] = outside[:, -1] = True
    outside[:, :, 0] = outside[:, :, -1] = True
    free = ~cells
    for _ in range(cells.shape[1] * cells.shape[2]):
        grown = outside.copy()
        grown[:, 1:] |= outside[:, :-1]
        grown[:, :-1] |= outside[:, 1:]
        grown[:, :, 1:] |= outside[:, :, :-1]
        grown[:, :, :-1] |= outside[:, :, 1:]
        grown &= free
        if (grown == outside).all():
            break
        outside = grown
    return outside


def _wide(holes: NDArray[np.bool_], cells: int) -> NDArray[np.bool_]:
    """What of holes a square of 2 `cells` + 1 fits into."""
    for keep in (np.logical_and, np.logical_or):
        for axis in (1, 2):
            beside = [np.roll(holes, by, axis) for by in range(-cells, cells + 1)]
            holes = keep.reduce(beside)
    return holes


def air_of(time_s: Column, air_c: Column, layers: Layers, *, longest_gap_s: float = 120.0) -> Air:
    """Mean and lowest of the air over each layer's time; its clock is that of `time_s`.

    `air_c` is one column, nan for a gap; between readings the course is straight. A layer
    was measured if readings no further apart than `longest_gap_s` cover half of its time.
    """
    known = np.isfinite(air_c) & np.isfinite(time_s)
    time_s, air_c = time_s[known], air_c[known]
    start_s, end_s = layers.start_s, np.maximum(layers.end_s, layers.start_s + 1e-3)
    if len(time_s) < 2 or (np.diff(time_s) <= 0.0).any():
        return Air(np.full(len(layers), np.nan), np.full(len(layers), np.nan))
    covered = np.where(np.diff(time_s) <= longest_gap_s, 1.0, 0.0)
    good = _integral(time_s, covered, covered, start_s, end_s) >= 0.5 * (end_s - start_s)
    degree_s = _integral(time_s, air_c[:-1], air_c[1:], start_s, end_s)
    inside_s = np.clip(end_s, time_s[0], time_s[-1]) - np.clip(start_s, time_s[0], time_s[-1])
    mean_c = np.divide(degree_s, inside_s, out=np.full(len(layers), np.nan), where=good)
    at_edges_c = np.minimum(np.interp(start_s, time_s, air_c), np.interp(end_s, time_s, air_c))
    begin = np.searchsorted(time_s, start_s)
    past = np.maximum(np.searchsorted(time_s, end_s, "right"), begin)
    stretches = np.stack([begin, past], axis=1).ravel()
    lowest_c = np.minimum.reduceat(np.append(air_c, np.inf), stretches)[::2]
    lowest_c = np.minimum(np.where(past > begin, lowest_c, np.inf), at_edges_c)
    return Air(mean_c, np.where(good, lowest_c, np.nan))


def _integral(
    time_s: Column, first: Column, last: Column, start_s: Column, end_s: Column
) -> Column:
    """Of a course that goes straight from `first` to `last` in each step of `time_s`."""
    steps_s = np.diff(time_s)
    total = np.concatenate([[0.0], np.cumsum(steps_s * (first + last) / 2.0)])

    def until(at_s: Column) -> Column:
        which = np.clip(np.searchsorted(time_s, at_s, "right") - 1, 0, len(steps_s) - 1)
        part_s = np.clip(at_s - time_s[which], 0.0, steps_s[which])
        slope = (last[which] - first[which]) / steps_s[which]
        return np.asarray(total[which] + part_s * (first[which] + slope * part_s / 2.0))

    return until(end_s) - until(start_s)


def weather(
    layers: Layers,
    row: Material,
    air: Air,
    *,
    bed_c: float | None = None,
    side_per_mm: Column | None = None,
    disturbed: Sequence[Span] = (),
) -> Weather:
    """The weather of each layer; `disturbed` is when the job's events lasted, by the same clock.

    Raises `ValueError` where no layer's air was measured.
    """
    measured = np.isfinite(air.mean_c)
    if not measured.any():
        raise ValueError("nobody measured the air of any layer")
    number = np.arange(len(layers))
    air_c = np.interp(number, number[measured], air.mean_c[measured])
    column = stack(layers, row, air_c, bed_c=bed_c, side_per_mm=side_per_mm)
    since = number - np.maximum.accumulate(np.where(column.first, number, 0))
    quiet = measured.copy()
    for begin_s, over_s in disturbed:
        quiet &= (layers.end_s < begin_s) | (layers.start_s > over_s + AFTER_S)
    base = quiet & (since >= FIRST)
    usual_air_c = float(np.median(air_c[base if base.any() else measured]))

    found = histories(column, conditions(row), row.firm_c)
    usual = conditions(row)[:1]
    below_c = found.below_c[USUAL]
    same_air_c = histories(replace(column, air_c=np.full(len(layers), usual_air_c)), usual)
    of_bed_k = _of_bed_k(column, usual, below_c, usual_air_c, base)
    own_c = found.below_c - of_bed_k
    off_k = np.full_like(own_c, np.nan)
    usual_c = np.full_like(below_c, np.nan)
    band_k = np.nan
    if base.sum() >= LEAST_BASE:
        middle_c = np.median(own_c[:, base], axis=1, keepdims=True)
        off_k = own_c - middle_c
        usual_c = middle_c[USUAL] + of_bed_k
        spread_k = 1.4826 * float(np.median(np.abs(off_k[USUAL, base])))
        band_k = max(SPREADS * spread_k, LEAST_K)
    compared = measured & (since >= FIRST)
    off_k[:, ~compared] = np.nan
    bound_k = band_k + BED_DOUBT * np.abs(of_bed_k)
    mark, is_sure = _marks(off_k, bound_k, own_c, row.firm_c, since >= FIRST)
    wait_s = waits_s(layers)
    return Weather(
        air_c=air.mean_c,
        lowest_c=air.lowest_c,
        below_c=below_c,
        below_range_c=np.sort(found.below_c[[COOL, WARM]], axis=0),
        soonest_c=found.soonest_c[USUAL],
        joint_s=found.joint_s[USUAL],
        joint_range_s=np.sort(found.joint_s[[COOL, WARM]], axis=0),
        off_k=off_k[USUAL],
        off_range_k=np.sort(off_k, axis=0)[[0, -1]],
        air_k=np.where(compared, below_c - same_air_c.below_c[0], np.nan),
        wait_s=wait_s,
        is_undisturbed=base,
        mark=mark,
        is_sure=is_sure,
        usual_air_c=usual_air_c,
        limits_c=np.where(since >= FIRST, np.stack([usual_c - bound_k, usual_c + bound_k]), np.nan),
        usual_wait_s=float(np.median(wait_s[base if base.any() else measured])),
        band_k=band_k,
        firm_c=row.firm_c,
    )


def _of_bed_k(
    column: Stack,
    usual: Sequence[Conditions],
    below_c: Column,
    air_c: float,
    base: NDArray[np.bool_],
) -> Column:
    """How much warmer each layer is for its bed than with one no warmer than the part itself."""
    warmer_k = column.bed_c - air_c
    if abs(warmer_k) < LEAST_BED_K or not base.any():
        return np.zeros_like(below_c)
    reach = (below_c - histories(replace(column, bed_c=air_c), usual).below_c[0]) / warmer_k
    far = base & (reach <= max(FAR, float(np.quantile(reach[base], 0.25))))
    near = base & (reach >= NEAR)
    if not near.any():
        return np.zeros_like(below_c)
    usual_c = float(np.median(below_c[far]))
    # By so much its warmth has to be less for the layers near it to be as the rest.
    less_k = float(np.median((below_c[near] - usual_c) / reach[near]))
    return np.asarray(np.clip(less_k, min(warmer_k, 0.0), max(warmer_k, 0.0)) * reach)


def _marks(
    off_k: Column, band_k: Column, own_c: Column, firm_c: float, told: NDArray[np.bool_]
) -> tuple[Marks, NDArray[np.bool_]]:
    """A mark for each layer, and whether it stands whatever the figures really are."""
    mark = np.zeros(off_k.shape[1], dtype=np.int8)
    is_sure = np.zeros(off_k.shape[1], dtype=np.bool_)
    for name, holds in (
        (COLD, off_k < -band_k),
        (HOT, off_k > band_k),
        (NOT_FIRM, (own_c > firm_c) & told),
    ):
        mark[holds[USUAL]] = name
        is_sure = np.where(holds[USUAL], holds.all(axis=0), is_sure)
    return mark, is_sure
