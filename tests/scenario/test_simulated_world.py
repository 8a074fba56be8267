"""The simulated chamber does what was measured on a real one, and tells the truth about itself.

The figures are those of a heated foam box with a fan and three metal-can
sensors; the built-in scenario `foam_box` is such a box. "The air" is the mean
of the three, as their places differ by several kelvin.
"""

from __future__ import annotations

import io
from dataclasses import replace
from itertools import pairwise

import pytest

from stillair.errors import SensorError
from stillair.simulation.scenario import Scenario, Step, action, list_scenarios, load
from stillair.simulation.table import simulate_table
from stillair.simulation.world import SimulatedChamber

ROOM_C = 22.0
SENSORS = ("top", "middle", "bottom")


def foam_box(*steps: Step, cold: bool = False) -> SimulatedChamber:
    scenario = load("foam_box")
    if cold:
        assert scenario.heater is not None
        scenario = replace(
            scenario, warm_start_s=0.0, heater=replace(scenario.heater, target_c=None)
        )
    return SimulatedChamber(replace(scenario, steps=steps))


def indicated(world: SimulatedChamber) -> dict[str, float]:
    values = {name: world.temperature_c(name) for name in SENSORS}
    return {name: value for name, value in values.items() if value is not None}


def course(world: SimulatedChamber, from_s: int, to_s: int) -> dict[str, list[float]]:
    """Each sensor second by second, and their mean as `air`."""
    seen: dict[str, list[float]] = {name: [] for name in (*SENSORS, "air")}
    for t_s in range(from_s, to_s + 1):
        world.advance(t_s)
        now = indicated(world)
        for name, value in now.items():
            seen[name].append(value)
        seen["air"].append(sum(now.values()) / len(now))
    return seen


def first_share(falling: list[float], lowest: float, share: float) -> float:
    """Seconds until the first `share` of the whole fall has happened."""
    start = falling[0]
    for t_s, (a, b) in enumerate(pairwise(falling)):
        wanted = start - share * (start - lowest)
        if b <= wanted:
            return t_s + (a - wanted) / (a - b) if a > b else float(t_s + 1)
    raise AssertionError("never fell that far")


@pytest.fixture(scope="module")
def opening() -> dict[str, list[float]]:
    """The lid comes off after a minute, for three minutes."""
    return course(foam_box(action(60, "open_door", for_s=180)), 0, 300)


def test_opened_lid_is_seen_after_a_few_seconds_and_falls_like_the_measured_one(
    opening: dict[str, list[float]],
) -> None:
    falling = opening["air"][60:241]
    lowest = min(falling)
    # Two points of a first-order fall (28.3 and 63.2 %): tau = 1.5 (t63 - t28), dead = t63 - tau.
    t28, t63 = first_share(falling, lowest, 0.283), first_share(falling, lowest, 0.632)
    tau_s = 1.5 * (t63 - t28)
    assert 31.0 <= tau_s <= 43.0
    assert 2.5 <= t63 - tau_s <= 5.0


def test_opened_lid_lets_the_air_fall_nearly_to_the_room(opening: dict[str, list[float]]) -> None:
    before_k, after_k = opening["air"][60] - ROOM_C, opening["air"][240] - ROOM_C
    assert after_k < 0.2 * before_k
    assert after_k > 0.0


def test_closed_lid_gives_back_seven_or_eight_kelvin_in_a_minute(
    opening: dict[str, list[float]],
) -> None:
    rise_k = opening["air"][300] - opening["air"][240]
    assert 6.5 <= rise_k <= 8.5


def test_cold_box_warms_at_up_to_thirteen_kelvin_a_minute() -> None:
    seen = course(foam_box(action(0, "heater_to", target_c=110), cold=True), 0, 300)
    fastest = {
        name: max(b - a for a, b in zip(values, values[60:], strict=False))
        for name, values in seen.items()
    }
    assert 9.0 <= max(fastest.values()) <= 13.0
    assert fastest["top"] > fastest["middle"] > fastest["bottom"]


def test_air_still_rises_after_the_heater_is_lost_and_then_falls_slowly() -> None:
    world = foam_box(action(0, "heater_to", target_c=110), action(200, "lose_heat"), cold=True)
    seen = course(world, 0, 1200)["air"]
    after = seen[200:]
    peak_c = max(after)
    assert 4.7 <= peak_c - after[0] <= 6.3
    assert 55 <= after.index(peak_c) <= 90
    assert max(a - b for a, b in zip(after, after[60:], strict=False)) <= 3.0


def test_places_differ_by_six_to_eight_kelvin_in_spite_of_the_fan() -> None:
    seen = course(foam_box(), 0, 1800)
    mean = {name: sum(values) / len(values) for name, values in seen.items()}
    assert 5.5 <= mean["top"] - mean["bottom"] <= 8.0
    assert mean["top"] > mean["middle"] > mean["bottom"]


def test_steady_readings_are_as_quiet_as_the_chip() -> None:
    """Of a chip in still, even air: 0.02 to 0.04 K between successive readings."""
    box = load("foam_box")
    points = tuple(
        replace(point, offset_k=0.01 + 0.02 * n) for n, point in enumerate(box.sensors)
    )  # so that they sit at different places between two steps of 1/16 K
    scenario = replace(box, heater=None, warm_start_s=0.0, sensors=points)
    world = SimulatedChamber(scenario)
    spreads = []
    seen = course(world, 0, 3000)
    for values in (seen[name] for name in SENSORS):
        steps = [b - a for a, b in pairwise(values)]
        spreads.append((sum(step * step for step in steps) / len(steps)) ** 0.5)
    assert all(0.01 <= spread <= 0.05 for spread in spreads)
    assert 0.02 <= sum(spreads) / len(spreads) <= 0.04


# --- the built-in scenarios ---


@pytest.mark.parametrize("name", list_scenarios())
def test_built_in_scenario_runs_for_hours_within_reason(name: str) -> None:
    world = SimulatedChamber(load(name))
    highest = 1100.0 if name == "slow_fire" else 130.0
    for t_s in range(0, 5 * 3600, 60):
        world.advance(t_s)
        true_c = world.temperatures()
        assert true_c.pop("heater") < max(highest, 450.0)  # an element glows hotter than the air
        assert all(5.0 < value < highest for value in true_c.values())
        for point in world.scenario.sensors:
            try:
                value = world.temperature_c(point.name)
            except SensorError:
                continue
            assert value is None or -60.0 < value < 260.0


def truths(world: SimulatedChamber, kind: str) -> list[tuple[float, float | None]]:
    return [(start_s, end_s) for what, start_s, end_s, _ in world.truth() if what == kind]


def test_boat_shed_day_has_its_first_event_within_two_minutes() -> None:
    world = SimulatedChamber(load("boat_shed_day"))
    world.advance(100)
    before_c = world.temperature_c("top")
    world.advance(175)
    after_c = world.temperature_c("top")
    assert before_c is not None
    assert after_c is not None
    assert before_c - after_c > 8.0
    world.advance(200)
    assert truths(world, "door_open") == [(100.0, 176.5)]
    marks = world.marks()
    assert (marks[0].kind, marks[0].name) == ("start", "Twelve oarlock bushings")
    assert marks[0].material == "ASA"
    assert 19.0 <= marks[-1].height_mm < 20.0, "half built when the page is first looked at"


def test_boat_shed_day_comes_again_the_next_day() -> None:
    world = SimulatedChamber(load("boat_shed_day"))
    world.advance(2 * 86400 + 300)
    starts = [mark.t_s for mark in world.marks() if mark.kind == "start"]
    assert starts == [-10800.0, 40500.0, 75600.0, 126900.0, 162000.0]
    assert truths(world, "door_open")[-1] == (172900.0, 172976.5)


def test_lost_heat_cools_the_chamber_and_is_the_truth() -> None:
    world = SimulatedChamber(load("heat_lost"))
    world.advance(900)
    warm_c = world.temperature_c("top")
    world.advance(2700)
    cool_c = world.temperature_c("top")
    assert warm_c is not None
    assert cool_c is not None
    assert warm_c - cool_c > 8.0
    world.advance(7300)
    assert truths(world, "heat_lost") == [(900.0, 2700.0), (7200.0, None)]


def test_slow_fire_is_smelled_before_it_is_felt() -> None:
    """Smoke trips the detector while the air is as before; then heat, flame and a choked fire."""
    world = SimulatedChamber(load("slow_fire"))
    world.advance(300)
    calm_c = world.temperatures()["upper"]
    tripped_s, hottest_c = None, calm_c
    for t_s in range(301, 900):
        world.advance(t_s)
        hottest_c = max(hottest_c, world.temperatures()["upper"])
        if tripped_s is None and world.contact("smoke detector"):
            tripped_s = t_s
            assert world.scene_state().flame_m == 0.0
            assert abs(world.temperatures()["upper"] - calm_c) < 5.0
    assert tripped_s is not None
    assert 300 < tripped_s < 600
    assert hottest_c > calm_c + 40.0
    assert world.temperatures()["upper"] < hottest_c - 20.0
    assert truths(world, "fire") == [(300.0, None)]


def test_ajar_door_costs_some_kelvin_for_an_hour() -> None:
    world = SimulatedChamber(load("door_left_ajar"))
    quiet = SimulatedChamber(replace(world.scenario, steps=world.scenario.steps[:1]))
    drops = []
    for t_s in range(1500, 4200, 10):
        world.advance(t_s)
        quiet.advance(t_s)
        drops.append(quiet.temperatures()["lower"] - world.temperatures()["lower"])
    assert sum(drops) / len(drops) > 3.0


def test_table_has_the_readings_and_gaps_and_the_truth() -> None:
    scenario: Scenario = replace(
        load("foam_box"),
        steps=(
            action(10, "sensor_fault", sensor="middle", fault="open", for_s=5),
            action(20, "open_door", for_s=15),
        ),
    )
    out = io.StringIO()
    truth = simulate_table(scenario, 60, out)
    lines = out.getvalue().splitlines()
    assert lines[0] == "time_s,top,middle,bottom"
    assert len(lines) == 62
    empty = [n - 1 for n, line in enumerate(lines) if ",," in line]
    assert empty == [10, 11, 12, 13, 14]
    assert [(one.kind, one.start_s, one.end_s, one.subject) for one in truth] == [
        ("sensor_fault", 10.0, 15.0, "middle"),
        ("door_open", 20.0, 36.5, ""),
    ]


def test_same_seed_same_bytes_other_seed_other_noise() -> None:
    scenario = load("loose_wire")

    def table(seed: int) -> str:
        out = io.StringIO()
        simulate_table(scenario, 1500, out, seed=seed)
        return out.getvalue()

    first = table(7)
    assert table(7) == first
    assert table(8) != first
