"""Phases of a chamber's day, and what depends on target and material."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from stillair.model import Change, Finding, JobPhase, Kind, Phase, Place, Reading
from stillair.thermal.core import ThermalWatch
from stillair.thermal.materials import MATERIALS, material
from stillair.thermal.plan import SensorPlan, ThermalContext, ThermalPlan

Curve = Callable[[float], float]
RUNNING = ThermalContext(job=JobPhase.RUNNING, material="ASA")


def run(
    curve: Curve,
    until_s: int,
    *,
    target_c: float | None = None,
    context: Callable[[float], ThermalContext] = lambda _: ThermalContext(),
    bed: Curve | None = None,
) -> tuple[list[Finding], list[tuple[float, Phase]]]:
    """Two sensors half a degree apart in a room of 20 degrees; findings, and the phases."""
    sensors = [
        SensorPlan("top", Place.CHAMBER),
        SensorPlan("low", Place.CHAMBER),
        SensorPlan("room", Place.ROOM),
    ]
    if bed is not None:
        sensors.append(SensorPlan("bed", Place.BED))
    watch = ThermalWatch(ThermalPlan(tuple(sensors), target_c=target_c))
    findings: list[Finding] = []
    phases: list[tuple[float, Phase]] = []
    for second in range(until_s):
        t_s = float(second)
        ripple = 0.0625 * (second % 2)
        watch.take(Reading("top", t_s, curve(t_s) + ripple))
        watch.take(Reading("low", t_s, curve(t_s) - 0.5 - ripple))
        watch.take(Reading("room", t_s, 20.0))
        if bed is not None:
            watch.take(Reading("bed", t_s, bed(t_s)))
        findings.extend(watch.tick(t_s, context(t_s)).findings)
        phase = watch.view().phase
        if not phases or phases[-1][1] is not phase:
            phases.append((t_s, phase))
    return findings, phases


def day(t_s: float) -> float:
    """Cold for 5 min, 2 K/min up to 50, held to 2 h, then 1 K/min down to 22."""
    if t_s < 7200.0:
        return min(50.0, 20.0 + max(0.0, t_s - 300.0) / 30.0)
    return max(22.0, 50.0 - (t_s - 7200.0) / 60.0)


def raised(findings: list[Finding]) -> dict[str, float]:
    return {f.kind.value: f.at_s for f in findings if f.change is Change.RAISED}


def cleared(findings: list[Finding]) -> dict[str, float]:
    return {f.kind.value: f.at_s for f in findings if f.change is Change.CLEARED}


@pytest.mark.parametrize(
    "target_c", [pytest.param(None, id="no target"), pytest.param(50.0, id="target")]
)
def test_a_day_goes_through_all_phases(target_c: float | None) -> None:
    findings, phases = run(day, 10800, target_c=target_c)
    assert [phase for _, phase in phases] == [
        Phase.UNKNOWN,
        Phase.COLD,
        Phase.WARMING,
        Phase.SOAK,
        Phase.STEADY,
        Phase.COOLING,
        Phase.COOL_ENOUGH,
        Phase.COLD,
    ]
    told = raised(findings)
    assert 1170 + 300 <= told["soak_ready"] <= 1200 + 900
    assert 7200 + 600 <= told["cool_enough"] <= 7200 + 780
    assert cleared(findings)["soak_ready"] <= 7200 + 600


def test_soak_is_forecast_while_warming() -> None:
    def curve(t_s: float) -> float:
        return 60.0 - 40.0 * math.exp(-max(0.0, t_s - 300.0) / 1200.0)

    watch = ThermalWatch(ThermalPlan((SensorPlan("top", Place.CHAMBER),), target_c=50.0))
    told: list[float] = []
    for second in range(1500):
        watch.take(Reading("top", float(second), curve(float(second))))
        watch.tick(float(second), ThermalContext())
        forecast_s = watch.view().soak_forecast_s
        if forecast_s is not None:
            told.append(forecast_s)
    # at 50 degrees after 300 + 1200 ln 4 = 1964 s, and five minutes of soak
    assert told
    assert told[-1] == pytest.approx(2264, abs=60)


@pytest.mark.parametrize(
    ("context", "bed_c"),
    [
        pytest.param(ThermalContext(smoke_or_fire=True), 20.0, id="after smoke"),
        pytest.param(ThermalContext(job=JobPhase.RUNNING), 20.0, id="while a job runs"),
        pytest.param(ThermalContext(), 90.0, id="over a hot bed"),
    ],
)
def test_cool_enough_is_not_told(context: ThermalContext, bed_c: float) -> None:
    findings, _ = run(day, 10000, context=lambda _: context, bed=lambda _: bed_c)
    assert "cool_enough" not in raised(findings)


def test_air_that_a_door_cooled_says_nothing_of_the_part() -> None:
    """From 50 to 30 within two minutes: the part hasn't followed."""

    def curve(t_s: float) -> float:
        return day(t_s) if t_s < 5000.0 else max(30.0, 50.0 - (t_s - 5000.0) / 6.0)

    findings, _ = run(curve, 5180)
    assert "cool_enough" not in raised(findings)


def test_cool_enough_is_taken_back_when_it_warms_again() -> None:
    findings, _ = run(lambda t: day(t) if t < 8400 else 30.0 + (t - 8400.0) / 40.0, 9000)
    assert "cool_enough" in raised(findings)
    assert "cool_enough" in cleared(findings)


@pytest.mark.parametrize(
    ("low_c", "context", "told"),
    [
        pytest.param(46.5, RUNNING, True, id="3.75 K below"),
        pytest.param(48.0, RUNNING, False, id="2.25 K below"),
        pytest.param(46.5, ThermalContext(job=JobPhase.PAUSED), False, id="paused"),
        pytest.param(46.5, ThermalContext(job=JobPhase.COOLING), False, id="cooling"),
    ],
)
def test_below_target_after_soak(low_c: float, context: ThermalContext, told: bool) -> None:
    def curve(t_s: float) -> float:
        if t_s < 4000.0:
            return day(t_s)
        return max(low_c, 50.0 - (t_s - 4000.0) / 300.0)

    findings, _ = run(
        curve,
        6500,
        target_c=50.0,
        context=lambda t: RUNNING if t < 4000.0 else context,
    )
    assert ("below_target" in raised(findings)) is told


def test_not_below_target_before_soak() -> None:
    findings, _ = run(lambda t: min(day(t), 40.0), 6000, target_c=50.0)
    assert "below_target" not in raised(findings)


def test_too_warm_for_the_material() -> None:
    def curve(t_s: float) -> float:
        return min(72.0, 20.0 + t_s / 30.0) if t_s < 4000 else 66.0

    findings, _ = run(curve, 4600, context=lambda _: RUNNING)
    assert raised(findings)["too_warm"] == pytest.approx(1590, abs=40)
    assert cleared(findings)["too_warm"] == pytest.approx(4060, abs=5)
    unknown, _ = run(curve, 3000, context=lambda _: ThermalContext(job=JobPhase.RUNNING))
    assert Kind.TOO_WARM.value not in raised(unknown)


@pytest.mark.parametrize(
    ("name", "row"),
    [
        pytest.param("ASA", "asa", id="as it is"),
        pytest.param("abs black", "abs", id="with a colour"),
        pytest.param("PA6", "pa", id="PA6"),
        pytest.param("PA12-CF", "pa", id="filled PA12"),
        pytest.param("PA GF30", "pa", id="plain PA, filled"),
        pytest.param("PC-ABS", "pc/abs", id="blend"),
        pytest.param("PC/ABS blend", "pc/abs", id="blend, spelled out"),
        pytest.param("pc", "pc", id="PC"),
        pytest.param("PETG", "petg", id="PETG"),
        pytest.param("PLA", None, id="not of this trade"),
        pytest.param("", None, id="not said"),
    ],
)
def test_material_is_known_by_the_name_people_write(name: str, row: str | None) -> None:
    assert material(name) == (MATERIALS[row] if row else None)


def test_every_material_has_a_band() -> None:
    assert all(row.floor_c < row.ceiling_c for row in MATERIALS.values())
