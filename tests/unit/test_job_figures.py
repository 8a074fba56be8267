"""Figures of a job's chamber: what its readings give."""

from __future__ import annotations

import pytest

from stillair.jobs.figures import chamber_figures

STEP_S = 30.0
BUILT_S, END_S, ALL_S = 1800.0, 12_600.0, 18_000.0


def air_at(t_s: float, *, door: bool = False) -> float:
    """Warms to 50 in 25 minutes, stays, cools by 0.5 K a minute at first; a door at 6,000 s."""
    if t_s < 1500.0:
        return 20.0 + 30.0 * t_s / 1500.0
    if t_s > END_S:
        return max(20.0, 50.0 - 0.5 * (t_s - END_S) / 60.0)
    return 42.0 if door and 6000.0 <= t_s < 6300.0 else 50.0


def figures(
    *, door: bool = False, first_height_s: float | None = BUILT_S, **more: object
) -> dict[str, float]:
    times_s = [STEP_S * n for n in range(int(ALL_S / STEP_S))]
    air = [air_at(t_s, door=door) for t_s in times_s]
    return chamber_figures(
        times_s,
        {"top": [c + 2.0 for c in air], "low": [c - 2.0 for c in air]},
        [18.0] * len(times_s),
        started_s=0.0,
        finished_s=END_S,
        first_height_s=first_height_s,
        **more,  # type: ignore[arg-type]
    )


def test_an_even_job() -> None:
    found = figures(target_c=50.0)
    assert found["air_c"] == pytest.approx(50.0)
    assert found["hottest_c"] == pytest.approx(52.0)
    assert found["spread_k"] == pytest.approx(4.0)
    assert found["room_c"] == pytest.approx(18.0)
    assert found["deepest_drop_k"] == pytest.approx(0.0)
    assert found["longest_drop_s"] == 0.0
    assert found["below_target_share"] == 0.0
    assert found["soak_s"] == pytest.approx(BUILT_S - 1350.0, abs=STEP_S)  # at 47 after 1,350 s
    assert found["cooling_k_per_min"] == pytest.approx(0.5, abs=0.02)


def test_a_door_is_a_drop_as_deep_and_long_as_it_was() -> None:
    found = figures(door=True)
    assert found["deepest_drop_k"] == pytest.approx(8.0)
    assert found["longest_drop_s"] == pytest.approx(300.0, abs=2 * STEP_S)
    assert "below_target_share" not in found, "there is no target"


def test_a_pause_counts_for_nothing() -> None:
    found = figures(door=True, pauses=[(5900.0, 6400.0)])
    assert found["deepest_drop_k"] == pytest.approx(0.0)


def test_time_below_the_target() -> None:
    found = figures(door=True, target_c=50.0)
    assert found["below_target_share"] == pytest.approx(100.0 * 300.0 / (END_S - BUILT_S), rel=0.1)


def test_without_a_told_height_the_soak_is_not_known() -> None:
    found = figures(first_height_s=None)
    assert "soak_s" not in found
    assert found["air_c"] < 50.0, "heating up is part of what is looked at, from nearly warm on"


@pytest.mark.parametrize("rows", [0, 5])
def test_too_little_gives_nothing(rows: int) -> None:
    times_s = [STEP_S * n for n in range(rows)]
    values: list[float | None] = [50.0] * rows
    found = chamber_figures(times_s, {"top": values}, None, started_s=0.0, finished_s=1e4)
    assert found == {}


def test_gaps_are_borne() -> None:
    times_s = [STEP_S * n for n in range(200)]
    values: list[float | None] = [None if 50 <= n < 90 else 50.0 for n in range(200)]
    found = chamber_figures(
        times_s, {"top": values, "low": [None] * 200}, None, started_s=0.0, finished_s=4000.0
    )
    assert found["air_c"] == pytest.approx(50.0)
    assert found["spread_k"] == pytest.approx(0.0)


def dropping(
    air_c: list[float], pauses: list[tuple[float, float]] | None = None
) -> tuple[float, float]:
    """Deepest, in degrees, and longest, in minutes, of a course of half minutes."""
    times_s = [STEP_S * n for n in range(len(air_c))]
    found = chamber_figures(
        times_s,
        {"top": air_c},
        None,
        started_s=0.0,
        finished_s=times_s[-1],
        pauses=pauses or [],
    )
    return found["deepest_drop_k"], found["longest_drop_s"] / 60.0


@pytest.mark.parametrize("minutes", [5, 20, 60, 120])
def test_a_drop_is_as_long_as_it_was_however_long(minutes: int) -> None:
    air_c = [60.0 if 240 <= n < 240 + 2 * minutes else 70.0 for n in range(720)]
    deepest_k, longest_min = dropping(air_c)
    assert deepest_k == pytest.approx(10.0)
    assert longest_min == pytest.approx(minutes, abs=1.0)


def test_settling_from_too_warm_a_start_is_not_a_drop_that_never_ends() -> None:
    air_c = [75.0 if n < 60 else 70.0 for n in range(720)]
    deepest_k, longest_min = dropping(air_c)
    assert deepest_k == pytest.approx(5.0)
    assert longest_min < 20.0


def test_air_that_is_cold_after_a_pause_is_held_against_that_before_it() -> None:
    hour = 120
    cold = [50.0 + min(20.0, n / 2.0) for n in range(3 * hour)]
    air_c = [70.0] * (2 * hour) + [50.0] * hour + cold
    deepest_k, longest_min = dropping(air_c, [(7200.0, 10_800.0)])
    assert deepest_k == pytest.approx(20.0)
    assert longest_min == pytest.approx(18.0, abs=1.0), "without the hour of the pause"


def test_a_height_from_before_the_start_breaks_nothing() -> None:
    assert figures(first_height_s=-9000.0)["soak_s"] == 0.0
