"""Figures of the thermal watch: found, missed, confused, delays, false alarms, cost.

    python tests/bench/thermal.py [--boxes 40] [--quiet 40] [--first-seed 1000]

Recordings are looked for in the folder that STILLAIR_RECORDINGS names; where
it isn't set that part says that it was left out. Boxes are drawn by seed from
a small physics of its own. Prints figures, no verdicts.
"""

from __future__ import annotations

import argparse
import math
import os
import statistics
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1] / "service")]

from scenario.thermal_box import BoxPlan, Event, random_box, readings  # noqa: E402  # path first
from stillair.model import Change, Finding, Kind, Place, Reading  # noqa: E402  # path first
from stillair.thermal.core import ThermalWatch  # noqa: E402  # path first
from stillair.thermal.plan import (  # noqa: E402  # path first
    SensorPlan,
    ThermalContext,
    ThermalPlan,
)
from stillair.thermal.table import open_table  # noqa: E402  # path first

FIRE_KINDS = (Kind.RAPID_RISE, Kind.OVER_TEMPERATURE)
NOTICES = (Kind.SOAK_READY, Kind.COOL_ENOUGH)
LEAST_K = {"door_open": 1.5, "draft": 2.0, "heat_lost": 1.5}
ALLOWED_S = {"door_open": 60.0, "draft": 120.0, "heat_lost": 180.0}


@dataclass
class Cost:
    seconds: float = 0.0
    sensor_s: int = 0

    @property
    def per_sensor_s(self) -> float:
        return self.seconds / max(self.sensor_s, 1) * 1e6


@dataclass
class Score:
    """What was found of one kind."""

    seen: int = 0
    found: int = 0
    confused: Counter[str] = field(default_factory=Counter)
    uncertain: int = 0
    delay_s: list[float] = field(default_factory=list)
    onset_off_s: list[float] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)


def play(
    plan: ThermalPlan,
    rows: Iterable[tuple[float, list[float] | tuple[float | None, ...]]],
    cost: Cost,
) -> tuple[list[Finding], float | None]:
    """Run the watch over rows; return its findings and when it first saw lasting heat."""
    watch = ThermalWatch(plan)
    names = [sensor.name for sensor in plan.sensors]
    context = ThermalContext()
    found: list[Finding] = []
    next_s: int | None = None
    static_s: float | None = None
    for t_s, values in rows:
        started = time.perf_counter()
        next_s = math.ceil(t_s) if next_s is None else next_s
        while next_s < t_s:
            result = watch.tick(float(next_s), context)
            found.extend(result.findings)
            if static_s is None and any(sign.lasting for sign in result.signs):
                static_s = float(next_s)
            next_s += 1
            cost.sensor_s += len(names)
        for name, value in zip(names, values, strict=True):
            if value is not None:
                watch.take(Reading(name, t_s, value))
        cost.seconds += time.perf_counter() - started
    return found, static_s


def recordings(folder: Path) -> None:
    cost = Cost()
    delays: dict[str, list[float]] = defaultdict(list)
    early: list[str] = []
    others: Counter[str] = Counter()
    hours = 0.0
    for path in sorted((folder / "thermal").glob("*.csv")):
        if path.name == "catalogue.csv" or path.name.endswith(".events.csv"):
            continue
        with open_table(path) as table:
            rows = list(table.rows())
            plan = ThermalPlan(tuple(SensorPlan(name, Place.CHAMBER) for name in table.sensors))
        found, static_s = play(plan, rows, cost)
        hours += (rows[-1][0] - rows[0][0]) / 3600.0
        others.update(f.kind.value for f in found if f.change is Change.RAISED)
        if not path.name.startswith("room_fire"):
            told = [f"{f.kind.value} at {f.at_s:.0f}" for f in found if f.change is Change.RAISED]
            print(f"  {path.stem}: {told}")
            continue
        raised = [f.at_s for f in found if f.change is Change.RAISED and f.kind in FIRE_KINDS]
        early.extend(f"{path.stem} at {at_s:.0f}" for at_s in raised if at_s < 0)
        after = [at_s for at_s in raised if at_s >= 0]
        burner = "kw" in path.stem
        delays["burner" if burner else "furniture"].append(min(after, default=math.inf))
        delays["static response"].append(static_s if static_s is not None else math.inf)
    print(f"recordings: {hours:.1f} h, {cost.per_sensor_s:.1f} microseconds a sensor-second")
    for name, values in delays.items():
        missed = sum(math.isinf(value) for value in values)
        print(f"  {name}: {len(values)} fires, {missed} missed, delay {_quartiles(values)}")
    print(f"  fire told before ignition: {early or 'never'}")
    print(f"  all raised: {dict(others)}")


def boxes(seeds: Iterable[int], *, quiet: bool, show: bool) -> None:
    cost = Cost()
    scores: dict[str, Score] = defaultdict(Score)
    false: Counter[str] = Counter()
    where: dict[str, list[str]] = defaultdict(list)
    hours = 0.0
    for seed in seeds:
        box = random_box(seed, kinds=() if quiet else ("door_open", "draft", "heat_lost"))
        rows = list(readings(box))
        base = list(readings(box.without())) if not quiet else rows
        hours += len(rows) / 3600.0
        found, _ = play(_plan(box), rows, cost)
        off = Event("heat_lost", box.finish_s, box.end_s)
        told = [e for e in box.events if e.kind in LEAST_K]
        for event in told:
            _score(seed, event, box, rows, base, found, scores)
        for finding in found:
            if finding.change is not Change.RAISED or finding.kind in NOTICES:
                continue
            if any(e.start_s - 5.0 <= finding.at_s <= e.end_s + 900.0 for e in (*told, off)):
                continue
            label = f"{finding.kind.value}{' (one sensor)' if len(box.feelers) == 1 else ''}"
            false[label] += 1
            where[label].append(f"{seed}@{finding.at_s:.0f}")
    what = "quiet boxes" if quiet else "boxes with events"
    print(f"{what}: {hours:.0f} h, {cost.per_sensor_s:.1f} microseconds a sensor-second")
    for kind, score in sorted(scores.items()):
        print(
            f"  {kind}: {score.seen} of size, found {score.found}, called otherwise"
            f" {dict(score.confused)}, uncertain {score.uncertain},"
            f" delay {_quartiles(score.delay_s)}, onset off {_quartiles(score.onset_off_s)}"
        )
        if show:
            print("    missed:", *score.missed)
    total = sum(false.values())
    most = (total + 1.96 * math.sqrt(total + 1.0) + 2.0) * 100.0 / hours
    print(
        f"  false: {total} = {100.0 * total / hours:.2f} per 100 h, at most about {most:.2f}"
        f" (95 %) {dict(false)}"
    )
    if show:
        for label, places in where.items():
            print("   ", label, *places)


def _plan(box: BoxPlan) -> ThermalPlan:
    sensors = [SensorPlan(feeler.name, Place.CHAMBER) for feeler in box.feelers]
    if box.room_feeler:
        sensors.append(SensorPlan("room", Place.ROOM))
    return ThermalPlan(tuple(sensors))


def _score(
    seed: int,
    event: Event,
    box: BoxPlan,
    rows: list[tuple[float, list[float]]],
    base: list[tuple[float, list[float]]],
    found: list[Finding],
    scores: dict[str, Score],
) -> None:
    span = range(int(event.start_s), int(event.end_s) + 30)
    size_k = max(base[i][1][c] - rows[i][1][c] for c in range(len(box.feelers)) for i in span)
    if size_k < LEAST_K[event.kind]:
        return
    one = " (one sensor)" if len(box.feelers) == 1 else ""
    score = scores[event.kind + one]
    score.seen += 1
    latest_s = min(event.end_s + ALLOWED_S[event.kind], event.start_s + 3600.0)
    own = [
        f
        for f in found
        if f.kind in (Kind.DOOR_OPEN, Kind.DRAFT, Kind.HEAT_LOST)
        and f.change is not Change.CLEARED
        and event.start_s <= f.at_s <= latest_s
    ]
    right = [f for f in own if f.kind.value == event.kind]
    if right:
        score.found += 1
        score.delay_s.append(right[0].at_s - event.start_s)
        last = [f for f in own if f.kind.value == event.kind][-1]
        score.onset_off_s.append(last.onset_s - event.start_s)
        score.uncertain += last.detail["cause"] != "clear"
    elif own:
        score.confused[own[-1].kind.value] += 1
        score.missed.append(f"{seed}@{event.start_s:.0f}={own[-1].kind.value}({size_k:.1f})")
    else:
        score.missed.append(f"{seed}@{event.start_s:.0f}({size_k:.1f})")


def _quartiles(values: list[float]) -> str:
    finite = sorted(value for value in values if math.isfinite(value))
    if len(finite) < 2:
        return str([round(value) for value in finite])
    low, middle, high = statistics.quantiles(finite, n=4)
    return f"{low:.0f} / {middle:.0f} / {high:.0f} s (most {finite[-1]:.0f})"


def main() -> None:
    parser = argparse.ArgumentParser(description="figures of the thermal watch")
    parser.add_argument("--boxes", type=int, default=30)
    parser.add_argument("--quiet", type=int, default=20)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--show", action="store_true", help="name seeds and times")
    options = parser.parse_args()
    folder = os.environ.get("STILLAIR_RECORDINGS")
    if folder:
        recordings(Path(folder))
    else:
        print("recordings: left out, STILLAIR_RECORDINGS is not set")
    first = options.first_seed
    if options.boxes:
        boxes(range(first, first + options.boxes), quiet=False, show=options.show)
    if options.quiet:
        first += 5000
        boxes(range(first, first + options.quiet), quiet=True, show=options.show)


if __name__ == "__main__":
    main()
