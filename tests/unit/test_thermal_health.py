"""Which readings are good, and in which words a bad sensor is told."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from stillair.errors import ReadingFault
from stillair.model import Change, Finding, Kind, Place, Priority, Reading
from stillair.thermal.core import ThermalWatch
from stillair.thermal.health import SensorHealth
from stillair.thermal.plan import SensorPlan, ThermalContext, ThermalPlan

Answer = float | ReadingFault | None  # None: no answer in this second
Curve = Callable[[int], Answer]


def reading(name: str, t_s: float, answer: float | ReadingFault) -> Reading:
    if isinstance(answer, ReadingFault):
        return Reading(name, t_s, None, answer)
    return Reading(name, t_s, answer)


def run(*curves: Curve, until_s: int = 600, correction_k: float = 0.0) -> list[Finding]:
    names = [f"s{index}" for index in range(len(curves))]
    plans = tuple(SensorPlan(n, Place.CHAMBER, correction_k=correction_k) for n in names)
    watch = ThermalWatch(ThermalPlan(plans))
    found: list[Finding] = []
    for t_s in range(until_s):
        for name, curve in zip(names, curves, strict=True):
            answer = curve(t_s)
            if answer is not None:
                watch.take(reading(name, float(t_s), answer))
        found.extend(watch.tick(float(t_s), ThermalContext()).findings)
    return found


def faults(found: list[Finding]) -> list[tuple[str, str, object, float]]:
    return [
        (f.subject, f.change.value, f.detail["fault"], f.at_s)
        for f in found
        if f.kind is Kind.SENSOR_FAULT
    ]


def fine(t_s: int) -> float:
    return 25.0 + 0.0625 * (t_s % 2)


@pytest.mark.parametrize(
    ("curve", "word", "at_s"),
    [
        pytest.param(
            lambda t: ReadingFault.OPEN_CIRCUIT if t >= 100 else fine(t),
            "open_circuit",
            101,
            id="open circuit: at the second bad reading",
        ),
        pytest.param(lambda t: 85.0 if t >= 100 else fine(t), "not_converted", 101, id="85.0"),
        pytest.param(lambda t: 127.94 if t >= 100 else fine(t), "not_converted", 101, id="127.94"),
        pytest.param(lambda t: -127.0 if t >= 100 else fine(t), "out_of_range", 101, id="-127"),
        pytest.param(lambda t: None if t >= 100 else fine(t), "silent", 129, id="no answers"),
        pytest.param(lambda _: None, "silent", 30, id="never heard"),
        pytest.param(lambda _: 85.0, "not_converted", 1, id="85.0 from the first"),
    ],
)
def test_fault_is_told(curve: Curve, word: str, at_s: float) -> None:
    (told,) = faults(run(fine, curve))
    assert told == ("s1", "raised", word, at_s)


@pytest.mark.parametrize(
    "curve",
    [
        pytest.param(
            lambda t: ReadingFault.BAD_CHECKSUM if t == 100 else fine(t), id="one bad CRC"
        ),
        pytest.param(lambda t: 85.0 if t == 100 else fine(t), id="one power-on value"),
        pytest.param(lambda t: 60.0 if t == 100 else fine(t), id="one spike"),
        pytest.param(lambda t: 60.0 if 100 <= t < 102 else fine(t), id="a spike of two"),
        pytest.param(lambda t: None if 100 <= t < 129 else fine(t), id="29 s of silence"),
        pytest.param(lambda _: 25.0, id="still air, the same value for ten minutes"),
    ],
)
def test_a_trifle_is_no_event_of_any_kind(curve: Curve) -> None:
    assert run(fine, curve) == []


def test_spikes_again_and_again_are_a_fault() -> None:
    told = faults(run(fine, lambda t: 60.0 if t in (100, 150, 200) else fine(t), until_s=300))
    assert told[0][:3] == ("s1", "raised", "jumps")


def test_fault_is_over_when_readings_are_good_again() -> None:
    found = run(fine, lambda t: ReadingFault.OPEN_CIRCUIT if 100 <= t < 150 else fine(t))
    raised, cleared = found
    assert (raised.onset_s, raised.at_s) == (100, 101)
    assert (cleared.change, cleared.end_s, cleared.at_s) == (Change.CLEARED, 150, 180)


def test_a_corrected_power_on_value_is_known() -> None:
    found = run(lambda t: 84.7 if t >= 100 else fine(t), correction_k=-0.3)
    assert [f.kind for f in found] == [Kind.SENSOR_FAULT]


def test_the_last_good_sensor_of_the_air_is_urgent() -> None:
    found = run(
        lambda t: ReadingFault.OPEN_CIRCUIT if t >= 100 else fine(t),
        lambda t: ReadingFault.VANISHED if t >= 200 else fine(t),
    )
    assert [(f.at_s, f.subject, f.priority) for f in found] == [
        (101, "s0", Priority.MEDIUM),
        (201, "s0", Priority.HIGH),
        (201, "s1", Priority.HIGH),
    ]


def test_a_stuck_sensor_is_told_where_the_air_moves() -> None:
    def moving(t_s: int) -> float:
        return 25.0 + max(0, t_s - 300) * 0.02

    found = run(moving, lambda t: moving(min(t, 350)))
    told = [f for f in faults(found) if f[1] == "raised"]
    assert told[0][:3] == ("s1", "raised", "stuck")
    assert told[0][3] <= 350 + 180


def test_slow_sensor_may_be_silent_for_three_intervals() -> None:
    found = run(lambda t: fine(t) if t % 20 == 0 and t <= 400 else None, until_s=600)
    (told,) = faults(found)
    assert told[2:] == ("silent", 461)


@pytest.mark.parametrize(
    ("step_s", "usual_s"), [pytest.param(s, s, id=f"every {s} s") for s in (0.1, 1.0, 5.0, 30.0)]
)
def test_usual_interval_is_learned(step_s: float, usual_s: float) -> None:
    health = SensorHealth(SensorPlan("s", Place.CHAMBER))
    for index in range(20):
        health.take(Reading("s", index * step_s, 25.0))
    assert health.usual_s == pytest.approx(usual_s)


def test_readings_after_a_fault_are_not_used() -> None:
    health = SensorHealth(SensorPlan("s", Place.CHAMBER))
    answers: list[float | ReadingFault] = [25.0] * 60
    answers[17:24] = [28.0] * 7
    answers[20] = ReadingFault.OPEN_CIRCUIT
    samples: list[float | None] = []
    for t_s, answer in enumerate(answers):
        health.take(reading("s", float(t_s), answer))
        samples.append(health.tick(float(t_s)))
    assert 28.0 not in samples[20:]


def test_two_readings_at_one_time_are_one() -> None:
    health = SensorHealth(SensorPlan("s", Place.CHAMBER))
    health.take(Reading("s", 1.0, 25.0))
    health.take(Reading("s", 1.0, 99.0))
    health.take(Reading("s", 0.5, 99.0))
    assert health.tick(1.0) == 25.0


def test_a_single_sensor_that_stops_dead_while_warming_is_stuck() -> None:
    def moving(t_s: int) -> float:
        return round((25.0 + t_s * 0.02) * 16.0) / 16.0

    (told,) = faults(run(lambda t: moving(min(t, 350))))
    assert told[:3] == ("s0", "raised", "stuck")
    assert told[3] <= 350 + 180


@pytest.mark.parametrize("apart_s", [0, 25])
@pytest.mark.parametrize("count", [2, 3])
def test_sensors_that_come_to_rest_together_are_not_stuck(count: int, apart_s: int) -> None:
    """A course without any noise, such as a simulation's: it climbs, and then it stands."""

    def clamped(later_s: int) -> Curve:
        return lambda t_s: round(22.0 + min(t_s, 600 + later_s) / 30.0, 4)

    curves = [clamped(apart_s * index) for index in range(count)]
    assert faults(run(*curves, until_s=1500)) == []


def test_a_sensor_that_stops_dead_beside_one_that_only_flickers_is_stuck() -> None:
    def climbing(t_s: int) -> float:
        return round((25.0 + t_s * 0.02) * 16.0) / 16.0

    def beside(t_s: int) -> float:
        return climbing(min(t_s, 350)) + 0.0625 * (t_s % 7 == 0)

    told = [f for f in faults(run(lambda t: climbing(min(t, 350)), beside)) if f[1] == "raised"]
    assert [f[:3] for f in told] == [("s0", "raised", "stuck")]
    assert told[0][3] <= 350 + 180


@pytest.mark.parametrize("tau_s", [60.0, 200.0, 900.0])
@pytest.mark.parametrize("rise_k", [4.0, 15.0, 40.0])
def test_a_single_sensor_that_comes_to_rest_is_not_stuck(tau_s: float, rise_k: float) -> None:
    def resting(t_s: int) -> float:
        return round((25.0 + rise_k * (1.0 - math.exp(-t_s / tau_s))) * 16.0) / 16.0

    assert faults(run(resting, until_s=3600)) == []


def test_a_stuck_sensor_that_moves_again_is_good_again() -> None:
    def moving(t_s: int) -> float:
        return 25.0 + max(0, t_s - 300) * 0.02

    found = run(moving, lambda t: moving(min(t, 350) if t < 700 else t), until_s=900)
    assert [f[1:3] for f in faults(found)] == [("raised", "stuck"), ("cleared", "stuck")]


@pytest.mark.parametrize("step_s", [0.1, 0.25, 1.0])
def test_a_spike_of_two_seconds_is_nothing_however_often_it_is_read(step_s: float) -> None:
    watch = ThermalWatch(ThermalPlan((SensorPlan("top", Place.CHAMBER),)))
    found: list[Finding] = []
    for index in range(int(300 / step_s)):
        t_s = index * step_s
        watch.take(Reading("top", t_s, 70.0 if 200.0 <= t_s < 201.9 else 25.0))
        if t_s == int(t_s):
            found.extend(watch.tick(t_s, ThermalContext()).findings)
    assert found == []


def test_a_stuck_sensor_is_found_though_the_others_are_read_in_other_seconds() -> None:
    """Two slow sensors, read every five seconds, never in the same one; a door opens."""

    def top(t_s: int) -> float | None:
        return (
            fine(t_s // 5) + 30.0 if t_s % 5 == 0 and t_s < 100 else 55.0 if not t_s % 5 else None
        )

    def low(t_s: int) -> float | None:
        fall_k = min(6.0, 0.1 * max(0, t_s - 110))
        return fine(t_s // 5) + 28.0 - fall_k if t_s % 5 == 2 else None

    (told,) = faults(run(top, low, until_s=300))
    assert told[:3] == ("s0", "raised", "stuck") and told[3] <= 100 + 180


def jumped(value_c: Callable[[int], float], until_s: int = 140) -> tuple[SensorHealth, list[float]]:
    """A sensor that is fine till 100 s, and what it takes as good from then on."""
    health = SensorHealth(SensorPlan("s0", Place.CHAMBER))
    good_c = []
    for t_s in range(until_s):
        health.take(
            reading("s0", float(t_s), 45.0 + fine(t_s) - 25.0 if t_s < 100 else value_c(t_s))
        )
        sample_c = health.tick(float(t_s))
        if t_s >= 100 and sample_c is not None:
            good_c.append(sample_c)
    return health, good_c


@pytest.mark.parametrize("value_c", [20.0, 102.0])
def test_a_value_that_jumps_and_then_stands_still_is_no_air(value_c: float) -> None:
    health, good_c = jumped(lambda _: value_c)
    assert good_c == []
    assert health.trouble is not None
    assert (health.trouble.word, health.trouble.since_s) == ("out_of_range", 102.0)
    assert "stands still" in health.trouble.reason


def test_it_is_told_within_four_seconds() -> None:
    found = run(lambda t: 15.0 if t >= 100 else fine(t) + 20.0, until_s=130)
    assert faults(found) == [("s0", "raised", "out_of_range", 103.0)]


def test_zeros_are_no_temperature_but_where_it_freezes() -> None:
    found = run(lambda t: 0.0 if t >= 100 else fine(t) + 20.0, until_s=130)
    assert faults(found) == [("s0", "raised", "unreadable", 101.0)]
    assert run(lambda t: 0.0625 * (t % 3 - 1), until_s=130) == []


def test_a_sensor_that_comes_back_from_zeros_makes_no_rise_of_it() -> None:
    def short(t_s: int) -> float:
        return 0.0 if 100 <= t_s < 160 else fine(t_s) + 20.0

    found = run(short, short, until_s=400)
    assert {f.kind for f in found} == {Kind.SENSOR_FAULT}
    assert [f.change for f in found] == [
        Change.RAISED,
        Change.RAISED,
        Change.CLEARED,
        Change.CLEARED,
    ]


def test_a_jump_that_goes_on_moving_is_believed() -> None:
    health, good_c = jumped(lambda t: 30.0 + 9.0 * math.exp(-(t - 100) / 4.0))
    assert health.trouble is None
    assert good_c[-1] == pytest.approx(30.0, abs=0.1)
