"""From pictures of a machine to the word that it stands still, through vision and watch."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pytest
from numpy.typing import NDArray

from stillair.fire.vision import Vision
from stillair.model import (
    BURNING,
    CameraState,
    EventChange,
    Kind,
    Place,
    Reading,
    ReportHeight,
    StartJob,
    Tick,
)
from stillair.thermal.plan import SensorPlan, ThermalPlan
from stillair.watch import Watch, WatchPlan

PER_S = 10
STILL_S = 60.0
PLAN = WatchPlan(
    chamber="bench",
    name="Bench",
    thermal=ThermalPlan((SensorPlan("top", Place.CHAMBER), SensorPlan("bed", Place.BED))),
    camera=True,
    still_after_s=STILL_S,
)

Moves = Callable[[float], bool]  # whether the head moves at this time
Lit = Callable[[float], bool]


def always(t_s: float) -> bool:
    return True


def pictures(moves: Moves, lit: Lit, seconds: int) -> Iterator[tuple[float, NDArray[np.uint8]]]:
    """A grey box with a head that goes to and fro while it moves; noise in every picture."""
    chance = np.random.default_rng(5)
    box = np.full((240, 320, 3), (90, 100, 110), np.int16)
    box[180:, :] = (60, 60, 64)  # the bed
    box[:, 150:154] = (140, 140, 140)
    noise = chance.normal(0.0, 2.0, (16, 240, 320, 3)).astype(np.int16)
    way_s = 0.0
    for n in range(seconds * PER_S):
        t_s = n / PER_S
        way_s += 1 / PER_S if moves(t_s) else 0.0
        x = round(110 + 90 * np.sin(way_s * 1.3))
        picture = box.copy()
        picture[120:170, x : x + 40] = (40, 44, 48)
        if not lit(t_s):
            picture //= 30
        yield t_s, np.clip(picture + noise[n % 16], 0, 255).astype(np.uint8)


def told(
    moves: Moves, *, lit: Lit = always, seconds: int = 300, reports: bool = False
) -> list[EventChange]:
    """What is told of a job that begins with the first second, in a warm box."""
    watch, vision = Watch(PLAN), Vision()
    events: list[EventChange] = []
    watch.step(StartJob(t_s=0.0, by="bench captain", name="hull"))
    state: CameraState | None = None
    for t_s, picture in pictures(moves, lit, seconds):
        if t_s.is_integer():
            wobble_k = 0.0625 * (t_s % 3)
            watch.step(Reading("top", t_s, 45.0 + wobble_k))
            watch.step(Reading("bed", t_s, 95.0 - wobble_k))
            if reports and t_s % 20 == 0:
                watch.step(ReportHeight(t_s=t_s, by="machine", job="bench-1", height_mm=t_s / 60))
            events += watch.step(Tick(t_s)).events
        sight = vision.update(t_s, picture)
        if state is None or state.condition is not sight.condition or t_s - state.t_s >= 10.0:
            state = CameraState(t_s, sight.condition, sight.since_s, sight.reason)
            events += watch.step(state).events
        for seen in (*sight.signs, sight.movement):
            if seen is not None:
                events += watch.step(seen).events
    assert not [e for e in events if e.kind in BURNING], "a machine that moves is no fire"
    return [e for e in events if e.kind is Kind.NO_MOTION]


def test_a_machine_that_stops_is_told_and_that_it_moves_again() -> None:
    raised, cleared = told(lambda t_s: not 100 <= t_s < 220)
    assert raised.onset_s == pytest.approx(100, abs=3)
    assert raised.at_s == pytest.approx(100 + STILL_S, abs=4)
    assert cleared.end_s == pytest.approx(220, abs=3)


def test_waiting_for_half_a_minute_again_and_again_is_no_standstill() -> None:
    assert told(lambda t_s: t_s < 60 or t_s % 40 >= 35) == []


def test_in_the_dark_a_machine_is_neither_still_nor_moving() -> None:
    dark = told(lambda t_s: t_s < 100, lit=lambda t_s: t_s < 110)
    assert dark == []


def test_a_lamp_that_fails_ends_no_standstill() -> None:
    found = told(lambda t_s: t_s < 80, lit=lambda t_s: t_s < 200)
    assert [e.change.value for e in found] == ["raised"]


def test_a_machine_that_reports_its_height_does_move() -> None:
    assert told(lambda t_s: t_s < 100, reports=True) == []
