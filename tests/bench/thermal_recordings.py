"""The thermal watch on real recordings: room fires at all sensors and at the highest alone."""

from __future__ import annotations

import csv
import math
from collections import Counter
from pathlib import Path

from bench.thermal_jobs import Row
from bench.thermal_report import quartiles
from bench.thermal_score import FIRE_KINDS, follow, listen
from stillair.model import Kind, Place
from stillair.thermal.plan import SensorPlan, ThermalPlan
from stillair.thermal.table import open_table

HIGHEST = ("A0.025m", "C0.025m")  # 25 mm below the ceiling


def recordings(folder: Path) -> tuple[dict[str, object], list[str]]:
    """Figures of the recordings below `folder`/thermal, as an object and as lines."""
    lines = ["real recordings"]
    found: dict[str, object] = {}
    sensor_s, spent_s = 0, 0.0
    for view in ("highest sensors alone", "all sensors"):
        delays: dict[str, list[float]] = {"burner": [], "furniture": []}
        early: list[str] = []
        others: Counter[str] = Counter()
        doors_late: list[str] = []
        missed: list[str] = []
        hours = 0.0
        for path in sorted((folder / "thermal").glob("room_fire*.csv")):
            if path.name.endswith(".events.csv"):
                continue
            names, table = _columns(path, view)
            plan = ThermalPlan(tuple(SensorPlan(name, Place.CHAMBER) for name in names))
            heard = listen(plan, table)
            sensor_s, spent_s = sensor_s + heard.sensor_s, spent_s + heard.watch_s
            hours += (table[-1][0] - table[0][0]) / 3600.0
            told = follow(heard.findings)
            hot = [one for one in told if Kind(one.kind) in FIRE_KINDS]
            labels = _labels(path)
            fires = _ignitions(labels)
            first_s = min(fires, default=math.inf)
            early += [f"{path.stem}@{one.raised_s:.0f}" for one in hot if one.raised_s < first_s]
            group = "burner" if "kw" in path.stem else "furniture"
            for start_s in fires:
                after = [
                    max(0.0, one.raised_s - start_s)
                    for one in hot
                    if one.cleared_s is None or one.cleared_s > start_s
                ]
                delay_s = min(after, default=math.inf)
                if math.isfinite(delay_s):
                    delays[group].append(delay_s)
                else:
                    missed.append(f"{path.stem}@{start_s:.0f}")
                door = any(lab == "door_open" and s <= start_s + 60.0 for s, _, lab in labels)
                if door and delay_s > 60.0:
                    doors_late.append(path.stem)
            others.update(one.kind for one in told if Kind(one.kind) not in FIRE_KINDS)
        lines.append(f"  {view}: {hours:.1f} h")
        for group, values in delays.items():
            lines.append(f"    {group}: {len(values)} told, delay {quartiles(values)} s")
        lines.append(f"    fires missed: {missed or 'none'}")
        lines.append(f"    told before ignition: {early or 'never'}")
        lines.append(f"    late where a door was open: {doors_late or 'none'}")
        lines.append(f"    all else told: {dict(others)}")
        found[view] = {
            "hours": hours, "delays_s": delays, "missed": missed, "early": early,
            "others": dict(others), "late with door": doors_late,
        }  # fmt: skip
    motes: dict[str, list[str]] = {}
    for path in sorted((folder / "thermal").glob("steam_mote?.csv")):
        names, table = _columns(path, "")
        plan = ThermalPlan(tuple(SensorPlan(name, Place.CHAMBER) for name in names))
        heard = listen(plan, table)
        sensor_s, spent_s = sensor_s + heard.sensor_s, spent_s + heard.watch_s
        steam = [f"{start_s:.0f} to {end_s:.0f}" for start_s, end_s, _ in _labels(path)]
        motes[path.stem] = [f"{one.kind}@{one.raised_s:.0f}" for one in follow(heard.findings)]
        lines.append(f"  {path.stem} (steam {', '.join(steam) or 'none'}): {motes[path.stem]}")
    found["motes"] = motes
    lines.append(f"  cost: {spent_s / max(sensor_s, 1) * 1e6:.1f} microseconds a sensor-second")
    return found, lines


def _columns(path: Path, view: str) -> tuple[list[str], list[Row]]:
    with open_table(path) as table:
        names = list(table.sensors)
        kept = [
            index
            for index, name in enumerate(names)
            if view != "highest sensors alone" or name in HIGHEST
        ]
        found: list[Row] = [
            (t_s, tuple(values[index] for index in kept)) for t_s, values in table.rows()
        ]
        return [names[index] for index in kept], found


def _ignitions(labels: list[tuple[float, float, str]]) -> list[float]:
    """When fires began; a label that follows at once on another is the same fire."""
    starts: list[float] = []
    last_s = -math.inf
    for start_s, end_s, label in labels:
        if label == "fire":
            if start_s > last_s + 60.0:
                starts.append(start_s)
            last_s = end_s
    return starts


def _labels(path: Path) -> list[tuple[float, float, str]]:
    events = path.with_name(path.stem + ".events.csv")
    with events.open(newline="") as file:
        return [
            (float(row["start_s"]), float(row["end_s"]), row["label"])
            for row in csv.DictReader(file)
        ]
