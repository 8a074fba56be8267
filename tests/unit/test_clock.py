"""A clock that runs faster than life, and waits for who can't follow."""

from __future__ import annotations

import threading

import pytest

from stillair.clock import MOST_AHEAD_S, PATIENCE_S, FasterClock, ManualClock


def fast(speed: float = 1000.0) -> tuple[ManualClock, FasterClock]:
    base = ManualClock()
    return base, FasterClock(base, speed)


def test_it_waits_for_its_chamber_and_loses_no_second() -> None:
    base, clock = fast()
    for second in range(1, 200):
        base.advance(0.05)  # in which 50 seconds of the chamber's would pass
        clock.check(float(second))
        assert clock.now_s() <= second + MOST_AHEAD_S
    assert clock.now_s() == 199 + MOST_AHEAD_S
    start_at = base.wall().timestamp() - 199 * 0.05
    assert clock.wall().timestamp() - start_at == pytest.approx(clock.now_s())


def test_after_waiting_it_wakes_at_the_instant_that_was_asked_for() -> None:
    base, clock = fast()
    clock.check(1.0)
    base.advance(1.0)
    assert clock.now_s() == 1.0 + MOST_AHEAD_S
    clock.check(31.0)
    clock.wait(41.0, threading.Event())
    assert clock.now_s() == pytest.approx(41.0)


@pytest.mark.parametrize("speed", [10.0, 1000.0])
def test_a_chamber_that_is_stuck_does_not_stop_time_nor_turn_it_back(speed: float) -> None:
    base, clock = fast(speed)
    clock.check(1.0)
    base.advance(PATIENCE_S + 0.1)
    late_s = clock.now_s()
    assert late_s == pytest.approx(speed * (PATIENCE_S + 0.1))
    clock.check(2.0)
    assert clock.now_s() >= late_s


def test_nobody_to_wait_for_is_waited_for_by_nobody() -> None:
    base, clock = fast(60.0)
    base.advance(10.0)
    assert clock.now_s() == 600.0
