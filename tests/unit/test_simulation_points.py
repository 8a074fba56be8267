"""Simulated sensors: lag, steps, places and every way to fail."""

from __future__ import annotations

import math
from random import Random

import pytest

from stillair.errors import ReadingFault, SensorError
from stillair.model import Place
from stillair.simulation.physics import BedPlan, Box, HeatModel
from stillair.simulation.points import (
    PointFault,
    PointKind,
    PointPlan,
    SensingPoint,
    can_tau_s,
)


def chamber(lower_c: float = 40.0, upper_c: float = 50.0) -> HeatModel:
    heat = HeatModel(Box(), BedPlan(), None, 20.0)
    heat.lower_c, heat.upper_c, heat.bed_c = lower_c, upper_c, 90.0
    return heat


def settled(plan: PointPlan, heat: HeatModel) -> SensingPoint:
    point = SensingPoint(plan, Random(1))
    point.settle(heat)
    return point


@pytest.mark.parametrize(
    ("speed_m_per_s", "tau_s"),
    [pytest.param(0.0, 60.0, id="still air"), pytest.param(3.0, 13.0, id="3 m/s")],
)
def test_metal_can_is_as_slow_as_its_maker_says(speed_m_per_s: float, tau_s: float) -> None:
    assert can_tau_s(speed_m_per_s) == pytest.approx(tau_s, abs=0.05)


@pytest.mark.parametrize(
    ("plan", "tau_s"),
    [
        pytest.param(
            PointPlan("p", kind=PointKind.BEAD, noise_k=0, resolution_k=0), 4.0, id="bead"
        ),
        pytest.param(PointPlan("p", tau_s=30.0, noise_k=0, resolution_k=0), 30.0, id="given"),
        pytest.param(PointPlan("p", noise_k=0, resolution_k=0), 60.0, id="can in still air"),
    ],
)
def test_step_is_followed_in_first_order(plan: PointPlan, tau_s: float) -> None:
    heat = chamber(20.0, 20.0)
    point = settled(plan, heat)
    heat.lower_c = heat.upper_c = 60.0
    for seconds in range(1, 200):
        point.update(1.0, heat)
        expected_c = 60.0 - 40.0 * math.exp(-seconds / tau_s)
        assert point.indication_c() == pytest.approx(expected_c, abs=0.15)


@pytest.mark.parametrize(
    ("plan", "expected_c"),
    [
        pytest.param(PointPlan("p", height=1.0), 50.0, id="under the lid: upper air"),
        pytest.param(PointPlan("p", height=0.5), 45.0, id="half way"),
        pytest.param(PointPlan("p", height=0.0), 40.0, id="floor: lower air"),
        pytest.param(PointPlan("p", height=0.0, bed_view=0.1), 45.0, id="sees the bed"),
        pytest.param(PointPlan("p", place=Place.BED), 90.0, id="bed"),
        pytest.param(PointPlan("p", place=Place.ROOM), 20.0, id="room"),
        pytest.param(PointPlan("p", place=Place.ELECTRONICS), 34.0, id="electronics"),
        pytest.param(PointPlan("p", place=Place.ROOM, offset_k=-0.5), 19.5, id="offset"),
    ],
)
def test_place_decides_what_is_indicated(plan: PointPlan, expected_c: float) -> None:
    assert settled(plan, chamber()).indication_c() == pytest.approx(expected_c, abs=0.13)


@pytest.mark.parametrize(
    ("kind", "step_k"),
    [
        pytest.param(PointKind.METAL_CAN, 0.0625, id="can"),
        pytest.param(PointKind.BEAD, 0.25, id="bead"),
    ],
)
def test_indication_comes_in_steps(kind: PointKind, step_k: float) -> None:
    heat = chamber(41.03, 47.77)
    point = settled(PointPlan("p", kind=kind), heat)
    for _ in range(100):
        point.update(1.0, heat)
        value = point.indication_c()
        assert value is not None
        assert (value / step_k) == round(value / step_k)


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        pytest.param(PointFault.OPEN, ReadingFault.OPEN_CIRCUIT, id="open"),
        pytest.param(PointFault.SHORT, ReadingFault.SHORT_TO_GROUND, id="short"),
        pytest.param(PointFault.VANISHED, ReadingFault.VANISHED, id="vanished"),
    ],
)
def test_fault_that_the_chip_tells(fault: PointFault, told: ReadingFault) -> None:
    point = settled(PointPlan("top"), chamber())
    point.fail(fault, 0.0)
    with pytest.raises(SensorError) as caught:
        point.indication_c()
    assert (caught.value.sensor, caught.value.fault, caught.value.retry) == ("top", told, True)
    point.mend()
    assert point.indication_c() is not None


@pytest.mark.parametrize(
    ("fault", "shown"),
    [
        pytest.param(PointFault.POWER_ON, 85.0, id="power-on value"),
        pytest.param(PointFault.FAILED_CONVERSION, 127.94, id="failed conversion"),
        pytest.param(PointFault.SILENT, None, id="nothing new"),
    ],
)
def test_fault_that_shows_a_value(fault: PointFault, shown: float | None) -> None:
    point = settled(PointPlan("top"), chamber())
    point.fail(fault, 0.0)
    assert point.indication_c() == shown


def test_stuck_sensor_keeps_its_value_and_finds_back() -> None:
    heat = chamber(45.0, 45.0)
    point = settled(PointPlan("top", tau_s=5.0), heat)
    held = point.indication_c()
    point.fail(PointFault.STUCK, 0.0)
    heat.lower_c = heat.upper_c = 20.0
    for _ in range(60):
        point.update(1.0, heat)
        assert point.indication_c() == held
    point.mend()
    assert point.indication_c() == pytest.approx(20.0, abs=0.2)


def test_drift_grows_with_time() -> None:
    heat = chamber(45.0, 45.0)
    point = settled(PointPlan("top", noise_k=0.0), heat)
    point.fail(PointFault.DRIFT, 6.0)
    for _ in range(1800):
        point.update(1.0, heat)
    assert point.indication_c() == pytest.approx(48.0, abs=0.07)  # 6 K/h for half an hour


def test_spikes_are_rare_single_and_of_their_size() -> None:
    heat = chamber(45.0, 45.0)
    point = settled(PointPlan("top"), heat)
    point.fail(PointFault.SPIKE, 30.0)
    values = []
    for _ in range(2000):
        point.update(1.0, heat)
        values.append(point.indication_c() or 0.0)
    high = [value for value in values if value > 60.0]
    assert 15 <= len(high) <= 70  # 2 % of 2000, give or take
    assert all(value == pytest.approx(75.0, abs=0.3) for value in high)


def test_loose_wire_breaks_and_shows_wild_values_near_the_breaks() -> None:
    heat = chamber(45.0, 45.0)
    point = settled(PointPlan("top"), heat)
    point.fail(PointFault.LOOSE, 0.0)
    broken, wild = [], []
    for t_s in range(1000):
        point.update(1.0, heat)
        try:
            value = point.indication_c()
        except SensorError:
            broken.append(t_s)
            continue
        if value is not None and abs(value - 45.0) > 10.0:
            wild.append(t_s)
    assert 60 <= len(broken) <= 350
    assert len(wild) > 10
    assert all(any(abs(t_s - b) <= 3 for b in broken) for t_s in wild)


@pytest.mark.parametrize(
    ("kind", "air_c", "readable"),
    [
        pytest.param(PointKind.METAL_CAN, 124.0, True, id="can, within"),
        pytest.param(PointKind.METAL_CAN, 300.0, False, id="can, beyond 125"),
        pytest.param(PointKind.BEAD, 300.0, True, id="bead"),
    ],
)
def test_sensor_has_an_end_of_range(kind: PointKind, air_c: float, readable: bool) -> None:
    point = settled(PointPlan("top", kind=kind), chamber(air_c, air_c))
    if readable:
        assert point.indication_c() == pytest.approx(air_c, abs=0.5)
    else:
        with pytest.raises(SensorError, match="beyond what the sensor can measure"):
            point.indication_c()
