"""When fine particles in the air are a sign of smoke, and when they are the air's own."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.alarms.events import Events
from stillair.fire.particles import SETTLE_S, ParticleSigns, particles_subject
from stillair.model import Change, Kind, Particles, Sense, Sign

Course = Callable[[float], float]
HOUR_S = 3600


def signs(course: Course, *, until_s: int, from_s: int = 0, every_s: int = 1) -> list[Sign]:
    desk = ParticleSigns()
    found = []
    for t_s in range(from_s, until_s, every_s):
        sign = desk.take(Particles("exhaust", float(t_s), course(t_s)))
        if sign is not None:
            found.append(sign)
    return found


def first_told_s(course: Course, *, until_s: int) -> float | None:
    """When smoke would be told by this sensor alone."""
    return next((s.t_s for s in signs(course, until_s=until_s) if s.strength >= 0.5), None)


def ramp(per_min: float, *, from_s: float = 600.0, start: float = 12.0) -> Course:
    return lambda t_s: start + max(0.0, t_s - from_s) * per_min / 60.0


@pytest.mark.parametrize(
    ("course", "at_s"),
    [
        pytest.param(lambda _: 12.0, None, id="clean air"),
        pytest.param(lambda _: 45.0, None, id="a city's air"),
        pytest.param(lambda t: 12.0 if t < 600 else 400.0, 607.0, id="smoke: 8 of 15 s"),
        pytest.param(lambda t: 12.0 if t < 600 else 165.0, 607.0, id="150 more: just enough"),
        pytest.param(lambda t: 12.0 if t < 600 else 158.0, None, id="146 more: just too little"),
        pytest.param(lambda t: 400.0 if 600 <= t < 607 else 12.0, None, id="a puff of 7 s"),
        pytest.param(lambda _: 400.0, 30.0, id="it burns already at the start"),
        pytest.param(lambda _: 190.0, None, id="a dusty room at the start: 140 above 50"),
        pytest.param(ramp(1.5), None, id="a job's fumes, 1.5 a minute for two hours"),
        pytest.param(lambda _: 0.0, None, id="nothing at all"),
    ],
)
def test_smoke_is_told(course: Course, at_s: float | None) -> None:
    assert first_told_s(course, until_s=2 * HOUR_S) == at_s


def test_a_smoulder_that_grows_slowly_is_not_learned_away() -> None:
    # 10 a minute, of which 2 are learned: 150 more than usual after 150 / 8 minutes.
    told_s = first_told_s(ramp(10.0), until_s=2 * HOUR_S)
    assert told_s is not None
    assert 600 + 150 / 8 * 60 <= told_s <= 600 + 150 / 8 * 60 + 20


def test_where_the_usual_air_is_dustier_it_takes_more() -> None:
    def dusty(t_s: float) -> float:
        return 100.0 if t_s < 2 * HOUR_S else 100.0 + 190.0

    assert first_told_s(dusty, until_s=3 * HOUR_S) is None
    assert first_told_s(lambda t: dusty(t) + (t >= 2 * HOUR_S) * 20, until_s=3 * HOUR_S) is not None


def test_smoke_that_stays_is_told_for_as_long_as_it_stays() -> None:
    told = [s for s in signs(ramp(1e6), until_s=6 * HOUR_S) if s.strength >= 0.5]
    assert [s.t_s for s in told] == [float(t) for t in range(608, 6 * HOUR_S)]
    assert {s.onset_s for s in told} == {told[0].onset_s}


def test_half_of_it_is_a_weak_sign_that_can_second_another() -> None:
    weak = signs(lambda t: 12.0 if t < 600 else 100.0, until_s=620)
    assert weak
    assert all(0.3 <= s.strength < 0.5 for s in weak)
    assert weak[0].sense is Sense.PARTICLES
    assert weak[0].sources == ("exhaust",)
    assert weak[0].detail == {
        "pm2_5_ug_per_m3": 100,
        "usual_ug_per_m3": 12,
        "reason": "100 micrograms of fine particles in a cubic metre of air, where 12 are usual",
    }


def test_its_onset_is_when_the_first_much_was_counted() -> None:
    (onset_s,) = {s.onset_s for s in signs(lambda t: 12.0 if t < 600 else 400.0, until_s=700)}
    assert onset_s == 600.0


def test_the_sign_ends_with_the_smoke() -> None:
    found = signs(lambda t: 400.0 if 600 <= t < 700 else 12.0, until_s=HOUR_S)
    assert 700 <= found[-1].t_s <= 700 + 8


def test_a_slow_sensor_is_understood_too() -> None:
    found = signs(lambda t: 12.0 if t < 600 else 400.0, until_s=700, every_s=3)
    assert found[0].t_s <= 612


def test_the_fan_s_first_seconds_count_for_nothing_after_a_silence_too() -> None:
    desk = ParticleSigns()
    for t_s in [*range(100), *range(200, 200 + int(SETTLE_S))]:
        assert desk.take(Particles("exhaust", float(t_s), 400.0 if t_s >= 200 else 12.0)) is None
    assert desk.heard_s() == {}
    assert desk.take(Particles("exhaust", 200 + SETTLE_S, 400.0)) is not None
    assert desk.heard_s() == {"exhaust": 200 + SETTLE_S}


def test_values_that_come_twice_or_late_change_nothing() -> None:
    desk = ParticleSigns()
    for t_s in range(100):
        desk.take(Particles("exhaust", float(t_s), 12.0))
    for _ in range(50):
        assert desk.take(Particles("exhaust", 50.0, 900.0)) is None


def test_each_sensor_has_its_own_usual_air() -> None:
    desk = ParticleSigns()
    told = set()
    for t_s in range(1200):
        for name, value in (("room", 40.0), ("exhaust", 12.0 if t_s < 600 else 400.0)):
            if desk.take(Particles(name, float(t_s), value)):
                told.add(name)
    assert told == {"exhaust"}


def test_a_fault_is_told_once_and_is_over_with_the_next_value() -> None:
    desk = ParticleSigns()
    broken = Particles("exhaust", 5.0, None, "nothing comes from /dev/ttyUSB0")
    assert desk.take(broken) is None
    raised = desk.fault(broken, None)
    assert raised is not None
    assert (raised.kind, raised.change) == (Kind.SENSOR_FAULT, Change.RAISED)
    assert raised.subject == particles_subject("exhaust")
    assert raised.detail["reason"] == "nothing comes from /dev/ttyUSB0"
    (event,) = Events((), 1).take(5.0, raised, None)
    assert desk.tells(event)
    assert desk.fault(Particles("exhaust", 6.0, None, "still nothing"), event) is None
    well = Particles("exhaust", 9.0, 12.0)
    desk.take(well)
    cleared = desk.fault(well, event)
    assert cleared is not None
    assert (cleared.change, cleared.onset_s, cleared.end_s) == (Change.CLEARED, 5.0, 9.0)
    assert not desk.tells(event)
    assert desk.fault(well, None) is None


@given(st.lists(st.floats(0.0, 1000.0), min_size=1, max_size=300))
def test_whatever_comes_a_sign_is_never_certain(values: list[float]) -> None:
    desk = ParticleSigns()
    for t_s, value in enumerate(values):
        sign = desk.take(Particles("exhaust", float(t_s), value))
        assert sign is None or 0.3 <= sign.strength <= 0.7
