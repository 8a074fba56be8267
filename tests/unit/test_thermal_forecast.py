"""When a temperature on its way will be where somebody waits for it."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest

from stillair.thermal.forecast import Approach, Forecast, approach, forecast

STEP_S = 10.0
Way = Callable[[float], float]


def box(fast_k: float, slow_k: float, slow_s: float, fast_s: float = 300.0) -> Way:
    """Air of 20 degrees that two stores of heat change by so many K in the end."""
    return lambda t_s: (
        20.0 + fast_k * (1.0 - math.exp(-t_s / fast_s)) + slow_k * (1.0 - math.exp(-t_s / slow_s))
    )


def told(way: Way, now_s: float, goal_c: float, noise_k: float = 0.03) -> Forecast | None:
    noise = random.Random(3)
    past = [way(STEP_S * n) + noise.gauss(0.0, noise_k) for n in range(int(now_s / STEP_S))]
    return forecast(past[-121:], STEP_S, lambda ahead: ahead.until_s(goal_c))


def reaches_s(way: Way, goal_c: float) -> float:
    rises = way(1e6) > way(0.0)
    return next(t for t in range(100_000) if (way(float(t)) >= goal_c) is rises)


@pytest.mark.parametrize("now_s", [600.0, 900.0, 1500.0])
@pytest.mark.parametrize(
    ("way", "goal_c"),
    [
        pytest.param(box(30.0, 0.0, 3600.0, 900.0), 45.0, id="one store"),
        pytest.param(box(20.0, 20.0, 3600.0), 48.0, id="walls of an hour"),
        pytest.param(box(15.0, 25.0, 7200.0), 43.0, id="walls of two hours"),
        pytest.param(box(-10.0, -15.0, 3600.0), 2.0, id="it cools"),
    ],
)
def test_the_truth_lies_within_what_is_told(way: Way, goal_c: float, now_s: float) -> None:
    to_go_s = reaches_s(way, goal_c) - now_s
    found = told(way, now_s, goal_c)
    if to_go_s > 0.0 and (found is not None or to_go_s < 1200.0):
        assert found is not None
        assert abs(found.to_go_s - to_go_s) <= found.u_s <= 2.0 * to_go_s + 200.0


def test_nothing_is_told_of_what_never_comes() -> None:
    assert told(box(20.0, 0.0, 3600.0), 900.0, 70.0) is None
    assert told(box(20.0, 0.0, 3600.0), 900.0, 10.0) is None


def test_nothing_is_told_from_a_past_that_is_too_short_or_goes_nowhere() -> None:
    assert approach([20.0 + 0.1 * n for n in range(20)], STEP_S) is None
    assert approach([20.0] * 100, STEP_S) is None


def test_a_straight_line_goes_on() -> None:
    way = approach([20.0 + 0.1 * n for n in range(90)], STEP_S)
    assert way is not None and math.isinf(way.tau_s)
    assert way.until_s(38.9) == pytest.approx(1000.0, abs=1.0)
    assert way.until_slow_s(0.001) is None


def test_an_exponential_is_found_again() -> None:
    way = approach([50.0 - 30.0 * math.exp(-STEP_S * n / 1200.0) for n in range(120)], STEP_S)
    assert way is not None
    assert way.tau_s == pytest.approx(1200.0, rel=0.01)
    assert way.after(1e9).now_c == pytest.approx(50.0, abs=0.1)
    assert Approach(40.0, 0.01, 1000.0).until_slow_s(0.005) == pytest.approx(693.1, abs=0.1)
