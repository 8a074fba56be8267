"""What always holds, whatever readings come: well formed, causal, the same again."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillair.errors import ReadingFault
from stillair.model import KIND_CLASS, Change, Finding, JobPhase, Kind, Phase, Place, Reading
from stillair.thermal.core import ThermalWatch
from stillair.thermal.plan import SensorPlan, ThermalContext, ThermalPlan

PLAN = ThermalPlan(
    (
        SensorPlan("top", Place.CHAMBER),
        SensorPlan("low", Place.CHAMBER),
        SensorPlan("room", Place.ROOM),
        SensorPlan("bed", Place.BED),
        SensorPlan("driver", Place.ELECTRONICS, 65.0),
    ),
    target_c=45.0,
)
NAMES = [sensor.name for sensor in PLAN.sensors]


@dataclass(frozen=True)
class Stretch:
    """A while in which every sensor holds one level, or has a fault, or says nothing."""

    seconds: int
    levels_c: tuple[float | ReadingFault | None, ...]
    step_s: int
    context: ThermalContext


levels = (
    st.floats(-20.0, 160.0)
    | st.sampled_from([85.0, 127.94, -127.0, 20.0, 45.0, 60.0, 1200.0])
    | st.sampled_from(ReadingFault)
    | st.none()
)
contexts = st.builds(
    ThermalContext,
    st.none() | st.booleans(),
    st.none() | st.sampled_from(JobPhase),
    st.sampled_from(["", "ASA", "PA6 CF", "PC-ABS", "petg", "cheese"]),
    st.booleans(),
)
stretches = st.builds(
    Stretch,
    st.integers(1, 200),
    st.tuples(*[levels] * len(NAMES)),
    st.sampled_from([1, 1, 2, 5, 31]),
    contexts,
)


def play(days: list[Stretch], *, start_s: float = 0.0) -> list[Finding]:
    watch = ThermalWatch(PLAN)
    t_s = start_s
    found: list[Finding] = []
    for stretch in days:
        for second in range(stretch.seconds):
            if second % stretch.step_s == 0:
                for name, level in zip(NAMES, stretch.levels_c, strict=True):
                    if isinstance(level, ReadingFault):
                        watch.take(Reading(name, t_s, None, level, "said so"))
                    elif level is not None:
                        # a ripple, so that no sensor looks stuck only for being still
                        watch.take(Reading(name, t_s, level + 0.0625 * (second % 3)))
            found.extend(watch.tick(t_s, stretch.context).findings)
            watch.view()
            t_s += 1.0
    return found


@settings(max_examples=40, deadline=None)
@given(st.lists(stretches, min_size=1, max_size=6))
def test_findings_are_well_formed(days: list[Stretch]) -> None:
    open_now: set[tuple[Kind, str]] = set()
    last_s = -math.inf
    for finding in play(days):
        assert finding.at_s >= last_s
        last_s = finding.at_s
        assert finding.onset_s <= finding.at_s
        assert (finding.end_s is not None) == (finding.change is Change.CLEARED)
        if finding.end_s is not None:
            assert finding.onset_s <= finding.end_s <= finding.at_s
        assert finding.detail["cause"] == "clear" or finding.detail["or"] in list(KIND_CLASS)
        assert all(
            math.isfinite(value) for value in finding.detail.values() if isinstance(value, float)
        )
        key = (finding.kind, finding.subject)
        if finding.change is Change.RAISED:
            assert key not in open_now
            open_now.add(key)
        elif finding.change is Change.REVISED:
            was = (finding.was_kind or finding.kind, finding.subject)
            assert was in open_now
            open_now.discard(was)
            open_now.add(key)
        else:
            assert key in open_now
            open_now.discard(key)


@settings(max_examples=12, deadline=None)
@given(st.lists(stretches, min_size=1, max_size=4))
def test_the_same_input_gives_the_same_findings(days: list[Stretch]) -> None:
    assert play(days) == play(days)


@settings(max_examples=12, deadline=None)
@given(st.lists(stretches, min_size=1, max_size=4), st.sampled_from([-600.0, 86400.0]))
def test_only_differences_of_time_matter(days: list[Stretch], start_s: float) -> None:
    there = [(f.kind, f.change, f.at_s, round(f.onset_s, 3)) for f in play(days)]
    here = [
        (f.kind, f.change, f.at_s - start_s, round(f.onset_s - start_s, 3))
        for f in play(days, start_s=start_s)
    ]
    assert there == here


@settings(max_examples=12, deadline=None)
@given(st.lists(stretches, min_size=2, max_size=4))
def test_what_comes_later_changes_nothing_before(days: list[Stretch]) -> None:
    whole, part = play(days), play(days[:-1])
    assert whole[: len(part)] == part


@pytest.mark.parametrize("gap_s", [31.0, 4000.0, 90000.0])
def test_a_pause_of_the_watch_makes_no_fall(gap_s: float) -> None:
    watch = ThermalWatch(ThermalPlan((SensorPlan("top", Place.CHAMBER),)))
    found: list[Finding] = []
    t_s = 0.0
    for level_c in (45.0, 38.0):
        for second in range(900):
            watch.take(Reading("top", t_s, level_c + 0.0625 * (second % 2)))
            found.extend(watch.tick(t_s, ThermalContext()).findings)
            t_s += 1.0
        t_s += gap_s
    assert [f.kind for f in found if f.kind in (Kind.DOOR_OPEN, Kind.DRAFT, Kind.HEAT_LOST)] == []


def test_ticks_that_are_not_later_give_nothing() -> None:
    watch = ThermalWatch(PLAN)
    watch.tick(10.0, ThermalContext())
    assert watch.tick(10.0, ThermalContext()).findings == ()
    assert watch.tick(5.0, ThermalContext()).findings == ()


def test_unknown_sensors_are_passed_over() -> None:
    watch = ThermalWatch(PLAN)
    watch.take(Reading("elsewhere", 0.0, 900.0))
    result = watch.tick(0.0, ThermalContext())
    assert result.findings == () and result.signs == ()


def test_view_shows_what_is_known() -> None:
    watch = ThermalWatch(PLAN)
    assert watch.view().phase is Phase.UNKNOWN
    for t_s in range(300):
        watch.take(Reading("top", float(t_s), 24.0 + 0.0625 * (t_s % 2)))
        watch.take(Reading("low", float(t_s), None, ReadingFault.OPEN_CIRCUIT, "wire is off"))
        watch.take(Reading("room", float(t_s), 21.0))
        watch.tick(float(t_s), ThermalContext())
    view = watch.view()
    assert view.phase is Phase.COLD
    assert view.air_c == pytest.approx(24.0, abs=0.1)
    assert (view.room_c, view.room_estimated) == (21.0, False)
    by_name = {sensor.name: sensor for sensor in view.sensors}
    assert by_name["low"].temperature_c is None
    assert by_name["low"].fault == "wire is off"
    assert by_name["bed"].fault == "gives no readings"


def test_without_a_room_sensor_the_coldest_air_stands_for_the_room() -> None:
    watch = ThermalWatch(ThermalPlan((SensorPlan("top", Place.CHAMBER),)))
    for t_s in range(600):
        watch.take(Reading("top", float(t_s), 19.0 + t_s * 0.02))
        watch.tick(float(t_s), ThermalContext())
    view = watch.view()
    assert view.room_estimated
    assert view.room_c == pytest.approx(19.0, abs=0.2)
