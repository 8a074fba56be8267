"""Sensors held against their neighbours: drift, changed places, and all that isn't either."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillair.thermal.drift import DriftWatch
from stillair.thermal.places import PlaceWatch

ROOM_C = 20.0
Off = Callable[[float], float]
HOUR = 3600.0


def nothing(_: float) -> float:
    return 0.0


def watched(*offs: Off, hours: float = 8.0, excess: Off = lambda _: 30.0) -> float | None:
    """After how many hours drift is told; sensor n stands n K above the mean air, plus `offs`.

    The chamber is warm from the start, of which the first hour counts as warming up.
    """
    noise = random.Random(5)
    names = [f"s{n}" for n in range(len(offs))]
    watch = DriftWatch(names)
    for minute in range(int(hours * 60)):
        t_s = 60.0 * minute
        x = excess(t_s)
        values = {
            name: ROOM_C + x * (1.0 + n / 30.0) + off(t_s) + noise.gauss(0.0, 0.02)
            for n, (name, off) in enumerate(zip(names, offs, strict=True))
        }
        watch.push(t_s, values, ROOM_C)
        if watch.drifted is not None:
            return t_s / HOUR
    return None


def ramp(k_per_h: float) -> Off:
    return lambda t_s: k_per_h * t_s / HOUR


def fan(t_s: float) -> float:
    return -1.5 if int(t_s / 2400.0) % 2 else 0.0


def little_fan(t_s: float) -> float:
    return 0.3 * fan(t_s)


@pytest.mark.parametrize(
    ("offs", "least_h", "most_h"),
    [
        pytest.param((ramp(1 / 6), nothing, nothing), 4.0, 6.0, id="1 K in 6 h, of three"),
        pytest.param((nothing, nothing, nothing, ramp(-0.4)), 2.5, 3.5, id="0.4 K/h down, of four"),
        pytest.param((nothing, ramp(1 / 6)), 4.0, 6.0, id="1 K in 6 h, of two"),
        pytest.param((nothing, ramp(0.4)), 3.9, 4.1, id="0.4 K/h, of two: three hours once warm"),
        pytest.param((ramp(0.3), nothing, little_fan), 3.0, 5.5, id="0.3 K/h beside a fan"),
    ],
)
def test_drift_is_told_within_hours(offs: tuple[Off, ...], least_h: float, most_h: float) -> None:
    told_h = watched(*offs)
    assert told_h is not None and least_h <= told_h <= most_h


@pytest.mark.parametrize(
    "offs",
    [
        pytest.param((nothing, nothing, nothing), id="nothing"),
        pytest.param((fan, nothing), id="a part fan"),
        pytest.param((fan, nothing, nothing), id="a part fan, of three"),
        pytest.param((lambda t: 2.0 if t > 9000 else 0.0, nothing), id="a bed's step"),
        pytest.param(
            (lambda t: 0.8 * (t > 9000) + 0.8 * (t > 14000), nothing), id="two of a bed's steps"
        ),
        pytest.param(
            (lambda t: 3.0 * (1.0 - math.exp(-t / 4000.0)), nothing), id="a box that creeps"
        ),
        pytest.param((ramp(0.3), nothing, ramp(-0.3)), id="layers that come apart at all sensors"),
        pytest.param((ramp(2.0), nothing, nothing), id="2 K/h: no ageing"),
    ],
)
def test_what_is_no_drift(offs: tuple[Off, ...]) -> None:
    assert watched(*offs) is None


def test_one_of_two_is_not_blamed_where_a_third_is_stirred_too_much_to_tell() -> None:
    """The one that drifts moves what shows how much the third is stirred: both are named."""
    rough = random.Random(3)
    noise = random.Random(5)
    watch = DriftWatch(["top", "middle", "low"])
    stirred_k = 0.0
    for minute in range(480):
        t_s = 60.0 * minute
        if minute % 10 == 0:
            stirred_k = rough.uniform(0.0, 3.0)
        watch.push(
            t_s,
            {
                "top": ROOM_C + 30.0 + noise.gauss(0.0, 0.02),
                "middle": ROOM_C
                + 30.0
                + 0.15 * stirred_k
                + ramp(0.3)(t_s)
                + noise.gauss(0.0, 0.02),
                "low": ROOM_C + 28.0 + stirred_k + noise.gauss(0.0, 0.02),
            },
            ROOM_C,
        )
    assert watch.drifted is not None
    assert "middle" in watch.drifted.sensors
    assert "low" not in watch.drifted.sensors


def test_differences_may_grow_with_the_excess() -> None:
    """The room cools by 10 K through the night: all differences grow by a third."""
    assert watched(nothing, nothing, hours=8.0, excess=lambda t: 30.0 + 10.0 * t / 28800.0) is None


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    st.lists(st.tuples(st.integers(10, 470), st.floats(-3.0, 3.0)), max_size=3),
    st.floats(0.0, 2.0),
    st.floats(900.0, 5400.0),
)
def test_steps_and_swings_are_no_drift(
    steps: list[tuple[int, float]], swing_k: float, period_s: float
) -> None:
    """Whatever fan and bed do at their times, and whatever swings."""

    def off(t_s: float) -> float:
        moved = sum(k for minute, k in steps if t_s >= 60.0 * minute and abs(k) > 0.6)
        return moved + swing_k * math.sin(math.tau * t_s / period_s)

    assert watched(off, nothing) is None


def test_a_new_start_forgets_what_was() -> None:
    watch = DriftWatch(["a", "b"])
    for minute in range(400):
        watch.push(60.0 * minute, {"a": 50.0 + minute * 0.005, "b": 50.0}, ROOM_C)
    assert watch.drifted is not None
    watch.forget()
    assert watch.drifted is None


def test_one_sensor_has_no_neighbours() -> None:
    assert not DriftWatch(["a"]).push(0.0, {"a": 50.0}, ROOM_C)


def drifting(
    watch: DriftWatch, minutes: range, k_per_h: float = 0.4, missing: str = "", step_k: float = 0.0
) -> None:
    """Three sensors at 50 degrees, of which "a" drifts; `missing` is not there."""
    for minute in minutes:
        values = {"a": 50.0 + k_per_h * minute / 60.0 + step_k, "b": 50.0, "c": 49.0}
        values.pop(missing, None)
        watch.push(60.0 * minute, values, ROOM_C)


def test_a_dead_sensor_hides_no_drift_of_the_others() -> None:
    watch = DriftWatch(["a", "b", "c"])
    drifting(watch, range(360), missing="c")
    assert watch.drifted is not None and watch.drifted.sensors == ("a", "b")


@pytest.mark.parametrize(
    ("step_k", "told"),
    [
        pytest.param(0.0, True, id="the same sensor: what was seen before counts"),
        pytest.param(-2.0, False, id="another sensor: it doesn't"),
    ],
)
def test_after_a_fault_the_sensor_may_be_another_one(step_k: float, told: bool) -> None:
    watch = DriftWatch(["a", "b", "c"])
    drifting(watch, range(150))
    watch.suspect()
    drifting(watch, range(160, 250), step_k=step_k)
    assert (watch.drifted is not None) is told


# --- from job to job ----------------------------------------------------------------


# A box whose bed of 95 degrees heats it nearly alone, while its room grows warmer by 4 K: the
# heater on top has less and less to do, so that low and top come together by far more than
# the excess falls. Every ten minutes the excess of the mean, then top and low above it, K.
TWO_HEATS = [
    (30.7, 4.02, -3.65), (30.6, 4.03, -3.61), (30.4, 3.95, -3.52), (30.4, 3.57, -3.16),
    (30.4, 2.67, -2.3), (30.2, 2.44, -2.08), (30.1, 2.31, -1.97), (29.9, 2.3, -1.9),
    (29.8, 2.26, -1.88), (29.7, 2.21, -1.84), (29.6, 2.2, -1.82), (29.4, 2.15, -1.75),
    (29.3, 2.14, -1.72), (29.2, 2.08, -1.74), (29.1, 2.08, -1.72), (29.0, 2.05, -1.66),
    (28.9, 2.02, -1.63), (28.8, 2.01, -1.63), (28.7, 1.98, -1.6), (28.6, 1.93, -1.58),
    (28.5, 1.94, -1.53), (28.4, 1.92, -1.53), (28.3, 1.87, -1.49), (28.2, 1.88, -1.47),
    (28.1, 1.82, -1.46), (28.0, 1.83, -1.46), (28.0, 1.82, -1.42), (27.9, 1.8, -1.4),
    (27.8, 1.75, -1.38), (27.8, 1.74, -1.35), (27.7, 1.71, -1.33), (27.7, 1.73, -1.34),
    (27.6, 1.7, -1.34), (27.6, 1.66, -1.3), (27.5, 1.68, -1.31), (27.5, 1.62, -1.26),
    (27.5, 1.64, -1.28), (27.5, 1.67, -1.29), (27.4, 1.66, -1.31), (27.4, 1.61, -1.3),
    (27.4, 1.62, -1.25), (27.4, 1.62, -1.23), (27.4, 1.6, -1.23), (27.4, 1.61, -1.23),
    (27.4, 1.61, -1.23), (27.5, 1.58, -1.2),
]  # fmt: skip


@pytest.mark.parametrize(
    ("k_per_h", "told"),
    [
        pytest.param(0.0, False, id="two sources of heat are no drift"),
        pytest.param(0.35, True, id="beside them drift is told"),
        pytest.param(-0.35, True, id="and drift the other way"),
    ],
)
def test_a_bed_that_heats_as_well(k_per_h: float, told: bool) -> None:
    names = ("top", "middle", "low")
    watch = DriftWatch(names, {"top": -0.07, "middle": 0.13, "low": -0.06})
    for minute in range(10 * len(TWO_HEATS) + 1):
        x, top_k, low_k = TWO_HEATS[min(minute // 10, len(TWO_HEATS) - 1)]
        off_k = k_per_h * max(0.0, minute / 60.0 - 1.0)
        apart_k = (top_k, -top_k - low_k, low_k + off_k)
        values_c = {name: ROOM_C + x + k for name, k in zip(names, apart_k, strict=True)}
        watch.push(60.0 * minute, values_c, ROOM_C)
    assert (watch.drifted is not None and "low" in watch.drifted.sensors) is told
    assert told or watch.drifted is None


def cold(watch: DriftWatch, offs: dict[str, float]) -> None:
    for minute in range(25):
        watch.push(60.0 * minute, {n: ROOM_C + k for n, k in offs.items()}, ROOM_C)


@pytest.mark.parametrize(
    ("now", "sensors"),
    [
        pytest.param({"a": 0.3, "b": -0.5, "c": 0.2}, None, id="as it was"),
        pytest.param({"a": 0.9, "b": -0.5, "c": 0.2}, None, id="a little"),
        pytest.param({"a": 1.6, "b": -0.5, "c": 0.2}, ("a",), id="one has drifted"),
        pytest.param({"a": 1.3, "b": 0.5, "c": 1.2}, None, id="all, as the room does"),
    ],
)
def test_drift_since_an_earlier_job(now: dict[str, float], sensors: tuple[str, ...] | None) -> None:
    first = DriftWatch(["a", "b", "c"])
    cold(first, {"a": 0.3, "b": -0.5, "c": 0.2})
    second = DriftWatch(["a", "b", "c"], first.cold_k)
    cold(second, now)
    assert (second.drifted.sensors if second.drifted else None) == sensors


def test_what_was_told_of_an_earlier_job_is_not_told_again() -> None:
    watch = DriftWatch(["a", "b"])
    cold(watch, {"a": 0.0, "b": 0.0})
    told = []
    for off_k in (1.5, 1.5, 1.6):
        watch = DriftWatch(["a", "b"], watch.cold_k)
        cold(watch, {"a": off_k, "b": 0.0})
        told.append(watch.drifted is not None)
    assert told == [True, False, False]


def test_slow_drift_over_many_jobs_adds_up() -> None:
    watch = DriftWatch(["a", "b"])
    told = 0
    for job in range(12):
        watch = DriftWatch(["a", "b"], watch.cold_k)
        cold(watch, {"a": 0.3 * job, "b": 0.0})
        told += watch.drifted is not None
    assert told >= 1


# --- places -------------------------------------------------------------------------


def minutes(watch: PlaceWatch, *rows: dict[str, float]) -> None:
    for minute, row in enumerate(rows):
        watch.push(60.0 * minute, row)


@pytest.mark.parametrize(
    ("after", "swapped"),
    [
        pytest.param({"top": 44.1, "low": 52.0, "bed": 90.0}, ("top", "low"), id="top and low"),
        pytest.param({"top": 90.2, "low": 44.0, "bed": 52.0}, ("top", "bed"), id="top and bed"),
        pytest.param({"top": 47.9, "low": 47.8, "bed": 90.0}, None, id="a fan mixes the air"),
        pytest.param({"top": 44.0, "low": 42.0, "bed": 90.0}, None, id="a door"),
        pytest.param({"top": 52.1, "low": 44.0, "bed": 60.0}, None, id="the bed cools"),
    ],
)
def test_changed_places_within_two_minutes(
    after: dict[str, float], swapped: tuple[str, str] | None
) -> None:
    before = {"top": 52.0, "low": 44.0, "bed": 90.0}
    watch = PlaceWatch(["top", "low", "bed"], ["top", "low"])
    minutes(watch, before, before, before, before | {"top": 48.0}, after, after)
    assert (watch.swapped.sensors if watch.swapped else None) == swapped


def test_places_changed_back_are_right_again() -> None:
    watch = PlaceWatch(["top", "low"], ["top", "low"])
    right, wrong = {"top": 52.0, "low": 44.0}, {"top": 44.0, "low": 52.0}
    minutes(watch, right, right, right, wrong, wrong, wrong)
    assert watch.swapped is not None
    for minute, row in enumerate([wrong, wrong, right, right, right], start=6):
        watch.push(60.0 * minute, row)
    assert watch.swapped is None


@pytest.mark.parametrize(
    ("next_job", "swapped"),
    [
        pytest.param({"top": 45.0, "low": 51.0}, True, id="the other way round"),
        pytest.param({"top": 49.0, "low": 47.0}, False, id="less far apart"),
        pytest.param({"top": 47.6, "low": 48.4}, False, id="mixed, and a little turned"),
    ],
)
def test_order_turned_round_after_the_chamber_was_cold(
    next_job: dict[str, float], swapped: bool
) -> None:
    watch = PlaceWatch(["top", "low"], ["top", "low"])
    for block in range(6):
        watch.settled(600.0 * block, {"top": 52.0, "low": 45.0}, 28.0)
    watch.cold()
    for block in range(30, 36):
        watch.settled(600.0 * block, next_job, 28.0)
    assert (watch.swapped is not None) is swapped


def test_the_usual_order_is_kept_from_job_to_job() -> None:
    first = PlaceWatch(["top", "low"], ["top", "low"])
    for block in range(6):
        first.settled(600.0 * block, {"top": 52.0, "low": 45.0}, 28.0)
    second = PlaceWatch(["top", "low"], ["top", "low"], first.usual)
    for block in range(4):
        second.settled(600.0 * block, {"top": 45.0, "low": 51.0}, 28.0)
    assert second.swapped is not None and second.usual == first.usual


def test_order_may_turn_within_a_job() -> None:
    watch = PlaceWatch(["top", "low"], ["top", "low"])
    for block in range(20):
        high, low = (52.0, 45.0) if block < 10 else (45.0, 52.0)
        watch.settled(600.0 * block, {"top": high, "low": low}, 28.0)
    assert watch.swapped is None
