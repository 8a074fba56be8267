"""The room's temperature without a sensor for it: what the chamber's air tells, and what not."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.thermal.air import ASSUMED_ROOM_C, ROOM_GOOD_S, RoomEstimate

H = 3600
Curve = Callable[[int], float | None]


def estimated(air: Curve, until_s: int, room: Curve = lambda _: None) -> RoomEstimate:
    estimate = RoomEstimate()
    for second in range(until_s):
        estimate.update(float(second), room(second), air(second))
    return estimate


def job(t_s: int) -> float:
    """From 20 to 50 degrees within half an hour, and held."""
    return min(50.0, 20.0 + t_s / 60.0)


def test_a_chamber_that_begins_cold_has_its_rooms_temperature() -> None:
    estimate = estimated(job, 6 * H)
    assert (estimate.room_c, estimate.estimated) == (20.0, True)


@pytest.mark.parametrize("open_s", [20, 120, 500])
def test_a_dip_is_not_the_room(open_s: int) -> None:
    """Winter air through the door, or a slip of one sensor; the room stays as it was."""
    estimate = estimated(lambda t: 8.0 if 2 * H <= t < 2 * H + open_s else job(t), 3 * H)
    assert estimate.room_c == 20.0


def test_no_chamber_is_colder_than_its_room_for_long() -> None:
    """The night comes: 20 degrees, then 14."""
    estimate = estimated(lambda t: 20.0 if t < 2 * H else 14.0, 2 * H + 720)
    assert estimate.room_c == 14.0


def test_a_chamber_that_began_hot_is_in_an_ordinary_room_until_it_has_come_down() -> None:
    def cools(t_s: int) -> float:
        return max(27.0, 60.0 - t_s / 120.0)

    assert estimated(cools, H).room_c == ASSUMED_ROOM_C
    assert estimated(cools, 4 * H).room_c == 27.0


def test_a_chamber_held_low_after_a_hot_beginning_is_no_room() -> None:
    assert estimated(lambda t: 36.0 if t < H else 31.0, 8 * H).room_c == ASSUMED_ROOM_C


def test_a_room_that_warms_is_followed_through_an_idle_chamber() -> None:
    """Up by 6 degrees from morning to evening, and a job from then on."""

    def day(t_s: int) -> float:
        warmed_c = 18.0 + min(6.0, t_s / H)
        return warmed_c if t_s < 8 * H else min(50.0, warmed_c + (t_s - 8 * H) / 60.0)

    assert estimated(day, 12 * H).room_c == pytest.approx(24.0, abs=1.0)


@pytest.mark.parametrize("excess_k", [6.0, 15.0, 30.0])
def test_a_chamber_held_warm_for_days_does_not_become_the_room(excess_k: float) -> None:
    estimate = estimated(lambda t: min(20.0 + excess_k, 20.0 + t / 60.0), 48 * H)
    assert estimate.room_c == 20.0


def test_a_warm_chamber_is_no_room_when_the_rooms_sensor_fails() -> None:
    failing = estimated(lambda _: 27.0, 4 * H, lambda t: 22.0 if t < H else None)
    assert (failing.room_c, failing.estimated) == (22.0, True)


def test_a_room_sensor_is_believed_at_once_and_for_an_hour() -> None:
    def room(t_s: int) -> float | None:
        return 23.0 if t_s < H else None

    measured = estimated(job, int(H + ROOM_GOOD_S), room)
    assert (measured.room_c, measured.estimated) == (23.0, False)
    later = estimated(job, int(H + ROOM_GOOD_S) + 2, room)
    assert (later.room_c, later.estimated) == (23.0, True)


@pytest.mark.parametrize(
    ("after_c", "room_c"),
    [
        pytest.param(25.5, 25.5, id="the room has warmed"),
        pytest.param(12.0, 12.0, id="or cooled"),
        pytest.param(31.0, 20.0, id="too much for three hours: it is still warm"),
        pytest.param(50.0, 20.0, id="it is hot"),
    ],
)
def test_after_hours_without_air_the_estimate_begins_anew(after_c: float, room_c: float) -> None:
    def air(t_s: int) -> float | None:
        return 20.0 if t_s < H else None if t_s < 4 * H else after_c

    assert estimated(air, 4 * H + 30).room_c == room_c


temperatures = st.floats(-20.0, 120.0) | st.none()


@given(st.lists(st.tuples(temperatures, st.integers(1, 4000)), min_size=1, max_size=8))
def test_an_estimate_is_never_above_the_coldest_air_but_for_minutes(
    course: list[tuple[float | None, int]],
) -> None:
    estimate = RoomEstimate()
    t_s = 0.0
    for level_c, length_s in course:
        for second in range(length_s):
            t_s += 1.0
            estimate.update(t_s, None, level_c)
            assert estimate.estimated
            if level_c is not None and second > 720:
                assert estimate.room_c <= max(level_c, ASSUMED_ROOM_C)
