"""Whole jobs in a small box of its own physics: what is told, how soon, and what isn't."""

from __future__ import annotations

from dataclasses import replace

import pytest

from scenario.thermal_box import BoxPlan, Event, Feeler, random_box, readings
from stillair.model import Change, Finding, JobPhase, Kind, Place, Reading, Sign
from stillair.thermal.core import ThermalWatch
from stillair.thermal.plan import SensorPlan, ThermalContext, ThermalPlan

ONE_WIRE = (
    Feeler("top", 0, tau_s=30.0),
    Feeler("low", 3, tau_s=30.0),
    Feeler("back", 1, tau_s=30.0),
)
BEADS = tuple(replace(feeler, tau_s=3.0, noise_k=0.06) for feeler in ONE_WIRE)
FOAM = BoxPlan(
    volume_m3=0.25,
    wall_w_per_m2k=1.1,
    heater_w=170.0,
    target_c=48.0,
    bed_w_per_k=0.5,
    bed_j_per_k=600.0,
    finish_s=9000.0,
    end_s=9000.0,
    feelers=ONE_WIRE,
)
HALF = 5400.0


def run(
    box: BoxPlan, *, limit_c: float = 80.0, switch: bool = False, job: JobPhase | None = None
) -> tuple[list[Finding], list[Sign]]:
    sensors = [SensorPlan(f.name, Place.CHAMBER) for f in box.feelers]
    if box.room_feeler:
        sensors.append(SensorPlan("room", Place.ROOM))
    watch = ThermalWatch(ThermalPlan(tuple(sensors), limit_c=limit_c))
    findings: list[Finding] = []
    signs: list[Sign] = []
    doors = [e for e in box.events if e.kind == "door_open"]
    for t_s, values in readings(box):
        for sensor, value in zip(sensors, values, strict=True):
            watch.take(Reading(sensor.name, t_s, value))
        is_open = any(e.on(t_s) for e in doors) if switch else None
        result = watch.tick(t_s, ThermalContext(door_open=is_open, job=job))
        findings.extend(result.findings)
        signs.extend(result.signs)
    return findings, signs


def raised(findings: list[Finding]) -> list[str]:
    notices = (Kind.SOAK_READY, Kind.COOL_ENOUGH)
    return [f.kind.value for f in findings if f.change is Change.RAISED and f.kind not in notices]


def last_kind(findings: list[Finding]) -> Finding:
    return [f for f in findings if f.kind not in (Kind.SOAK_READY, Kind.COOL_ENOUGH)][-1]


@pytest.mark.parametrize(
    "feelers", [pytest.param(BEADS, id="beads"), pytest.param(ONE_WIRE, id="1-wire")]
)
def test_a_door_of_75_s_is_found_with_its_onset_and_end(feelers: tuple[Feeler, ...]) -> None:
    door = Event("door_open", HALF, HALF + 75.0)
    findings, _ = run(replace(FOAM, feelers=feelers, events=(door,)))
    told = [f for f in findings if f.kind is Kind.DOOR_OPEN]
    assert raised(findings) == ["door_open"]
    bead = feelers is BEADS
    assert told[0].at_s - HALF <= (8.0 if bead else 20.0)
    # The thermostat's pause, in which it was opened, had begun 8 s before.
    assert told[0].onset_s == pytest.approx(HALF, abs=8.0 if bead else 15.0)
    over = told[-1]
    assert over.change is Change.CLEARED
    assert over.onset_s == pytest.approx(HALF, abs=5.0 if bead else 15.0)
    assert over.end_s == pytest.approx(HALF + 75.0, abs=5.0 if bead else 15.0)
    assert over.detail["cause"] == "clear"
    drop_k, fastest = over.detail["drop_k"], over.detail["fastest_k_per_min"]
    assert isinstance(drop_k, float) and drop_k > 6.0
    assert isinstance(fastest, float) and fastest < -10.0
    assert set(over.sensors) == {"top", "low", "back"}


def test_a_door_switch_settles_it_at_once() -> None:
    door = Event("door_open", HALF, HALF + 75.0)
    findings, _ = run(replace(FOAM, events=(door,)), switch=True)
    told = [f for f in findings if f.kind is Kind.DOOR_OPEN]
    assert raised(findings) == ["door_open"]
    assert (told[0].at_s, told[0].detail["by"]) == (HALF, "switch")
    assert (told[-1].change, told[-1].at_s, told[-1].end_s) == (
        Change.CLEARED,
        HALF + 75.0,
        HALF + 75.0,
    )
    assert told[-1].detail["drop_k"] != 0.0


def test_a_switch_that_breaks_leaves_the_door_to_the_temperatures() -> None:
    """Broken wire while the door is open: still told, until the air comes back."""
    door = Event("door_open", HALF, HALF + 75.0)
    box = replace(FOAM, feelers=BEADS, end_s=HALF + 600.0, events=(door,))
    watch = ThermalWatch(ThermalPlan(tuple(SensorPlan(f.name, Place.CHAMBER) for f in BEADS)))
    findings: list[Finding] = []
    for t_s, values in readings(box):
        for feeler, value in zip(BEADS, values, strict=True):
            watch.take(Reading(feeler.name, t_s, value))
        word = None if t_s >= HALF + 30.0 else door.on(t_s)
        findings.extend(watch.tick(t_s, ThermalContext(door_open=word)).findings)
    told = [f for f in findings if f.kind is Kind.DOOR_OPEN]
    assert (told[0].at_s, told[-1].change) == (HALF, Change.CLEARED)
    assert told[-1].end_s == pytest.approx(HALF + 75.0, abs=10.0)
    assert raised(findings) == ["door_open"]


def test_with_a_shut_switch_a_fall_is_no_door() -> None:
    gap = Event("draft", HALF, HALF + 300.0, 12.0, 3)
    findings, _ = run(replace(FOAM, feelers=BEADS, events=(gap,)), switch=True)
    assert "door_open" not in raised(findings)
    assert "draft" in raised(findings)


def test_a_draft_at_one_side_is_no_door_once_it_is_clear_how_far_it_goes() -> None:
    """It comes within the thermostat's pause, in which all sensors fall, and takes 8 K of one."""
    gap = Event("draft", HALF, HALF + 400.0, 8.0, 3)
    findings, _ = run(replace(FOAM, feelers=BEADS, events=(gap,)))
    assert len(raised(findings)) == 1
    told = [f for f in findings if f.kind in (Kind.DOOR_OPEN, Kind.DRAFT)]
    assert all(f.detail.get("or") == "draft" for f in told if f.kind is Kind.DOOR_OPEN)
    assert {f.kind for f in told if f.at_s > HALF + 45.0} == {Kind.DRAFT}
    assert "low" in told[-1].sensors


def test_lost_heat_is_found_within_three_minutes_and_called_nothing_else() -> None:
    lost = Event("heat_lost", HALF, HALF + 1200.0)
    findings, _ = run(replace(FOAM, events=(lost,)), job=JobPhase.RUNNING)
    assert raised(findings) == ["heat_lost"]
    told = [f for f in findings if f.kind is Kind.HEAT_LOST]
    assert told[0].at_s - HALF <= 180.0
    assert told[-1].change is Change.CLEARED
    assert told[-1].end_s == pytest.approx(HALF + 1200.0, abs=90.0)


def test_cooling_after_a_job_is_no_lost_heat_and_ends_cool_enough() -> None:
    box = replace(FOAM, finish_s=5400.0, end_s=5400.0 + 3 * 3600.0)
    watch = ThermalWatch(ThermalPlan(tuple(SensorPlan(f.name, Place.CHAMBER) for f in box.feelers)))
    findings: list[Finding] = []
    for t_s, values in readings(box):
        for feeler, value in zip(box.feelers, values, strict=True):
            watch.take(Reading(feeler.name, t_s, value))
        job = JobPhase.RUNNING if t_s < box.finish_s else JobPhase.COOLING
        findings.extend(watch.tick(t_s, ThermalContext(job=job, material="ASA")).findings)
    assert raised(findings) == []
    assert [f.kind for f in findings if f.change is Change.RAISED] == [
        Kind.SOAK_READY,
        Kind.COOL_ENOUGH,
    ]
    cool = findings[-1]
    assert isinstance(cool.detail["temperature_c"], float)
    assert cool.detail["temperature_c"] <= 45.0


def test_no_cool_enough_after_smoke() -> None:
    box = replace(FOAM, finish_s=5400.0, end_s=5400.0 + 3 * 3600.0)
    watch = ThermalWatch(ThermalPlan(tuple(SensorPlan(f.name, Place.CHAMBER) for f in box.feelers)))
    for t_s, values in readings(box):
        for feeler, value in zip(box.feelers, values, strict=True):
            watch.take(Reading(feeler.name, t_s, value))
        job = JobPhase.RUNNING if t_s < box.finish_s else JobPhase.COOLING
        context = ThermalContext(job=job, smoke_or_fire=t_s > 6000.0)
        kinds = [f.kind for f in watch.tick(t_s, context).findings]
        assert Kind.COOL_ENOUGH not in kinds


def test_one_sensor_finds_the_door_and_says_that_it_can_not_be_sure() -> None:
    door = Event("door_open", HALF, HALF + 75.0)
    findings, _ = run(replace(FOAM, feelers=ONE_WIRE[:1], events=(door,)))
    told = [f for f in findings if f.kind in (Kind.DOOR_OPEN, Kind.DRAFT)]
    assert told[0].at_s - HALF <= 30.0
    assert told[0].detail["cause"] == "uncertain"
    assert told[0].detail["or"] in ("door_open", "draft", "heat_lost")


@pytest.mark.parametrize(
    "growth_w_per_s2",
    [
        pytest.param(2.93e-3, id="slow"),
        pytest.param(1.17e-2, id="medium"),
        pytest.param(4.69e-2, id="fast"),
        pytest.param(0.188, id="ultra-fast"),
    ],
)
@pytest.mark.parametrize(
    "feelers", [pytest.param(BEADS, id="beads"), pytest.param(ONE_WIRE, id="1-wire")]
)
def test_a_growing_fire_is_told_before_the_static_response(
    growth_w_per_s2: float, feelers: tuple[Feeler, ...]
) -> None:
    fire = Event("fire", HALF, HALF + 900.0, growth_w_per_s2)
    findings, signs = run(replace(FOAM, feelers=feelers, end_s=HALF + 900.0, events=(fire,)))
    rise_s = [f.at_s for f in findings if f.kind is Kind.RAPID_RISE]
    static_s = [sign.t_s for sign in signs if sign.lasting]
    assert rise_s and static_s
    assert rise_s[0] <= static_s[0]


def test_a_fire_under_an_open_door_is_told_as_soon_as_without() -> None:
    fire = Event("fire", HALF, HALF + 600.0, 0.5)
    door = Event("door_open", HALF - 30.0, HALF + 600.0, 0.3)
    findings, _ = run(replace(FOAM, feelers=BEADS, end_s=HALF + 600.0, events=(fire, door)))
    kinds = [f.kind for f in findings if f.change is Change.RAISED]
    assert Kind.RAPID_RISE in kinds


@pytest.mark.parametrize("seed", range(5000, 5006))
def test_quiet_jobs_tell_nothing(seed: int) -> None:
    findings, signs = run(random_box(seed))
    box = random_box(seed)
    before_end = [f for f in findings if f.at_s < box.finish_s]
    assert raised(before_end) == []
    assert signs == []
