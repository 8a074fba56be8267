"""Fire, smoke and flame against the figures of the literature they follow."""

from __future__ import annotations

import pytest

from stillair.simulation.burning import Burning, FirePlan, decibel_per_m
from stillair.simulation.physics import BedPlan, Box, Drives, HeatModel


def burn(plan: FirePlan, seconds: int, drives: Drives) -> tuple[Burning, HeatModel, list[float]]:
    box = Box()
    heat = HeatModel(box, BedPlan(), None, 20.0)
    burning = Burning(box.volume_m3)
    burning.light(plan)
    course = []
    for _ in range(seconds):
        drives.flame_w = burning.flame_w
        drives.smoke_per_m = burning.upper_per_m
        heat.step(1.0, drives)
        burning.step(1.0, heat)
        course.append(burning.flame_w)
    return burning, heat, course


@pytest.mark.parametrize(
    ("growth", "kw_after_20_s"),
    [
        pytest.param("slow", 1.172, id="slow: 1055 kW in 600 s"),
        pytest.param("medium", 4.689, id="medium: 300 s"),
        pytest.param("fast", 18.756, id="fast: 150 s"),
    ],
)
def test_fire_grows_with_the_square_of_time(growth: str, kw_after_20_s: float) -> None:
    plan = FirePlan(growth=growth, peak_kw=500.0, fuel_mj=1000.0)
    _, _, course = burn(plan, 20, Drives(door_fraction=1.0))
    assert course[-1] / 1000.0 == pytest.approx(kw_after_20_s, rel=0.01)


def test_closed_box_chokes_its_fire_and_an_open_door_feeds_it() -> None:
    # 0.216 m3 hold 0.0602 kg of oxygen; from 20.95 to 11 % that burns 0.0286 kg * 13.1 = 0.37 MJ.
    plan = FirePlan(growth="fast", peak_kw=50.0, fuel_mj=1000.0)
    burning, _, course = burn(plan, 600, Drives())
    assert 0.30e6 < sum(course[:120]) < 0.50e6
    assert max(course[-60:]) < 0.15 * max(course)
    _, _, fed = burn(plan, 600, Drives(door_fraction=1.0))
    assert min(fed[-60:]) > 5.0 * max(course[-60:])
    assert burning.oxygen == pytest.approx(0.11, abs=0.01)


def test_smoke_comes_before_flame_and_gathers_under_the_lid() -> None:
    burning, heat, course = burn(FirePlan(smoulder_s=300.0), 200, Drives())
    assert max(course) == 0.0
    assert burning.flame_m == 0.0
    assert decibel_per_m(burning.upper_per_m) > 0.3
    assert burning.upper_per_m > 1.3 * burning.lower_per_m
    assert heat.upper_c < 21.0


def test_clean_air_comes_back() -> None:
    burning, heat, _ = burn(FirePlan(smoulder_s=300.0), 200, Drives())
    burning.put_out()
    for _ in range(600):
        heat.step(1.0, Drives(door_fraction=1.0, draft_per_h=100.0))
        burning.step(1.0, heat)
    assert burning.calm


def test_fuel_is_not_endless() -> None:
    plan = FirePlan(growth="fast", peak_kw=10.0, fuel_mj=0.2)
    burning, _, course = burn(plan, 900, Drives(door_fraction=1.0))
    assert course[-1] == 0.0
    assert sum(course) == pytest.approx(0.2e6, rel=0.06)
    assert burning.flame_m == 0.0


def test_flame_stands_as_high_as_heskestad_says() -> None:
    burning = Burning(0.2)
    burning.flame_w = 10_000.0
    # 0.235 * 10^0.4 - 1.02 * 0.08 = 0.59 - 0.08
    assert burning.flame_m == pytest.approx(0.509, abs=0.002)


def test_fire_heats_the_upper_layer_first() -> None:
    _, heat, _ = burn(FirePlan(growth="medium"), 40, Drives())
    assert heat.upper_c > heat.lower_c + 20.0


def test_air_stays_within_what_fires_reach() -> None:
    _, heat, _ = burn(
        FirePlan(growth="ultra_fast", peak_kw=500.0, fuel_mj=1000.0), 900, Drives(door_fraction=1.0)
    )
    assert max(heat.wall_upper_c, heat.bed_c, heat.machine_c) < 1020.0
    assert 20.0 <= heat.upper_c < 1020.0
