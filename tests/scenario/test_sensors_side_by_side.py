"""Sensors of whole jobs held against each other: what is told, and what never is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from scenario.thermal_box import BoxPlan, Event, Feeler, random_box, readings
from stillair.model import Change, Finding, Kind, Place, Reading
from stillair.thermal.core import ThermalWatch
from stillair.thermal.plan import SensorPlan, ThermalContext, ThermalPlan

Spoil = Callable[[float, dict[str, float]], None]
HOUR = 3600.0
LONG = BoxPlan(
    volume_m3=0.25,
    wall_w_per_m2k=1.1,
    heater_w=170.0,
    target_c=50.0,
    bed_w_per_k=0.5,
    bed_j_per_k=600.0,
    finish_s=8.0 * HOUR,
    end_s=8.0 * HOUR,
    feelers=(Feeler("top", 0), Feeler("low", 3), Feeler("back", 2)),
    events=(
        Event("fan", 2.0 * HOUR, 2.3 * HOUR),
        Event("fan", 4.0 * HOUR, 4.1 * HOUR),
        Event("bed_step", 3.0 * HOUR, 8.0 * HOUR, 10.0),
    ),
)


def faults(box: BoxPlan, spoil: Spoil | None = None) -> list[Finding]:
    names = [feeler.name for feeler in box.feelers]
    sensors = [SensorPlan(name, Place.CHAMBER) for name in names]
    if box.room_feeler:
        sensors.append(SensorPlan("room", Place.ROOM))
    watch = ThermalWatch(ThermalPlan(tuple(sensors)))
    found: list[Finding] = []
    for t_s, values in readings(box):
        row = {sensor.name: value for sensor, value in zip(sensors, values, strict=True)}
        if spoil is not None:
            spoil(t_s, row)
        for name, value in row.items():
            watch.take(Reading(name, t_s, value))
        found.extend(watch.tick(t_s, ThermalContext()).findings)
    return [f for f in found if f.kind is Kind.SENSOR_FAULT and f.change is Change.RAISED]


@pytest.mark.parametrize("name", ["top", "back"])
def test_a_degree_of_drift_is_told_within_six_hours(name: str) -> None:
    def drifts(t_s: float, row: dict[str, float]) -> None:
        row[name] += round(max(0.0, t_s - 1.5 * HOUR) / (6.0 * HOUR) * 16.0) / 16.0

    (told,) = faults(LONG, drifts)
    assert (told.detail["fault"], told.subject) == ("drift", name)
    assert told.at_s <= 7.5 * HOUR


def test_changed_places_are_told_within_minutes() -> None:
    # Only a second of silence lies between the two.
    def swaps(t_s: float, row: dict[str, float]) -> None:
        if t_s >= 2.5 * HOUR:
            row["top"], row["low"] = row["low"], row["top"]

    still = replace(LONG, mixing_w_per_k=3.0, end_s=3.0 * HOUR, events=())
    (told,) = faults(still, swaps)
    assert told.detail["fault"] == "swapped"
    assert told.sensors == ("top", "low")
    assert told.detail["reason"] == "seems to have changed places with low"
    assert 2.5 * HOUR < told.at_s <= 2.5 * HOUR + 240.0


@pytest.mark.parametrize("seed", [3, 8, 11, 16, 21])
def test_no_habit_of_machine_or_room_is_a_fault(seed: int) -> None:
    """Warm-up, part fan, bed steps, doors, lost heat, a room that swings."""
    box = random_box(seed, kinds=("door_open", "heat_lost", "door_open"))
    assert faults(box) == []
