"""How many layers off the height of a moment is, with pins and with told heights: figures.

    .venv/bin/python tests/bench/heights.py [--jobs 20] [--part bushings ...] [--seed 1]

Toolpaths of the shed's parts, and a cone whose layers grow shorter, are built by machines
that the fit knows nothing of: the same file is planned with other accelerations, then
slowed or hurried by a law, and the job heats up, pauses, and is said to be done some
minutes late. So each layer's true time is known. Of each layer's middle it is then asked
which layer was laid at that moment.

Pins are what a person gives, a height to 0.1 mm, one in the lower half and one in the
upper: beside the machine at a time to 5 s, or from memory to a minute. Told heights come
from the machine at even times, or as each layer begins; as the service keeps them, one
that has not changed is not told again.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from math import cos, pi, sin, tau
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]

from stillair.jobs.heights import HeightTimes, fit  # noqa: E402
from stillair.jobs.sightings import HeightSeen, OwnClock  # noqa: E402
from stillair.jobs.toolpath import Layers, MotionLimits, Toolpath  # noqa: E402
from stillair.jobs.toolpath.analysis import analyse  # noqa: E402
from stillair.simulation.toolpaths import (  # noqa: E402 - the paths above come first
    BUSHING,
    FIN_BOX,
    SPACER,
    Build,
    toolpath_lines,
)

Floats = NDArray[np.float64]
Law = Callable[[Floats, Floats, np.random.Generator], Floats]
BEGUN_S = 1000.0
WITHIN = 1  # layers


def _cone(layer_mm: float = 0.3) -> Iterator[str]:
    """Rings that grow narrower: the layers below take many times as long as those above."""
    yield "G21\nG90\nM83\nG28\nG1 F2400\n"
    for layer in range(1, 161):
        z = layer * layer_mm
        for ring in range(6):
            radius = 45.0 - 0.25 * layer - 0.45 * ring
            count = max(16, int(radius * 2))
            yield f"G0 X{100 + radius:.3f} Y100 Z{z:.3f} F9000\n"
            push = tau * radius / count * 0.45 * layer_mm / (pi * 1.75**2 / 4)
            for step in range(1, count + 1):
                angle = tau * step / count
                x, y = 100 + radius * cos(angle), 100 + radius * sin(angle)
                yield f"G1 X{x:.3f} Y{y:.3f} E{push:.5f} F2400\n"


THREE = ((70.0, 100.0), (100.0, 100.0), (130.0, 100.0))
PARTS: dict[str, Callable[[], Iterator[str]]] = {
    "bushings": lambda: toolpath_lines(Build(BUSHING, places=THREE)),
    "one_by_one": lambda: toolpath_lines(
        Build(replace(BUSHING, height_mm=12.0), places=THREE, one_by_one=True)
    ),
    "fin_box": lambda: toolpath_lines(Build(FIN_BOX)),
    "spacers": lambda: toolpath_lines(Build(SPACER, places=((60.0, 100.0), (120.0, 100.0)))),
    "cone": _cone,
}


def _as_planned(lasting_s: Floats, _: Floats, chance: np.random.Generator) -> Floats:
    return lasting_s * chance.uniform(0.98, 1.08)


def _slower(lasting_s: Floats, length_mm: Floats, chance: np.random.Generator) -> Floats:
    """A feed held back by pressure: something on each layer, something on each mm."""
    each_s, per_mm_s = chance.uniform(0.3, 2.0), chance.uniform(0.0, 0.003)
    return lasting_s * chance.uniform(1.0, 1.12) + each_s + per_mm_s * length_mm


def _faster(lasting_s: Floats, _: Floats, chance: np.random.Generator) -> Floats:
    return lasting_s * chance.uniform(0.88, 0.98)


def _halting(lasting_s: Floats, length_mm: Floats, chance: np.random.Generator) -> Floats:
    """As the slower one, and now and then it stands for up to half a minute."""
    slow_s = _slower(lasting_s, length_mm, chance)
    halts = chance.random(len(lasting_s)) < lasting_s.clip(max=900.0) / 900.0
    return slow_s + halts * chance.uniform(3.0, 30.0, len(lasting_s))


def _turned(lasting_s: Floats, _: Floats, chance: np.random.Generator) -> Floats:
    """Somebody turns the speed down, or up, in the middle of the job, and tells nobody."""
    at = int(len(lasting_s) * chance.uniform(0.2, 0.8))
    factor = chance.choice([0.8, 0.85, 1.15, 1.25])
    return lasting_s * np.where(np.arange(len(lasting_s)) < at, 1.03, 1.03 * factor)


# The law, and with which accelerations the machine really plans.
LAWS: dict[str, tuple[Law, MotionLimits]] = {
    "as planned": (_as_planned, MotionLimits()),
    "slower": (_slower, MotionLimits(road_mm_s2=700.0, travel_mm_s2=900.0)),
    "faster": (_faster, MotionLimits(road_mm_s2=4000.0, travel_mm_s2=5000.0)),
    "halting": (_halting, MotionLimits(road_mm_s2=900.0)),
    "speed turned": (_turned, MotionLimits()),
}


@dataclass(frozen=True, slots=True)
class RealJob:
    """A job as it really was, in the chamber's time."""

    layers: Layers  # as the toolpath says
    duration_s: float
    start_s: Floats
    end_s: Floats
    pauses: tuple[tuple[float, float], ...]
    finished_s: float

    def seen(self, at_s: float) -> float:
        """The height at a moment."""
        layer = max(0, int(np.searchsorted(self.start_s, at_s, "right")) - 1)
        return float(self.layers.height_mm[layer])

    def posts(self, every_s: float) -> list[HeightSeen]:
        times_s = np.arange(self.start_s[0], self.end_s[-1], every_s)
        told = [HeightSeen(float(at_s), self.seen(at_s)) for at_s in times_s]
        return told[:1] + [b for a, b in pairwise(told) if a.height_mm != b.height_mm]

    def each_layer(self) -> list[HeightSeen]:
        return [
            HeightSeen(float(at_s), float(height_mm))
            for at_s, height_mm in zip(self.start_s, self.layers.height_mm, strict=True)
        ]

    def pins(self, chance: np.random.Generator, within_s: float) -> list[HeightSeen]:
        """Two, each at a time told to `within_s`."""
        found = []
        for low, high in ((0.15, 0.45), (0.55, 0.9)):
            layer = int(len(self.layers) * chance.uniform(low, high))
            at_s = float(chance.uniform(self.start_s[layer], self.end_s[layer]))
            half_mm = self.layers.thickness_mm[layer] / 2.0
            height_mm = round(float(self.layers.height_mm[layer] - half_mm), 1)
            found.append(HeightSeen(round(at_s / within_s) * within_s, height_mm, within_s))
        return found


def built(planned: Toolpath, real: Toolpath, law: Law, chance: np.random.Generator) -> RealJob:
    """What became of a toolpath on a machine that plans otherwise."""
    laid = real.layers
    gaps_s = np.diff(laid.start_s, append=real.whole.duration_s)
    lasting_s = law(gaps_s, laid.length_mm, chance)
    own_start_s = chance.uniform(240.0, 3000.0) + np.concatenate(([0.0], np.cumsum(lasting_s)[:-1]))
    own_end_s = own_start_s + lasting_s * (laid.end_s - laid.start_s) / np.maximum(gaps_s, 1e-6)
    pauses, paused_s = [], 0.0
    for own_s in sorted(chance.uniform(own_start_s[0], own_end_s[-1], chance.integers(0, 3))):
        begin_s, for_s = BEGUN_S + own_s + paused_s, chance.uniform(300.0, 5400.0)
        pauses.append((begin_s, begin_s + for_s))
        paused_s += for_s
    clock = OwnClock(BEGUN_S, pauses)
    end_s = clock.at_s(own_end_s)
    finished_s = float(end_s[-1]) + chance.uniform(0.0, 300.0)
    return RealJob(
        planned.layers,
        planned.whole.duration_s,
        clock.at_s(own_start_s),
        end_s,
        tuple(pauses),
        finished_s,
    )


KNOWN: dict[str, Callable[[RealJob, np.random.Generator], dict[str, list[HeightSeen]]]] = {
    "its ends alone": lambda _, __: {},
    "two pins": lambda job, chance: {"pins": job.pins(chance, 5.0)},
    "two, to a minute": lambda job, chance: {"pins": job.pins(chance, 60.0)},
    "told each 5 min": lambda job, _: {"posts": job.posts(300.0)},
    "told each minute": lambda job, _: {"posts": job.posts(60.0)},
    "told each layer": lambda job, _: {"posts": job.each_layer()},
}


def off_layers(job: RealJob, found: HeightTimes) -> NDArray[np.int64]:
    """By how many layers the answer is off, at the middle of each."""
    off = []
    for layer, at_s in enumerate((job.start_s + job.end_s) / 2.0):
        crossing = found.at(float(at_s))
        # Before the first and after the last nothing is answered: as far off as those.
        last = len(job.layers) - 1
        said = crossing.layer if crossing else 0 if at_s < found.start_s[0] else last
        off.append(abs(said - layer))
    return np.array(off)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--jobs", type=int, default=20, help="of each part, by each law")
    parser.add_argument("--part", action="append", choices=sorted(PARTS))
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    print(f"{'known':18}{'machine':17}{'part':12}  jobs  layers  median  p95  worst  within one")
    whole: dict[str, list[NDArray[np.int64]]] = {known: [] for known in KNOWN}
    even: dict[str, list[NDArray[np.int64]]] = {known: [] for known in KNOWN}
    covered: dict[str, list[float]] = {known: [] for known in KNOWN}
    fitted, fit_s = 0, 0.0
    lines: dict[str, list[str]] = {known: [] for known in KNOWN}
    for part in asked.part or PARTS:
        text = "".join(PARTS[part]()).encode()
        planned = analyse([text])
        for name, (law, limits) in LAWS.items():
            real = analyse([text], limits)
            found: dict[str, list[NDArray[np.int64]]] = {known: [] for known in KNOWN}
            for number in range(asked.jobs):
                job = built(planned, real, law, np.random.default_rng((asked.seed, number)))
                for known, tell in KNOWN.items():
                    told = tell(job, np.random.default_rng((asked.seed, number, 7)))
                    began_s = time.perf_counter()
                    times = fit(
                        job.layers,
                        duration_s=job.duration_s,
                        started_s=BEGUN_S,
                        finished_s=job.finished_s,
                        pauses=job.pauses,
                        **told,  # type: ignore[arg-type]
                    )
                    fit_s += time.perf_counter() - began_s
                    fitted += 1
                    found[known].append(off_layers(job, times))
                    late_s = np.abs(times.start_s - job.start_s)
                    covered[known].append(float(np.mean(late_s <= times.uncertainty_s)))
            for known, each in found.items():
                off = np.concatenate(each)
                lines[known].append(line(known, name, part, len(each), off))
                whole[known].append(off)
                if law is not _turned:
                    even[known].append(off)
    for known in KNOWN:
        print("\n".join(lines[known]))
        print(line(known, "all, not turned", "all", 0, np.concatenate(even[known])))
        print(line(known, "all", "all", 0, np.concatenate(whole[known])))
        print(f"{'':18}layers whose time lies within what is told: {np.mean(covered[known]):.1%}")
    print(f"{fitted} fits, {1000.0 * fit_s / fitted:.1f} ms each")


def line(known: str, machine: str, part: str, jobs: int, off: NDArray[np.int64]) -> str:
    """One row."""
    return (
        f"{known:18}{machine:17}{part:12}{jobs or '':6}{len(off):8}{np.median(off):8.0f}"
        f"{np.percentile(off, 95):5.0f}{off.max():7}{np.mean(off <= WITHIN):12.1%}"
    )


if __name__ == "__main__":
    main()
