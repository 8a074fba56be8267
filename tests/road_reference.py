"""A finely resolved numerical solution of a column of layers, to hold the quick one against.

Written anew from the same physics: one-dimensional conduction through the stack of
layers, each laid at its time and as hot as the nozzle, a contact between layers and to
the bed, heat to the air from the newest layer's top and from the sides. Finite volumes,
`CELLS` a layer everywhere, none ever merged; the trapezoidal rule in steps that grow
from the arrival on, after a few of backward Euler that damp the jump. Many columns at
once, one in each place of the last axis, solved by elimination (Thomas).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillair.jobs.roads import Conditions

Column = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Case:
    """One column: its conditions and its layers, from the bed up."""

    name: str
    given: Conditions
    thickness_mm: Sequence[float]
    wait_s: Sequence[float]
    soonest_s: Sequence[float]
    nozzle_c: Sequence[float]
    air_c: Sequence[float]
    fan_share: Sequence[float]
    side_per_mm: Sequence[float]
    bed_c: float


@dataclass(frozen=True, slots=True)
class Solved:
    """Rows are layers from the second on, columns cases: see `roads.Histories`.

    `joint_s` has a first axis more, for each temperature that was asked for.
    """

    below_c: Column
    soonest_c: Column
    joint_s: Column


def solve(
    cases: Sequence[Case],
    above_c: Column,
    *,
    cells: int = 12,
    steps: int = 120,
    followed: int = 8,
) -> Solved:
    """All cases, which have the same number of layers.

    `above_c` has a row for each temperature that joints are timed above, a column for
    each case; `followed` is how many more layers are laid while a joint is timed.
    """
    layers = len(cases[0].thickness_mm)

    def column(of: str) -> Column:
        return np.array([getattr(case, of) for case in cases], dtype=np.float64).T

    def given(of: str) -> Column:
        return np.array([getattr(case.given, of) for case in cases], dtype=np.float64)

    rho_c = given("density_kg_per_m3") * given("heat_j_per_kgk")
    k = given("conductivity_w_per_mk")
    still, blown = given("still_w_per_m2k"), given("fan_w_per_m2k")
    contact, to_bed = given("contact_w_per_m2k"), given("bed_contact_w_per_m2k")
    dz_all = np.repeat(column("thickness_mm") * 1e-3 / cells, cells, axis=0)
    p_all = np.repeat(column("side_per_mm") * 1e3, cells, axis=0)
    wait_s, soonest_s = column("wait_s"), column("soonest_s")
    air_c, fan, nozzle_c = column("air_c"), column("fan_share"), column("nozzle_c")
    bed_c = np.array([case.bed_c for case in cases])

    below_c = np.zeros((layers - 1, len(cases)))
    soonest = np.zeros_like(below_c)
    joint_s = np.zeros((len(above_c), *below_c.shape))
    temperature_c = np.zeros((0, len(cases)))
    for layer in range(layers):
        count = (layer + 1) * cells
        temperature_c = np.concatenate(
            [temperature_c, np.broadcast_to(nozzle_c[layer], (cells, len(cases)))]
        )
        dz, p = dz_all[:count], p_all[:count]
        # Resistances between the middles of neighbours, from the bed up.
        apart = (dz[:-1] + dz[1:]) / (2 * k)
        apart[cells - 1 :: cells] += 1 / contact
        g = 1 / apart
        h = still + fan[layer] * (blown - still)
        loss = dz * p / (1 / still + 1 / (3 * k * np.maximum(p, 1e-9)))
        loss[-1] += 1 / (1 / h + dz[-1] / (2 * k))
        source = loss * air_c[layer]
        bottom = 1 / (1 / to_bed + dz[0] / (2 * k))
        own = loss.copy()
        own[0] += bottom
        source[0] += bottom * bed_c
        own[:-1] += g
        own[1:] += g
        capacity = rho_c * dz

        shares = np.linspace(0, 1, steps + 1) ** 3
        joints = _joints(temperature_c, dz, k, contact, cells)
        seen = False
        for step in range(steps):
            dt = wait_s[layer] * (shares[step + 1] - shares[step])
            implicit = 1.0 if step < 4 else 0.5
            new_c = _step(temperature_c, capacity, g, own, source, dt, implicit)
            now_s, then_s = wait_s[layer] * shares[step], wait_s[layer] * shares[step + 1]
            if layer < layers - 1:
                inside = (now_s < soonest_s[layer]) & (soonest_s[layer] <= then_s)
                part = np.clip((soonest_s[layer] - now_s) / dt, 0, 1)
                top_c = (1 - part) * temperature_c[-cells:].mean(0) + part * new_c[-cells:].mean(0)
                soonest[layer] = np.where(inside, top_c, soonest[layer])
                seen = True
            temperature_c = new_c
            after = _joints(temperature_c, dz, k, contact, cells)
            oldest = max(0, len(after) - 1 - followed)
            middle = (joints + after)[oldest:] / 2
            joint_s[:, oldest : len(after)] += np.where(middle > above_c[:, None], dt, 0.0)
            joints = after
        if seen:
            below_c[layer] = temperature_c[-cells:].mean(0)
    return Solved(below_c, soonest, joint_s)


def _joints(t_c: Column, dz: Column, k: Column, contact: Column, cells: int) -> Column:
    """Temperature in the middle of each contact between layers, from the bed up."""
    under, over = t_c[cells - 1 : -1 : cells], t_c[cells::cells]
    r_under = dz[cells - 1 : -1 : cells] / (2 * k) + 0.5 / contact
    r_over = dz[cells::cells] / (2 * k) + 0.5 / contact
    return np.asarray((under * r_over + over * r_under) / (r_under + r_over))


def _step(
    t_c: Column,
    capacity: Column,
    g: Column,
    own: Column,
    source: Column,
    dt: Column,
    implicit: float,
) -> Column:
    flux = source - own * t_c
    flux[:-1] += g * t_c[1:]
    flux[1:] += g * t_c[:-1]
    diagonal = capacity / dt + implicit * own
    beside = -implicit * g
    change = flux.copy()
    for row in range(1, len(t_c)):
        factor = beside[row - 1] / diagonal[row - 1]
        diagonal[row] -= factor * beside[row - 1]
        change[row] -= factor * change[row - 1]
    change[-1] /= diagonal[-1]
    for row in range(len(t_c) - 2, -1, -1):
        change[row] = (change[row] - beside[row] * change[row + 1]) / diagonal[row]
    return t_c + change
