"""The heat model: its formulas against worked figures, its bookkeeping against chance."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillair.simulation.materials import WALLS, layered
from stillair.simulation.physics import (
    BedPlan,
    Box,
    Drives,
    HeaterPlan,
    HeatModel,
    RoomPlan,
    door_flow_m3_per_s,
)


def masses(heat: HeatModel) -> list[float]:
    return [
        heat.lower_c,
        heat.upper_c,
        heat.wall_lower_c,
        heat.wall_upper_c,
        heat.bed_c,
        heat.part_c,
        heat.machine_c,
        heat.heater_c,
    ]


@pytest.mark.parametrize(
    ("material", "u_w_per_m2k"),
    [
        pytest.param("metal", 3.7, id="steel"),
        pytest.param("acrylic", 3.5, id="acrylic 3 mm"),
        pytest.param("plywood", 3.2, id="plywood 6 mm"),
        pytest.param("cardboard", 3.0, id="cardboard 4 mm"),
        pytest.param("foam", 1.1, id="foam 20 mm"),
    ],
)
def test_wall_loses_heat_by_its_u_value(material: str, u_w_per_m2k: float) -> None:
    assert WALLS[material].u_w_per_m2k == pytest.approx(u_w_per_m2k, rel=1e-9)


def test_layers_of_a_wall_add_up() -> None:
    # 1 / (0.0422 + 0.6388 + 0.2703) = 1.05 W/m2K
    assert layered(["plywood", "foam"]).u_w_per_m2k == pytest.approx(1.05, abs=0.005)


def test_door_flow_at_35_k_is_276_air_changes() -> None:
    # Cd = 0.40 + 0.0045 * 35 = 0.5575; A/3 = 0.0533 m2; sqrt(9.81 * 0.4 * 35 / 329) = 0.646
    # Q = 0.0192 m3/s; * 3600 / 0.25 m3 = 276 per hour
    flow = door_flow_m3_per_s(0.4, 0.4, 21.0 + 35.0, 21.0)
    assert flow * 3600.0 / 0.25 == pytest.approx(276.0, abs=1.5)


def test_door_flow_is_nothing_without_a_difference() -> None:
    assert door_flow_m3_per_s(0.4, 0.4, 20.0, 20.0) == 0.0


def test_room_swings_once_a_day() -> None:
    room = RoomPlan(mean_c=18.0, swing_k=4.0, warmest_at_h=15.0)
    assert [room.temperature_c(hour) for hour in (3.0, 9.0, 15.0, 39.0)] == pytest.approx(
        [14.0, 18.0, 22.0, 22.0]
    )


def test_steady_power_equals_the_losses() -> None:
    """What the heater gives is what walls and leaks lose, by hand-made sums."""
    box = Box(walls=("plywood",), mix_m3_per_s=0.05, stir_m_per_s=0.0)
    heat = HeatModel(box, BedPlan(), None, 20.0)
    drives = Drives(room_c=20.0, machine_w=150.0)
    heat.step(6 * 3600.0, drives, coarse_s=5.0)
    upper_k, lower_k = heat.upper_c - 20.0, heat.lower_c - 20.0
    # 3 % of U: even without the fan, air at 0.03 m/s moves past the walls.
    walls_w = 3.2 * box.wall_area_m2 * (upper_k + lower_k) / 2.0
    air_j_per_m3k = 353.0 * 1006.0 / (273.15 + (heat.upper_c + heat.lower_c) / 2.0)
    leaks_w = air_j_per_m3k * box.volume_m3 * box.leak_per_h / 3600.0 * (upper_k + lower_k) / 2.0
    assert walls_w + leaks_w == pytest.approx(150.0, rel=0.02)


def test_heat_put_in_is_found_again() -> None:
    """In a short time hardly anything is lost: 250 W for 20 s must be 5,000 J somewhere."""
    box = Box(leak_per_h=0.0)
    heat = HeatModel(box, BedPlan(), HeaterPlan(power_w=250.0), 20.0)
    for _ in range(20):
        heat.step(1.0, Drives(heater_target_c=60.0))
    # Air at constant pressure gives away what its swelling drives out: up to 4 % of its share.
    assert heat.heat_j() == pytest.approx(5000.0, rel=0.02)


anything_c = st.floats(-20.0, 150.0)


@settings(max_examples=60, deadline=None)
@given(
    start=st.lists(anything_c, min_size=8, max_size=8),
    room_c=st.floats(-10.0, 40.0),
    door=st.floats(0.0, 1.0),
    draft=st.floats(0.0, 200.0),
    fan=st.floats(0.0, 1.0),
    part_fan=st.floats(0.0, 1.0),
    part_kg=st.sampled_from([0.0, 0.0005, 0.002, 0.3]),
    walls=st.lists(st.sampled_from(sorted(WALLS)), min_size=1, max_size=3),
    step_s=st.sampled_from([0.3, 1.0, 5.0]),
)
def test_without_sources_everything_goes_to_the_room(
    start: list[float],
    room_c: float,
    door: float,
    draft: float,
    fan: float,
    part_fan: float,
    part_kg: float,
    walls: list[str],
    step_s: float,
) -> None:
    """No mass gets warmer than the warmest or colder than the coldest: heat has no other source."""
    heat = HeatModel(Box(walls=tuple(walls)), BedPlan(), HeaterPlan(), room_c)
    heat.part_kg = part_kg
    (heat.lower_c, heat.upper_c, heat.wall_lower_c, heat.wall_upper_c) = start[:4]
    (heat.bed_c, heat.part_c, heat.machine_c, heat.heater_c) = start[4:]
    drives = Drives(room_c=room_c, door_fraction=door, draft_per_h=draft, fan=fan)
    drives.part_fan = part_fan
    warmest, coldest = max(*masses(heat), room_c), min(*masses(heat), room_c)
    for _ in range(400):
        heat.step(step_s, drives, coarse_s=step_s)
        now = masses(heat)
        assert max(now) <= warmest + 1e-9
        assert min(now) >= coldest - 1e-9
        warmest, coldest = max(*now, room_c), min(*now, room_c)


@pytest.mark.parametrize("walls", [("foam",), ("plywood",), ("metal",)], ids=lambda w: w[0])
def test_all_masses_end_at_the_room(walls: tuple[str, ...]) -> None:
    heat = HeatModel(Box(walls=walls), BedPlan(), HeaterPlan(), 20.0)
    heat.lower_c = heat.upper_c = heat.bed_c = heat.machine_c = heat.heater_c = 60.0
    left_j = heat.heat_j()
    for _ in range(24):
        heat.step(3600.0, Drives(room_c=20.0), coarse_s=5.0)
        assert heat.heat_j() < left_j or left_j < 1e-6
        left_j = heat.heat_j()
    assert masses(heat) == pytest.approx([20.0] * 8, abs=0.05)


@pytest.mark.parametrize(
    ("step_s", "tolerance_k"),
    [
        pytest.param(0.25, 0.12, id="quarter second"),
        pytest.param(1.0, 0.35, id="one second, as the world steps"),
        pytest.param(7.0, 0.9, id="seven seconds"),
    ],
)
def test_steps_of_any_size_agree(step_s: float, tolerance_k: float) -> None:
    """Heating up, an opened door, and the time after: against steps of 0.05 s."""

    def course(size_s: float) -> list[float]:
        heat = HeatModel(Box(), BedPlan(), HeaterPlan(), 20.0)
        seen = []
        for seconds, drives in (
            (630.0, Drives(heater_target_c=100.0, bed_target_c=90.0)),
            (84.0, Drives(heater_target_c=100.0, bed_target_c=90.0, door_fraction=1.0)),
            (210.0, Drives(bed_target_c=90.0)),
        ):
            for _ in range(round(seconds / 21.0)):
                for _ in range(round(21.0 / size_s)):
                    heat.step(size_s, drives)
                seen += [heat.lower_c, heat.upper_c, heat.bed_c, heat.wall_upper_c]
        return seen

    fine, coarse = course(0.05), course(step_s)
    assert max(abs(a - b) for a, b in zip(fine, coarse, strict=True)) < tolerance_k


def test_cut_out_stops_the_heater_while_the_door_is_open() -> None:
    heat = HeatModel(Box(), BedPlan(), HeaterPlan(cut_out=True), 20.0)
    heat.step(1.0, Drives(heater_target_c=50.0, door_fraction=1.0))
    assert not heat.heater_on
    heat.step(1.0, Drives(heater_target_c=50.0))
    assert heat.heater_on


def test_plastic_brings_its_heat() -> None:
    heat = HeatModel(Box(), BedPlan(), None, 20.0)
    before_j = heat.heat_j()
    heat.add_plastic(0.1, 160.0)
    # 0.1 kg * 1500 J/kgK * 140 K
    assert heat.heat_j() - before_j == pytest.approx(21000.0)
