"""How near the quick thermal history of layers is to a finely resolved one, and how long it takes.

    .venv/bin/python tests/bench/weather.py [--cases 12] [--layers 60] [--json]

Cases are drawn by a fixed lot from the whole range: every material, layers of 0.1 to
0.4 mm that take 3 to 120 s, air of 20 to 90 degrees that wanders, fan from 0 to 1, free
sides from none to a wall of one road, both ends of what isn't known.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from time import perf_counter

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1] / "service")]

from bench.figures import Figure, show  # noqa: E402 - the paths above come first
from road_reference import Case, solve  # noqa: E402 - the paths above come first
from stillair.jobs.roads import DEEPEST, Stack, histories  # noqa: E402 - the paths above
from stillair.jobs.toolpath.layers import Layers  # noqa: E402 - the paths above come first
from stillair.jobs.weather import (  # noqa: E402 - the paths above come first
    Air,
    conditions,
    stack,
    weather,
)
from stillair.model.materials import MATERIALS  # noqa: E402 - the paths above come first

COLUMNS = (
    "thickness_mm", "wait_s", "soonest_s", "nozzle_c", "air_c", "fan_share", "side_per_mm",
)  # fmt: skip


def drawn(name: str, count: int, layers: int, lot: np.random.Generator) -> list[Case]:
    row = MATERIALS[name]
    made = []
    for number in range(count):
        thick_mm = lot.choice([0.1, 0.2, 0.3, 0.4])
        usual_s = np.exp(lot.uniform(np.log(3.0), np.log(120.0)))
        wait_s = np.clip(usual_s * np.exp(lot.normal(0.0, 0.4, layers)), 3.0, 120.0)
        air_c = lot.uniform(20.0, 90.0) + np.cumsum(lot.normal(0.0, 1.5, layers))
        made.append(
            Case(
                name=name,
                given=conditions(row)[number % 3],
                thickness_mm=[float(thick_mm)] * layers,
                wait_s=wait_s.tolist(),
                soonest_s=(wait_s * lot.uniform(0.05, 1.0, layers)).tolist(),
                nozzle_c=[float(lot.uniform(*row.nozzle_c))] * layers,
                air_c=np.clip(air_c, 20.0, 90.0).tolist(),
                fan_share=np.clip(lot.uniform(-0.3, 1.2) + np.zeros(layers), 0.0, 1.0).tolist(),
                side_per_mm=[float(lot.choice([0.0, 0.05, 0.3, 2.2]))] * layers,
                bed_c=float(lot.uniform(*row.bed_c)),
            )
        )
    return made


def errors(name: str, cases: list[Case]) -> tuple[np.ndarray, np.ndarray]:
    """Of the layer below, and where the next comes soonest, in degrees; absolute."""
    firm_c = MATERIALS[name].firm_c
    fine = solve(cases, np.full((1, len(cases)), firm_c), cells=12, followed=DEEPEST)
    below_k, soonest_k = [], []
    for at, case in enumerate(cases):
        columns = {of: np.array(getattr(case, of), dtype=np.float64) for of in COLUMNS}
        first = np.zeros(len(case.wait_s), dtype=np.bool_)
        quick = histories(Stack(**columns, first=first, bed_c=case.bed_c), [case.given], firm_c)
        below_k.append(np.abs(quick.below_c[0, 1:] - fine.below_c[:, at]))
        soonest_k.append(np.abs(quick.soonest_c[0, 1:] - fine.soonest_c[:, at]))
    return np.concatenate(below_k), np.concatenate(soonest_k)


def job(count: int, lot: np.random.Generator) -> tuple[Layers, Air]:
    times_s = lot.uniform(5.0, 120.0, count)
    end_s = np.cumsum(times_s)
    air_c = 55.0 + np.cumsum(lot.normal(0.0, 0.1, count))
    layers = Layers(
        height_mm=np.arange(1.0, count + 1.0) * 0.2,
        thickness_mm=np.full(count, 0.2),
        start_s=end_s - times_s,
        end_s=end_s,
        length_mm=lot.uniform(500.0, 20_000.0, count),
        width_mm=np.full(count, 0.45),
        fan_share=lot.uniform(0.0, 0.4, count),
        least_time_s=times_s * 0.3,
        nozzle_c=np.full(count, 250.0),
        longest_run_mm=np.full(count, 40.0),
        piece=np.zeros(count, dtype=np.int32),
    )
    return layers, Air(air_c, air_c - 0.5)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--cases", type=int, default=12, help="of each material")
    parser.add_argument("--layers", type=int, default=60)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    lot = np.random.default_rng(20_260)
    figures = []
    for name in MATERIALS:
        below_k, soonest_k = errors(name, drawn(name, asked.cases, asked.layers, lot))
        for what, off_k in (("layer below", below_k), ("soonest spot", soonest_k)):
            figures.append(Figure(f"{name}, {what}: most", float(off_k.max()), "degrees", 5.0))
            figures.append(
                Figure(f"{name}, {what}: p99", float(np.quantile(off_k, 0.99)), "degrees")
            )
    layers, air = job(2000, lot)
    taken_s = []
    for _ in range(3):
        begun_s = perf_counter()
        weather(layers, MATERIALS["asa"], air)
        taken_s.append(perf_counter() - begun_s)
    figures.append(Figure("2,000 layers with uncertainty and marks", min(taken_s), "s", 1.0))
    begun_s = perf_counter()
    asa = MATERIALS["asa"]
    histories(stack(layers, asa, air.mean_c), conditions(asa)[:1], asa.firm_c)
    figures.append(Figure("2,000 layers, temperatures alone", perf_counter() - begun_s, "s", 1.0))
    show(figures, as_json=asked.json)


if __name__ == "__main__":
    main()
