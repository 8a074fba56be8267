"""Heights and times where no toolpath is known: between the heights that were told."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillair.jobs.heights import HeightTimes
from stillair.jobs.sightings import HeightSeen
from stillair.jobs.told_heights import MOST_ROWS, between

BEGUN_S = 1.79e9
HOUR_S = 3600.0


def seen(*told: tuple[float, float]) -> list[HeightSeen]:
    """Minutes since the job began, and heights."""
    return [HeightSeen(BEGUN_S + 60.0 * minute, height_mm) for minute, height_mm in told]


def minutes(times: HeightTimes, height_mm: float) -> tuple[float, float, float]:
    """When a height was built, and how uncertain that is."""
    (found,) = times.when(height_mm)
    middle_s = (found.start_s + found.end_s) / 2.0
    return (middle_s - BEGUN_S) / 60.0, found.uncertainty_s / 60.0, found.height_mm


@pytest.mark.parametrize(
    ("posts", "pins", "pauses", "height_mm", "minute", "off_min", "least_min", "most_min"),
    [
        pytest.param([(10, 1), (110, 21)], [], [], 11.0, 60.0, 1.0, 40, 60, id="half the way"),
        pytest.param([(10, 1), (110, 21)], [], [], 1.0, 10.0, 1.0, 0, 12, id="at one told"),
        pytest.param([], [(10, 1), (110, 21)], [], 16.0, 85.0, 1.0, 30, 60, id="between pins"),
        pytest.param([(10, 1)], [(110, 21)], [], 6.0, 35.0, 2.0, 30, 60, id="a post and a pin"),
        pytest.param(
            [(10, 1), (140, 21)], [], [(60, 90)], 16.0, 115.0, 1.0, 30, 60, id="after a pause"
        ),
        pytest.param(
            [(10, 1), (140, 21)], [], [(60, 90)], 6.0, 35.0, 1.0, 30, 60, id="before a pause"
        ),
        pytest.param([(60, 30)], [], [], 15.0, 30.0, 1.0, 25, 35, id="from the start"),
    ],
)
def test_between_told_heights_a_part_grows_evenly_by_the_jobs_own_clock(
    posts: list[tuple[float, float]],
    pins: list[tuple[float, float]],
    pauses: list[tuple[float, float]],
    height_mm: float,
    minute: float,
    off_min: float,
    least_min: float,
    most_min: float,
) -> None:
    times = between(
        started_s=BEGUN_S,
        pauses=[(BEGUN_S + 60.0 * a, BEGUN_S + 60.0 * b) for a, b in pauses],
        posts=seen(*posts),
        pins=seen(*pins),
    )
    found_min, uncertainty_min, _ = minutes(times, height_mm)
    assert found_min == pytest.approx(minute, abs=off_min)
    assert least_min <= uncertainty_min <= most_min


def test_a_machine_that_tells_each_layer_is_known_to_the_layer() -> None:
    times = between(
        started_s=BEGUN_S,
        finished_s=BEGUN_S + 101 * 60.0,
        posts=seen(*[(n, 0.2 * n) for n in range(1, 101)]),
    )
    assert (times.posts, len(times.odd)) == (100, 0)
    for layer in (1, 50, 99, 100):
        (found,) = times.when(0.2 * layer - 0.1)
        assert found.start_s == pytest.approx(BEGUN_S + 60.0 * layer, abs=1.0)
        assert found.end_s <= BEGUN_S + 60.0 * (layer + 1) + 1.0
        assert found.uncertainty_s <= 3.0 or layer == 1


@pytest.mark.parametrize(
    ("told", "pins", "left_out", "doubtful"),
    [
        pytest.param([(10, 1), (20, 40), (30, 3), (40, 4)], [], 1, (), id="a lifted head"),
        pytest.param([(10, 1), (20, 2), (30, 2), (40, 3)], [], 0, (), id="told twice"),
        pytest.param([(10, 1), (20, 2), (30, 3)], [(15, 9)], 0, (0,), id="a wrong pin"),
        pytest.param([(10, 1), (20, 2), (30, 3)], [(25, 2.5)], 0, (), id="a right pin"),
        pytest.param([(10, 5), (20, 4.8), (30, 5.2), (40, 6)], [], 1, (), id="a hop"),
    ],
)
def test_what_contradicts_the_rest_is_not_believed(
    told: list[tuple[float, float]],
    pins: list[tuple[float, float]],
    left_out: int,
    doubtful: tuple[int, ...],
) -> None:
    times = between(started_s=BEGUN_S, posts=seen(*told), pins=seen(*pins))
    assert (len(times.odd), times.doubtful_pins) == (left_out, doubtful)
    assert set(times.odd) <= set(seen(*told)), "each is named"
    assert np.all(np.diff(times.start_s) >= 0) and np.all(np.diff(times.height_mm) > 0)


def test_pieces_in_turn_each_have_their_own_time() -> None:
    first = [(10 + n, 1.0 * n) for n in range(1, 11)]
    second = [(30 + n, 1.0 * n) for n in range(1, 11)]
    times = between(started_s=BEGUN_S, posts=seen(*first, *second))
    found = times.when(5.5)
    assert [each.piece for each in found] == [0, 1]
    assert [round((each.start_s - BEGUN_S) / 60.0) for each in found] == [16, 36]


@pytest.mark.parametrize(
    ("posts", "height_mm"),
    [
        pytest.param([], 1.0, id="nothing told"),
        pytest.param([(10, 0.0)], 0.5, id="only that it lies on the bed"),
        pytest.param([(10, 1), (20, 2)], 30.0, id="higher than was told"),
    ],
)
def test_of_what_nobody_told_nothing_is_said(
    posts: Sequence[tuple[float, float]], height_mm: float
) -> None:
    times = between(started_s=BEGUN_S, finished_s=BEGUN_S + HOUR_S, posts=seen(*posts))
    assert times.when(height_mm) == ()
    assert times.at(BEGUN_S - 1.0) is None


TOLD = st.lists(
    st.tuples(st.floats(-10.0, 3000.0), st.floats(0.0, 2000.0).map(lambda value: round(value, 2))),
    max_size=60,
)


@settings(deadline=None, max_examples=150)
@given(posts=TOLD, pins=TOLD, finished=st.none() | st.floats(0.0, 3000.0))
def test_whatever_is_told_times_never_go_back(
    posts: list[tuple[float, float]], pins: list[tuple[float, float]], finished: float | None
) -> None:
    times = between(
        started_s=BEGUN_S,
        finished_s=None if finished is None else BEGUN_S + 60.0 * finished,
        posts=seen(*sorted(posts)),
        pins=seen(*pins),
    )
    assert len(times.height_mm) <= 2 * MOST_ROWS + 200
    assert np.all(np.diff(times.start_s) >= -1e-3)
    assert np.all(times.end_s >= times.start_s - 1e-3)
    assert np.all(np.isfinite(times.uncertainty_s)) and np.all(times.uncertainty_s > 0)
    assert np.all(times.thickness_mm > 0)


def test_a_pin_from_before_the_job_is_doubtful_and_not_used() -> None:
    times = between(started_s=BEGUN_S, posts=seen((10, 1), (110, 21)), pins=seen((-30, 5)))
    assert times.doubtful_pins == (0,)
    assert minutes(times, 11.0)[0] == pytest.approx(60.0, abs=1.0)
