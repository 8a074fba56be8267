"""What the chamber's phase and lost heat make of its heater's and supply's switches."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from stillair.model import (
    Change,
    ContactKind,
    ContactState,
    EventChange,
    Finding,
    JobPhase,
    Kind,
    Phase,
    Place,
    Reading,
    StartJob,
    Tick,
)
from stillair.thermal.core import ThermalWatch
from stillair.thermal.plan import SensorPlan, ThermalContext, ThermalPlan
from stillair.watch import ContactPlan, Watch, WatchPlan

Curve = Callable[[float], float]
PLAN = ThermalPlan((SensorPlan("top", Place.CHAMBER), SensorPlan("room", Place.ROOM)))
ROOM_C = 20.0


def run(
    curve: Curve, until_s: int, context: Callable[[float], ThermalContext]
) -> tuple[list[Finding], list[tuple[float, Phase]]]:
    watch = ThermalWatch(PLAN)
    findings: list[Finding] = []
    phases: list[tuple[float, Phase]] = []
    for second in range(until_s):
        t_s = float(second)
        watch.take(Reading("top", t_s, curve(t_s) + 0.0625 * (second % 2)))
        watch.take(Reading("room", t_s, ROOM_C))
        findings.extend(watch.tick(t_s, context(t_s)).findings)
        phase = watch.view().phase
        if not phases or phases[-1][1] is not phase:
            phases.append((t_s, phase))
    return findings, phases


def warm(t_s: float) -> float:
    """2 K/min up to 50."""
    return min(50.0, ROOM_C + max(0.0, t_s - 300.0) / 30.0)


def always(context: ThermalContext) -> Callable[[float], ThermalContext]:
    return lambda _: context


def first(phases: list[tuple[float, Phase]], phase: Phase, from_s: float = 0.0) -> float:
    return next(t_s for t_s, told in phases if told is phase and t_s >= from_s)


def test_a_heater_that_comes_on_in_a_cold_chamber_warms_it_at_once() -> None:
    """The air itself shows it from 300 s on."""

    def by_switch(t_s: float) -> ThermalContext:
        return ThermalContext(heater_on=t_s >= 200.0)

    _, without = run(warm, 700, always(ThermalContext()))
    _, told = run(warm, 700, by_switch)
    assert first(told, Phase.WARMING) <= 210.0
    assert first(without, Phase.WARMING) > 320.0
    assert [phase for _, phase in told] == [Phase.UNKNOWN, Phase.COLD, Phase.WARMING]


@pytest.mark.parametrize(
    "context",
    [
        pytest.param(ThermalContext(heater_on=False), id="heater off"),
        pytest.param(ThermalContext(heater_on=True, supply_on=False), id="without supply"),
        pytest.param(ThermalContext(heater_on=True, job=JobPhase.FINISHED), id="job over"),
    ],
)
def test_what_does_not_heat_leaves_a_cold_chamber_cold(context: ThermalContext) -> None:
    _, told = run(lambda _: ROOM_C, 900, always(context))
    assert [phase for _, phase in told] == [Phase.UNKNOWN, Phase.COLD]


@pytest.mark.parametrize("job", [None, JobPhase.RUNNING])
def test_a_chamber_whose_supply_is_off_cools_at_once_and_warms_when_it_is_back(
    job: JobPhase | None,
) -> None:
    off_s, on_s = 4000.0, 4600.0

    def air(t_s: float) -> float:
        if t_s < off_s:
            return warm(t_s)
        return 50.0 - (min(t_s, on_s) - off_s) / 60.0 + max(0.0, t_s - on_s) / 40.0

    def context(t_s: float) -> ThermalContext:
        return ThermalContext(job=job, supply_on=not off_s <= t_s < on_s)

    findings, told = run(air, 4900, context)
    assert first(told, Phase.COOLING) <= off_s + 10.0
    assert on_s < first(told, Phase.WARMING, on_s) <= on_s + 180.0
    lost = [f for f in findings if f.kind is Kind.HEAT_LOST]
    if job is None:
        assert all(f.detail["cause"] == "clear" and f.detail["by"] == "supply" for f in lost)
        return
    assert [f.change for f in lost] == [Change.RAISED, Change.CLEARED]
    assert (lost[0].at_s, lost[1].at_s) == (off_s, on_s)
    assert lost[0].detail["cause"] == "clear"


def test_the_air_alone_is_slower_to_say_that_the_supply_is_off() -> None:
    def air(t_s: float) -> float:
        return warm(t_s) if t_s < 4000.0 else 50.0 - (t_s - 4000.0) / 60.0

    running = ThermalContext(job=JobPhase.RUNNING)
    findings, _ = run(air, 4600, always(running))
    lost = [f for f in findings if f.kind is Kind.HEAT_LOST]
    assert lost[0].at_s > 4060.0
    assert "by" not in lost[0].detail


def test_a_fire_is_told_whatever_the_switches_say() -> None:
    def air(t_s: float) -> float:
        return 40.0 + max(0.0, t_s - 900.0) ** 2 / 50.0

    for heater_on in (None, True, False):
        for supply_on in (None, True, False):
            state = ThermalContext(heater_on=heater_on, supply_on=supply_on)
            findings, _ = run(air, 960, always(state))
            assert any(f.kind is Kind.RAPID_RISE for f in findings)


def test_the_watch_hears_its_switches() -> None:
    contacts = (ContactPlan("pad", ContactKind.HEATER), ContactPlan("mains", ContactKind.SUPPLY))
    watch = Watch(WatchPlan("bench", "Bench", PLAN, contacts=contacts))
    events: list[EventChange] = []

    def seconds(from_s: int, until_s: int, air_c: float) -> Phase:
        for second in range(from_s, until_s):
            t_s = float(second)
            watch.step(Reading("top", t_s, air_c + 0.0625 * (second % 2)))
            watch.step(Reading("room", t_s, ROOM_C))
            events.extend(watch.step(Tick(t_s)).events)
        return watch.view().thermal.phase

    assert seconds(0, 200, ROOM_C) is Phase.COLD
    watch.step(ContactState("mains", ContactKind.SUPPLY, 200.0, False))
    watch.step(ContactState("pad", ContactKind.HEATER, 200.0, True))
    assert seconds(200, 220, ROOM_C) is Phase.WARMING
    watch.step(StartJob(t_s=220.0, by="captain", name="rigger spacers"))
    seconds(220, 400, 45.0)
    watch.step(ContactState("mains", ContactKind.SUPPLY, 400.0, True))
    assert seconds(400, 420, 45.0) is Phase.COOLING
    watch.step(ContactState("mains", ContactKind.SUPPLY, 420.0, False))
    seconds(420, 430, 45.0)
    lost = [(e.change, e.at_s) for e in events if e.kind is Kind.HEAT_LOST]
    assert lost == [(Change.RAISED, 400.0), (Change.CLEARED, 420.0)]
