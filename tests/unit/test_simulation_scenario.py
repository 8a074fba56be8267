"""Scenario files: what they may say, and that every fault is told at once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillair.errors import SettingsError
from stillair.model import ContactKind, Place
from stillair.simulation.points import PointKind
from stillair.simulation.scenario import (
    ACTIONS,
    FILE_LIMIT_BYTES,
    action,
    list_scenarios,
    load,
    parse,
)
from stillair.simulation.world import SimulatedChamber

SMALL = '[[sensor]]\nname = "top"\n'


def faults_of(text: str) -> tuple[str, ...]:
    with pytest.raises(SettingsError) as caught:
        parse(text.encode(), source="test.toml")
    return caught.value.faults


def test_smallest_file_is_one_sensor() -> None:
    scenario = parse(SMALL.encode(), source="test.toml", name="test")
    assert scenario.name == "test"
    assert scenario.sensors[0].name == "top"
    assert scenario.steps == ()
    assert scenario.heater is None


def test_everything_in_a_file_arrives() -> None:
    text = """
    summary = "All of it"
    warm_start_s = 60
    repeat_s = 3600
    starts_at_h = 20
    [enclosure]
    walls = ["plywood", "foam"]
    width_m = 0.7
    [room]
    mean_c = 12
    swing_k = 3.5
    [bed]
    target_c = 90
    [heater]
    power_w = 300
    cut_out = true
    [[sensor]]
    name = "top"
    height = 0.9
    offset_k = 0.2
    [[sensor]]
    name = "bed"
    place = "bed"
    kind = "bead"
    [[contact]]
    name = "smoke"
    kind = "detector"
    [[step]]
    at_s = 10
    do = "open_door"
    for_s = 75
    """
    scenario = parse(text.encode(), source="test.toml")
    assert scenario.enclosure.walls == ("plywood", "foam")
    assert (scenario.enclosure.width_m, scenario.enclosure.height_m) == (0.7, 0.6)
    assert (scenario.room.mean_c, scenario.room.swing_k) == (12.0, 3.5)
    assert scenario.heater is not None
    assert scenario.heater.cut_out
    assert (scenario.sensors[1].place, scenario.sensors[1].kind) == (Place.BED, PointKind.BEAD)
    assert scenario.contacts[0].kind is ContactKind.DETECTOR
    assert (scenario.steps[0].number("for_s"), scenario.steps[0].number("fraction")) == (75.0, 1.0)
    assert (scenario.warm_start_s, scenario.repeat_s, scenario.starts_at_h) == (60.0, 3600.0, 20.0)


def test_all_faults_are_told_at_once() -> None:
    told = faults_of("""
    colour = "red"
    starts_at_h = "noon"
    [enclosure]
    walls = ["gold"]
    width_m = -1
    [[sensor]]
    height = 2
    [[sensor]]
    name = "a"
    [[sensor]]
    name = "a"
    [[step]]
    at_s = 1
    do = "explode"
    [[step]]
    do = "open_door"
    fraction = nan
    [[step]]
    at_s = 5
    do = "sensor_fault"
    sensor = "b"
    fault = "open"
    """)
    for wanted in (
        "test.toml.'colour': unknown",
        "test.toml.starts_at_h: must be a number from 0 to 24, not 'noon'",
        "enclosure.walls: must be a list of one or more of cardboard",
        "enclosure.width_m: must be a number from 0.05 to 5, not -1",
        "sensor 1.name: missing",
        "sensor 1.height: must be a number from 0 to 1, not 2",
        "sensor: 'a' stands there more than once",
        "step 1.do: must be one of open_door",
        "step 2 (open_door).at_s: missing",
        "step 2 (open_door).fraction: must be a number",
        "step 3.sensor: no sensor is named 'b'",
    ):
        assert any(fault.startswith(wanted) for fault in told), (wanted, told)
    assert len(told) == 11


@pytest.mark.parametrize(
    ("text", "told"),
    [
        pytest.param("", "at least one [[sensor]]", id="empty"),
        pytest.param("x = ", "no valid TOML", id="broken"),
        pytest.param("sensor = 3", "must be tables written [[sensor]]", id="no tables"),
        pytest.param("sensor = [3]", "sensor 1: must be a table", id="list of numbers"),
        pytest.param("step = [3]\n" + SMALL, "step 1: must be a table", id="step a number"),
        pytest.param("room = 3\n" + SMALL, "room: must be a table", id="room a number"),
        pytest.param(
            SMALL + '[[step]]\nat_s = -5\ndo = "close_door"\n',
            "before the warm start",
            id="too early",
        ),
        pytest.param(
            "repeat_s = 100\n" + SMALL + '[[step]]\nat_s = 200\ndo = "close_door"\n',
            "after repeat_s",
            id="after the repeat",
        ),
        pytest.param(
            "[enclosure]\ndoor_width_m = 2\n" + SMALL, "door is larger", id="door too large"
        ),
        pytest.param(SMALL * 40, "at most 32", id="too many sensors"),
        pytest.param("starts_at_h = true\n" + SMALL, "must be a number", id="boolean"),
        pytest.param("starts_at_h = 1e999\n" + SMALL, "must be a number", id="infinite"),
        pytest.param(f"starts_at_h = {'9' * 400}\n" + SMALL, "must be a number", id="huge"),
        pytest.param("a = " + "[" * 3000 + "]" * 3000, "no valid TOML", id="deep"),
    ],
)
def test_bad_file_is_refused_in_words(text: str, told: str) -> None:
    faults = faults_of(text)
    assert any(told in fault for fault in faults), faults
    assert all(len(fault) < 2000 for fault in faults)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        pytest.param(b"\xff\xfe\x00", "no valid TOML", id="binary"),
        pytest.param(b"#" * (FILE_LIMIT_BYTES + 1), "larger than", id="too large"),
    ],
)
def test_bad_bytes_are_refused(content: bytes, told: str) -> None:
    with pytest.raises(SettingsError, match=told):
        parse(content, source="test.toml")


@settings(max_examples=80, deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_a_scenario_or_a_settings_error(text: str) -> None:
    faults: tuple[str, ...] = ()
    sensors = 0
    try:
        sensors = len(parse(text.encode(errors="replace"), source="test.toml").sensors)
    except SettingsError as error:
        faults = error.faults
    assert (sensors > 0) != (len(faults) > 0)


def test_file_is_found_by_path(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(SMALL)
    assert load(path).name == "mine"
    assert load(str(path)).sensors[0].name == "top"


@pytest.mark.parametrize(
    ("name", "told"),
    [
        pytest.param("no_such", "known: boat_shed_day", id="unknown name"),
        pytest.param("/nowhere/at_all.toml", "no such file", id="no file"),
        pytest.param("/dev/zero", "no such scenario", id="device"),
        pytest.param("nul\x00.toml", "can't be read|no such file", id="impossible name"),
    ],
)
def test_what_is_not_there_is_refused(name: str, told: str) -> None:
    with pytest.raises(SettingsError, match=told):
        load(name)


def test_built_in_scenarios() -> None:
    assert set(list_scenarios()) >= {
        "boat_shed_day",
        "quiet_job",
        "door_left_ajar",
        "heat_lost",
        "slow_fire",
        "loose_wire",
    }
    for name in list_scenarios():
        assert load(name).summary


NEEDED: dict[str, dict[str, float | str]] = {
    "draft": {"air_changes_per_h": 30},
    "fan": {"speed": 0.0},
    "part_fan": {"speed": 1.0},
    "sensor_fault": {"sensor": "top", "fault": "open"},
    "sensor_good": {"sensor": "top"},
    "contact_on": {"contact": "door"},
    "contact_broken": {"contact": "door"},
    "job_start": {"name": "Oarlock bushing"},
}


@pytest.mark.parametrize("do", list(ACTIONS))
def test_every_action_can_be_carried_out(do: str) -> None:
    """None falls through the script unknown, alone or in the middle of a job."""
    values = NEEDED.get(do, {})
    for_s = {"for_s": 5.0} if "for_s" in ACTIONS[do] else {}
    text = SMALL + '[[contact]]\nname = "door"\n'
    scenario = parse(text.encode(), source="test.toml")
    steps = (
        action(0, do, **values, **for_s),
        action(10, "job_start", name="Fin box"),
        action(20, do, **values, **for_s),
    )
    world = SimulatedChamber(replace(scenario, steps=steps))
    world.advance(60)
    assert all(one.end_s is None or one.end_s >= one.start_s for one in world.truth())


def test_step_in_code_is_checked_as_one_in_a_file() -> None:
    with pytest.raises(SettingsError, match="fraction"):
        action(0, "open_door", fraction=7.0)
    with pytest.raises(SettingsError, match="must be one of"):
        action(0, "dance")
