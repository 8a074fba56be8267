"""The heat of a fire: which readings make which sign, how soon, and what doesn't."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.errors import ReadingFault
from stillair.model import Change, Finding, Kind, Place, Reading, Sign
from stillair.thermal.heat import CALM_S, CLASSES, COOLED_S, HeatPath, static_response
from stillair.thermal.plan import SensorPlan, ThermalPlan

Curve = Callable[[float], float | None]


def run(
    *curves: Curve,
    place: Place = Place.CHAMBER,
    limit_c: float = 80.0,
    own_limit_c: float | None = None,
    step_s: int = 1,
    until_s: int = 1200,
) -> tuple[list[Finding], list[Sign]]:
    """Ticks from 0; curve number n is the sensor "sn", None a decoded fault."""
    names = [f"s{index}" for index in range(len(curves))]
    path = HeatPath(
        ThermalPlan(tuple(SensorPlan(n, place, own_limit_c) for n in names), limit_c=limit_c)
    )
    findings: list[Finding] = []
    signs: list[Sign] = []
    for t_s in range(until_s):
        if t_s % step_s == 0:
            for name, curve in zip(names, curves, strict=True):
                value = curve(float(t_s))
                fault = ReadingFault.OPEN_CIRCUIT if value is None else None
                path.take(Reading(name, float(t_s), value, fault))
        found, seen = path.tick(float(t_s))
        findings.extend(found)
        signs.extend(seen)
    return findings, signs


def first(findings: list[Finding], kind: Kind) -> float | None:
    times = [f.at_s for f in findings if f.kind is kind and f.change is Change.RAISED]
    return times[0] if times else None


def ramp(rate_k_per_min: float, start_s: float = 300.0, base_c: float = 25.0) -> Curve:
    return lambda t_s: base_c + max(0.0, t_s - start_s) * rate_k_per_min / 60.0


@pytest.mark.parametrize(
    ("limit_c", "name", "least_c"),
    [
        pytest.param(45.0, "A1", 54.0, id="45: A1 bears 50"),
        pytest.param(50.0, "A1", 54.0, id="50 is still A1"),
        pytest.param(60.0, "B", 69.0, id="60: B bears 65"),
        pytest.param(80.0, "C", 84.0, id="80: C"),
        pytest.param(81.0, "D", 99.0, id="81: D"),
        pytest.param(140.0, "G", 144.0, id="140: G"),
        pytest.param(150.0, "G", 154.0, id="beyond the table: 4 K above the limit"),
    ],
)
def test_class_follows_from_the_limit(limit_c: float, name: str, least_c: float) -> None:
    assert static_response(limit_c) == (name, least_c)


def test_no_class_responds_below_what_it_is_applied_to() -> None:
    for _, application_c, least_c, most_c in CLASSES:
        assert application_c < least_c < most_c


@pytest.mark.parametrize(
    ("curve", "raised_s"),
    [
        pytest.param(ramp(3.0), None, id="warming"),
        pytest.param(ramp(13.0), None, id="a strong heater, 13 K/min, for three minutes"),
        pytest.param(ramp(24.0), 420, id="24 K/min: 45 K after 112 s"),
        pytest.param(ramp(33.0), 357, id="33 K/min: class 2, 30 K after 55 s, held for 3 s"),
        pytest.param(ramp(60.0), 332, id="60 K/min: 30 K after 30 s, held for 3 s"),
        pytest.param(ramp(180.0), 309, id="too fast for anything else: 20 K, held for 3 s"),
        pytest.param(lambda t: 25.0 if t < 300 else 90.0, 302, id="a flame at the sensor: 3 s"),
        pytest.param(lambda t: 90.0 if t == 300 else 25.0, None, id="a spike of one second"),
        pytest.param(lambda t: 90.0 if 300 <= t < 302 else 25.0, None, id="of two seconds"),
        pytest.param(lambda t: -4.0 if 300 <= t < 302 else 25.0, None, id="of two seconds, down"),
    ],
)
def test_rapid_rise_of_one_sensor(curve: Curve, raised_s: int | None) -> None:
    findings, _ = run(curve, until_s=480)
    at_s = first(findings, Kind.RAPID_RISE)
    if raised_s is None:
        assert at_s is None
    else:
        assert at_s == pytest.approx(raised_s, abs=1.0)


def test_ten_kelvin_a_minute_for_four_and_a_half_minutes() -> None:
    findings, _ = run(ramp(11.0), until_s=700)
    assert first(findings, Kind.RAPID_RISE) == pytest.approx(300 + 270, abs=25)
    assert findings[0].detail["rule"] == "long_rise"


def test_a_rise_is_not_over_because_its_sensor_has_burnt() -> None:
    """It ends when a sensor that felt it says so, and no sooner."""

    def rises(t_s: float) -> float | None:
        risen_c = 25.0 + 1.5 * max(0.0, min(t_s, 330.0) - 300.0)
        return None if 335.0 <= t_s < 900.0 else risen_c

    findings, _ = run(rises, lambda _: 25.0, until_s=1200)
    assert first(findings, Kind.RAPID_RISE) is not None
    (over,) = [f for f in findings if f.change is Change.CLEARED]
    assert (over.kind, over.sensors) == (Kind.RAPID_RISE, ("s0",))
    assert over.at_s == pytest.approx(903.0, abs=2.0)


@pytest.mark.parametrize(
    ("gap_s", "excused"),
    [
        pytest.param(300, True, id="five minutes: a door may have been shut"),
        pytest.param(5 * 3600, False, id="five hours"),
    ],
)
def test_what_was_held_before_a_gap_excuses_a_rise_for_half_an_hour(
    gap_s: int, excused: bool
) -> None:
    """Held within half an hour is a time, however few readings came in it."""

    def told_s(held_c: float) -> float | None:
        path = HeatPath(ThermalPlan((SensorPlan("top", Place.CHAMBER),)))
        findings = []
        for t_s in range(-gap_s - 3600, 600):
            air_c = held_c if t_s < -gap_s else 45.0 + 0.02 * max(0.0, t_s - 300.0) ** 2
            if not -gap_s <= t_s < 0:
                path.take(Reading("top", float(t_s), air_c))
            findings += path.tick(float(t_s))[0]
        return first(findings, Kind.RAPID_RISE)

    cold_s, warm_s = told_s(45.0), told_s(75.0)
    assert cold_s is not None
    assert warm_s is not None
    assert (warm_s > cold_s) is excused


class Sensor:
    """A curve as a sensor shows it: first-order lag, noise, resolution, its reading period."""

    def __init__(
        self,
        air: Callable[[float], float],
        *,
        tau_s: float,
        noise_k: float = 0.0,
        step_k: float = 0.0625,
        seed: int = 1,
    ) -> None:
        rng = random.Random(seed)
        felt_c = air(0.0)
        self._shown: list[float] = []
        for tenth in range(12_000):
            if tenth % 10 == 0:
                shown_c = felt_c + rng.gauss(0.0, noise_k)
                self._shown.append(round(shown_c / step_k) * step_k)
            felt_c += (air(tenth / 10.0) - felt_c) * 0.1 / tau_s

    def __call__(self, t_s: float) -> float:
        return self._shown[int(t_s)]

    def reaches_s(self, level_c: float, step_s: int) -> int:
        return next(t for t in range(0, 1200, step_s) if self._shown[t] >= level_c)


def fire_air(
    alpha_w: float, air_w_per_k: float, *, base_c: float = 52.0
) -> Callable[[float], float]:
    """Air of 0.2 m3 (240 J/K) with a fire of alpha t^2 W from second 600 on, in closed form."""
    tau_s = 240.0 / air_w_per_k

    def air(t_s: float) -> float:
        t_s = max(0.0, t_s - 600.0)
        quasi = t_s * t_s - 2.0 * tau_s * t_s + 2.0 * tau_s * tau_s * -math.expm1(-t_s / tau_s)
        return base_c + 0.7 * alpha_w / air_w_per_k * quasi

    return air


GROWTHS = {"slow": 600.0, "medium": 300.0, "fast": 150.0}


@pytest.mark.parametrize("growth", GROWTHS)
@pytest.mark.parametrize("tau_s", [3.0, 6.0])
@pytest.mark.parametrize("base_c", [30.0, 55.0])
def test_fire_is_told_by_a_thermocouple_before_the_air_is_at_the_static_response(
    growth: str, tau_s: float, base_c: float
) -> None:
    air = fire_air(1055e3 / GROWTHS[growth] ** 2, 15.0, base_c=base_c)
    findings, _ = run(Sensor(air, tau_s=tau_s, noise_k=0.1, step_k=0.25))
    at_s = first(findings, Kind.RAPID_RISE)
    assert at_s is not None and at_s > 600.0
    assert air(at_s) < 84.0


@pytest.mark.parametrize("growth", GROWTHS)
@pytest.mark.parametrize(("tau_s", "step_s"), [(12.0, 1), (30.0, 2), (60.0, 3), (45.0, 5)])
def test_fire_is_told_by_a_slow_sensor_before_it_shows_the_static_response(
    growth: str, tau_s: float, step_s: int
) -> None:
    air = fire_air(1055e3 / GROWTHS[growth] ** 2, 15.0)
    sensor = Sensor(air, tau_s=tau_s, noise_k=0.03)
    findings, _ = run(sensor, step_s=step_s)
    at_s = first(findings, Kind.RAPID_RISE)
    assert at_s is not None
    assert 600.0 < at_s < sensor.reaches_s(84.0, step_s)


@pytest.mark.parametrize("tau_s", [3.0, 6.0, 20.0])
@pytest.mark.parametrize("air_s", [5.0, 12.0, 30.0])
@pytest.mark.parametrize("beyond_k", [0.0, 4.0])
def test_what_comes_back_when_a_strong_stirred_box_is_shut_is_no_rise(
    tau_s: float, air_s: float, beyond_k: float
) -> None:
    """From 52 degrees to 30 and back within half a minute, even somewhat warmer than before."""

    def air(t_s: float) -> float:
        if t_s < 600.0:
            return 52.0
        if t_s < 720.0:
            return 30.0 + 22.0 * math.exp((600.0 - t_s) / 15.0)
        return 30.0 + (22.0 + beyond_k) * -math.expm1((720.0 - t_s) / air_s)

    findings, signs = run(Sensor(air, tau_s=tau_s, noise_k=0.1))
    assert findings == [] and signs == []


def test_a_heater_that_warms_a_cold_box_by_half_a_kelvin_a_second_is_no_rise() -> None:
    findings, _ = run(
        Sensor(lambda t: 13.0 + 28.0 * -math.expm1(min(0.0, 300.0 - t) / 50.0), tau_s=5.0)
    )
    assert findings == []


@pytest.mark.parametrize("tau_s", [5.0, 20.0, 60.0])
def test_a_strong_heater_behind_its_own_lag_is_no_rise(tau_s: float) -> None:
    """20 K/min, half as much again as the strongest that was measured, to 35 K above the room."""

    def air(t_s: float) -> float:
        t_s = max(0.0, t_s - 300.0)
        return 15.0 + min(35.0, (t_s + 60.0 * math.expm1(-t_s / 60.0)) / 3.0)

    assert run(Sensor(air, tau_s=tau_s, noise_k=0.03))[0] == []


def test_steam_near_a_sensor_read_every_five_seconds_is_no_rise() -> None:
    shown = (28.4, 36.4, 41.5, 45.5, 49.9, 54.1, 56.6, 51.6, 47.1, 43.2, 40.4, 38.4, 36.8, 35.4)

    def curve(t_s: float) -> float:
        return shown[min(max(0, int(t_s - 600.0) // 5), len(shown) - 1)]

    assert run(curve, step_s=5)[0] == []


@pytest.mark.parametrize("step_s", [1, 2, 5])
@pytest.mark.parametrize(
    "spike", [(30.0, 30.0), (8.0, 30.0), (1.0, 4.0), (-30.0, -30.0), (9.0, 0.0)]
)
def test_two_false_readings_of_a_slow_sensor_are_nothing(
    step_s: int, spike: tuple[float, float]
) -> None:
    """Also where it warms up and another sensor rises at the time."""

    def warming(t_s: float) -> float:
        return 25.0 + 0.06 * t_s

    def curve(t_s: float) -> float:
        number = (t_s - 300.0) / step_s
        return warming(t_s) + (spike[0] if number == 0 else spike[1] if number == 1 else 0.0)

    assert run(curve, warming, step_s=step_s, until_s=800)[0] == []


@pytest.mark.parametrize("size_k", [3.0, 8.0, 20.0, 60.0])
@pytest.mark.parametrize("step_s", [1, 3, 5])
def test_no_spike_makes_a_fire_of_a_return(size_k: float, step_s: int) -> None:
    """Where every sensor rises, and faster from second to second, a spike is still a spike."""

    def air(t_s: float) -> float:
        return 45.0 if t_s < 100.0 else 30.0 if t_s < 160.0 else 47.0 - 17.0 * math.exp(
            (160.0 - t_s) / 15.0
        )  # fmt: skip

    sound = Sensor(air, tau_s=6.0, noise_k=0.1)
    for at_s in range(158, 190):
        for length in (1, 2):

            def curve(t_s: float, at_s: int = at_s, length: int = length) -> float:
                hit = 0.0 <= t_s - at_s < length * step_s
                return sound(t_s) + (size_k if hit else 0.0)

            assert run(curve, step_s=step_s, until_s=210)[0] == []


def test_two_false_readings_that_grow_out_of_noise_are_nothing() -> None:
    for seed in range(40):
        sound = Sensor(lambda _: 50.0, tau_s=4.0, noise_k=0.2, step_k=0.25, seed=seed)
        for at_s in range(60, 100, 10):
            false = {at_s: 8.0, at_s + 1: 20.0}

            def curve(t_s: float, sound: Sensor = sound, false: dict[int, float] = false) -> float:
                return sound(t_s) + false.get(int(t_s), 0.0)

            assert run(curve, until_s=105)[0] == []


@pytest.mark.parametrize("false_k", [-30.0, 6.0, 30.0])
@pytest.mark.parametrize("at_s", range(304, 384, 5))
def test_false_readings_make_no_fire_of_a_heaters_rise(at_s: int, false_k: float) -> None:
    """20 K in a minute, slackening, is none, nor with two readings below or above it."""

    def curve(t_s: float) -> float:
        extra_k = false_k if at_s <= t_s < at_s + 2 else 0.0
        return 45.0 + 34.0 * -math.expm1(min(0.0, 300.0 - t_s) / 60.0) + extra_k

    assert run(curve, until_s=450)[0] == []


def test_a_small_box_that_is_warm_in_five_minutes_is_no_long_rise() -> None:
    """47 K in 4.5 minutes, the first of them the fastest."""
    findings, _ = run(lambda t: 15.0 + 55.0 * -math.expm1(min(0.0, 300.0 - t) / 140.0))
    assert findings == []


def test_growth_that_slackens_is_no_growing_rise() -> None:
    """As a sensor saw it in a stirred box after its door was shut."""
    seconds = (0, 540, 570, 600, 630, 660, 675, 690, 705, 720, 900, 1200)
    shown_c = (45.0, 45.0, 34.0, 34.0, 34.2, 34.5, 36.5, 41.2, 47.5, 49.8, 50.5, 50.5)
    bends = list(zip(seconds, shown_c, strict=True))

    def curve(t_s: float) -> float:
        (a_s, a_c), (b_s, b_c) = next(
            pair for pair in pairwise(bends) if pair[0][0] <= t_s <= pair[1][0]
        )
        return a_c + (b_c - a_c) * (t_s - a_s) / (b_s - a_s)

    assert run(curve)[0] == []


def test_a_dip_that_swings_beyond_where_it_came_from_is_no_rise() -> None:
    """A disturbed thermocouple in a recording of a room before its fire."""
    shown = (22.9, 22.9, 19.4, 20.4, 22.5, 25.2, 24.6, 23.6, 23.3, 23.6, 23.3)
    findings, _ = run(lambda t: 30.0 + shown[min(max(0, int(t) - 300), len(shown) - 1)])
    assert findings == []


def test_growth_counts_by_the_time_between_readings() -> None:
    """Steady warming, asked at uneven seconds: no reading comes faster than the one before."""

    def curve(t_s: float) -> float:
        return 45.0 + 1.9 * max(0.0, t_s - 300.0)

    path = HeatPath(ThermalPlan((SensorPlan("s", Place.CHAMBER),)))
    told: list[Finding] = []
    for t_s in (*range(280, 300), 301, 302, 304, 307, 308):
        path.take(Reading("s", float(t_s), curve(float(t_s))))
        told.extend(path.tick(float(t_s))[0])
    assert all(f.detail["rule"] != "quickening_rise" for f in told)


def test_a_return_after_a_shut_door_is_none() -> None:
    def curve(t_s: float) -> float:
        if t_s < 600 or t_s >= 720:
            return 60.0
        return 30.0 if t_s < 630 else 30.0 + 20.0 * (t_s - 630) / 60.0

    assert first(run(curve)[0], Kind.RAPID_RISE) is None


def test_fire_after_a_shut_door_is_told_all_the_same() -> None:
    def curve(t_s: float) -> float:
        if t_s < 600:
            return 60.0
        return 30.0 if t_s < 630 else 30.0 + (t_s - 630) * 1.0

    findings, signs = run(curve)
    at_s = first(findings, Kind.RAPID_RISE)
    assert at_s is not None and at_s <= 630 + 35
    assert any(sign.lasting for sign in signs)


@pytest.mark.parametrize(
    ("growth", "latest_c"),
    [
        pytest.param(2.0e-4, 60.0, id="slowly growing: told within 20 K"),
        pytest.param(1.0e-3, 62.0, id="faster: within 22 K"),
    ],
)
def test_a_fire_that_grows_as_t_squared(growth: float, latest_c: float) -> None:
    def curve(t_s: float) -> float:
        return 40.0 + growth * max(0.0, t_s - 600.0) ** 2 * 0.8

    findings, _ = run(curve, until_s=2400)
    at_s = first(findings, Kind.RAPID_RISE)
    assert at_s is not None
    assert curve(at_s) < latest_c


@pytest.mark.parametrize(
    ("top_c", "lasting", "over"),
    [
        pytest.param(79.9, False, False, id="below the limit"),
        pytest.param(81.0, False, True, id="above the limit only"),
        pytest.param(83.9, False, True, id="just below class C's least response"),
        pytest.param(84.1, True, True, id="at it"),
    ],
)
def test_static_response_and_high_limit(top_c: float, lasting: bool, over: bool) -> None:
    findings, signs = run(lambda t: min(top_c, 20.0 + t * 0.08))
    assert any(sign.lasting for sign in signs) is lasting
    assert (first(findings, Kind.OVER_TEMPERATURE) is not None) is over


@pytest.mark.parametrize("step_s", [1, 2, 10, 30])
def test_over_temperature_ends_however_seldom_the_sensor_is_read(step_s: int) -> None:
    findings, _ = run(
        lambda t: 82.0 if 300 <= t < 600 else 60.0, step_s=step_s, until_s=600 + 5 * step_s + 60
    )
    told = [f.change for f in findings if f.kind is Kind.OVER_TEMPERATURE]
    assert told == [Change.RAISED, Change.CLEARED]


def test_over_temperature_ends_below_its_deadband() -> None:
    findings, _ = run(lambda t: 82.0 if 100 <= t < 200 else 79.5 if 200 <= t < 400 else 70.0)
    raised, cleared = findings
    assert (raised.kind, raised.at_s) == (Kind.OVER_TEMPERATURE, 102)
    assert raised.onset_s == pytest.approx(100, abs=1)
    assert cleared.change is Change.CLEARED
    assert cleared.at_s == 430


def silenced(kind: Kind, back_s: float = math.inf) -> tuple[HeatPath, list[Finding]]:
    """Two sensors of which the upper one gets hot and is silent from 600 s on, or until then."""
    path = HeatPath(
        ThermalPlan((SensorPlan("top", Place.CHAMBER), SensorPlan("low", Place.CHAMBER)))
    )
    found: list[Finding] = []
    for t_s in range(4000):
        hot_c = 82.0 if kind is Kind.OVER_TEMPERATURE else 45.0 + max(0.0, t_s - 560.0)
        if t_s < 600 or t_s >= back_s:
            path.take(Reading("top", float(t_s), hot_c if 100 <= t_s < 600 else 45.0))
        path.take(Reading("low", float(t_s), 30.0))
        found += [f for f in path.tick(float(t_s))[0] if f.kind is kind and f.at_s > 500]
    return path, found


@pytest.mark.parametrize("kind", [Kind.OVER_TEMPERATURE, Kind.RAPID_RISE])
def test_heat_where_a_sensor_fell_silent_stands_until_somebody_says_that_it_is_over(
    kind: Kind,
) -> None:
    path, found = silenced(kind)
    assert found[-1].change is Change.REVISED
    assert found[-1].detail["blind"] is True
    assert found[-1].at_s == pytest.approx(600 + CALM_S, abs=2.0)
    assert sum("blind" in f.detail for f in found) == 1
    (over,) = path.said_over(kind, "", 4000.0, "somebody said so")
    assert (over.change, over.detail["ended"]) == (Change.CLEARED, "somebody said so")
    assert over.end_s is not None and over.end_s < 601.0
    assert "blind" not in over.detail
    assert path.tick(4001.0)[0] == []


@pytest.mark.parametrize("kind", [Kind.OVER_TEMPERATURE, Kind.RAPID_RISE])
def test_heat_where_a_sensor_fell_silent_is_over_once_it_is_heard_again(kind: Kind) -> None:
    path, found = silenced(kind, 2000.0)
    assert [f.change for f in found][-2:] == [Change.REVISED, Change.CLEARED]
    assert 2000.0 <= found[-1].at_s <= 2000.0 + COOLED_S + 5.0
    assert list(path.said_over(kind, "", 4000.0, "somebody said so")) == []


def test_heat_that_is_seen_can_not_be_said_to_be_over() -> None:
    path = HeatPath(ThermalPlan((SensorPlan("board", Place.ELECTRONICS, 60.0),)))

    def said_over(t_s: float) -> list[Finding]:
        return list(path.said_over(Kind.OVER_TEMPERATURE, "board", t_s, "somebody said so"))

    for t_s in range(500):
        if t_s < 300:
            path.take(Reading("board", float(t_s), 66.0))
        path.tick(float(t_s))
        assert t_s >= 300 or not said_over(t_s)
    assert [f.subject for f in said_over(500.0)] == ["board"]


def test_what_is_hot_again_is_no_longer_blind() -> None:
    findings, _ = run(lambda t: 82.0 if t < 300 or t >= 900 else None)
    assert [(f.change, "blind" in f.detail) for f in findings] == [
        (Change.RAISED, False),
        (Change.REVISED, True),
        (Change.REVISED, False),
    ]


def test_a_sensor_that_died_hot_before_holds_no_later_heat() -> None:
    hot_s = {"top": range(300), "low": range(2000, 2300)}
    path = HeatPath(
        ThermalPlan((SensorPlan("top", Place.CHAMBER), SensorPlan("low", Place.CHAMBER)))
    )
    told: list[Finding] = []
    for t_s in range(2600):
        for name, hot in hot_s.items():
            if name == "low" or t_s in hot:
                path.take(Reading(name, float(t_s), 82.0 if t_s in hot else 30.0))
        if t_s == 1000:
            told += path.said_over(Kind.OVER_TEMPERATURE, "", 1000.0, "somebody said so")
        told += [f for f in path.tick(float(t_s))[0] if f.kind is Kind.OVER_TEMPERATURE]
    assert [f.change for f in told if f.at_s >= 1000.0] == [
        Change.CLEARED,
        Change.RAISED,
        Change.CLEARED,
    ]


@pytest.mark.parametrize("value_c", [85.0, 127.94, 127.9375])
def test_placeholders_far_from_what_was_are_no_heat(value_c: float) -> None:
    findings, signs = run(lambda t: value_c if 300 <= t < 340 else 25.0 + 0.01 * (t % 3))
    assert findings == [] and signs == []


def test_what_was_hot_hours_ago_makes_no_power_on_value_likely() -> None:
    path = HeatPath(ThermalPlan((SensorPlan("top", Place.CHAMBER),)))
    told: list[object] = []
    for t_s in range(8000):
        if t_s < 600 or t_s >= 7800:
            path.take(Reading("top", float(t_s), 85.0 if t_s >= 7800 else 79.8 + 0.005 * t_s))
        _, signs = path.tick(float(t_s))
        told += signs if t_s >= 600 else []
    assert told == []


@pytest.mark.parametrize("step_s", [1, 30, 300])
def test_85_counts_where_the_sensor_was_near_it_just_before(step_s: int) -> None:
    _, signs = run(lambda t: 83.5 if t < 3000 else 85.0, step_s=step_s, until_s=4500)
    assert {sign.name for sign in signs} >= {"static_response"}


def test_true_85_on_the_way_up_counts() -> None:
    _, signs = run(lambda t: 85.0 if 700 <= t < 720 else 25.0 + 0.0855 * t, until_s=720)
    assert {sign.name for sign in signs} >= {"static_response"}


def test_false_values_beside_decoded_faults_are_no_heat() -> None:
    """As in a badly earthed thermocouple: up to three false values before and after a fault."""

    def curve(t_s: float) -> float | None:
        beat = t_s % 20
        if beat == 10:
            return None
        return 228.0 if 7 <= beat <= 13 and t_s > 30 else 25.0

    findings, signs = run(curve)
    assert findings == [] and signs == []


def test_fire_at_a_sensor_that_had_faults_takes_two_seconds_more() -> None:
    findings, _ = run(lambda t: None if t == 200 else 25.0 if t < 300 else 200.0)
    assert first(findings, Kind.RAPID_RISE) == 304


def test_a_hot_bed_is_no_hot_air() -> None:
    findings, signs = run(lambda t: 25.0 if t < 300 else 110.0, place=Place.BED)
    assert findings == [] and signs == []


def test_electronics_have_their_own_limit() -> None:
    findings, _ = run(lambda _: 72.0, place=Place.ELECTRONICS, own_limit_c=65.0)
    assert [(f.kind, f.subject) for f in findings] == [(Kind.OVER_TEMPERATURE, "s0")]


def test_sensor_read_every_thirty_seconds_still_tells_fire() -> None:
    _, signs = run(lambda t: 25.0 if t < 300 else 200.0, step_s=30)
    times = [sign.t_s for sign in signs if sign.lasting]
    assert times and times[0] <= 330


@given(st.lists(st.floats(-100.0, 1500.0), min_size=5, max_size=60), st.integers(1, 20))
def test_a_sensor_held_above_everything_is_always_told(values: list[float], step_s: int) -> None:
    """Whatever came before, three good readings at the static response make the sign."""
    path = HeatPath(ThermalPlan((SensorPlan("s", Place.CHAMBER),)))
    t_s = 0.0
    for value in values:
        path.take(Reading("s", t_s, value))
        path.tick(t_s)
        t_s += step_s
    signs: list[Sign] = []
    for _ in range(9):  # three may be refused after a fault, five are needed then
        path.take(Reading("s", t_s, 200.0))
        signs.extend(path.tick(t_s)[1])
        t_s += step_s
    assert any(sign.lasting for sign in signs)


def test_over_temperature_is_told_anew_every_five_degrees() -> None:
    findings, _ = run(lambda t: 79.0 + 0.02 * max(0.0, t - 100.0), until_s=1200)
    told = [f for f in findings if f.kind is Kind.OVER_TEMPERATURE]
    assert [f.change for f in told] == [Change.RAISED] + [Change.REVISED] * 4
    figures = [f.detail["temperature_c"] for f in told]
    assert figures == pytest.approx([80.0, 85.0, 90.0, 95.0, 100.0], abs=0.2)


def test_a_rise_that_goes_on_is_told_anew() -> None:
    findings, _ = run(lambda t: 50.0 + max(0.0, t - 300.0), until_s=345)
    told = [f for f in findings if f.kind is Kind.RAPID_RISE]
    assert [f.change for f in told] == [Change.RAISED] + [Change.REVISED] * (len(told) - 1)
    rises = [f.detail["rise_k"] for f in told if isinstance(f.detail["rise_k"], float)]
    assert len(rises) == len(told) >= 3
    assert all(after >= before + 5.0 for before, after in pairwise(rises))


@pytest.mark.parametrize("place", [Place.BED, Place.ELECTRONICS])
def test_what_is_too_hot_names_its_place(place: Place) -> None:
    findings, _ = run(lambda _: 72.0, place=place, own_limit_c=65.0)
    assert findings[0].detail["place"] == place.value
    chamber, _ = run(lambda t: 82.0 if t >= 100 else 70.0)
    assert "place" not in chamber[0].detail
