"""Losses and heat input, learned from chambers that follow the equations."""

from __future__ import annotations

import math

import pytest

from stillair.model import JobPhase, Place, Reading
from stillair.thermal.air import AirTrack
from stillair.thermal.balance import Balance, BalanceMemory
from stillair.thermal.core import ThermalWatch
from stillair.thermal.decays import DecayWatch
from stillair.thermal.plan import SensorPlan, ThermalContext, ThermalPlan

ROOM_C = 20.0
HOUR_S = 3600


class Box:
    """A chamber of one store of heat, and a watch over its decays."""

    def __init__(self, excess_k: float, lost_per_min: float, memory: BalanceMemory) -> None:
        self.excess_k, self.lost_per_min = excess_k, lost_per_min
        self.balance = Balance(memory)
        self.watch = DecayWatch(self.balance)
        self.tracks = [AirTrack("top"), AirTrack("low")]
        self.t_s = 0

    def go_on(
        self,
        seconds: int,
        heat_k_per_min: float,
        *,
        heated: bool | None,
        disturbed: bool = False,
        seen: int = 2,
    ) -> None:
        for _ in range(seconds):
            self.excess_k += (heat_k_per_min - self.lost_per_min * self.excess_k) / 60.0
            for track, apart_k in zip(self.tracks, (1.0, -1.0), strict=True):
                track.push(ROOM_C + self.excess_k + apart_k, 1.0)
            self.watch.tick(
                float(self.t_s), self.tracks[:seen], ROOM_C, heated=heated, disturbed=disturbed
            )
            self.t_s += 1


@pytest.mark.parametrize("lost_per_min", [0.005, 0.02, 0.05])
def test_losses_are_those_of_the_fall(lost_per_min: float) -> None:
    box = Box(35.0, lost_per_min, BalanceMemory())
    box.go_on(2 * HOUR_S, 0.0, heated=False)
    # A level is the mean of two minutes, one behind at both ends: the rate stays.
    assert box.balance.cooling_per_min == pytest.approx(lost_per_min, rel=0.01)


def test_heat_input_is_what_keeps_the_excess() -> None:
    box = Box(25.0, 0.02, BalanceMemory(cooling_per_min=0.02, coolings=8.0))
    box.go_on(3 * HOUR_S, 0.6, heated=True)  # on its way to 30 K
    assert box.balance.heat_k_per_min == pytest.approx(0.6, rel=0.02)
    assert box.balance.cooling_per_min == pytest.approx(0.02)


def test_no_heat_input_without_losses_to_hold_it_against() -> None:
    box = Box(25.0, 0.02, BalanceMemory())
    box.go_on(2 * HOUR_S, 0.5, heated=True)
    assert box.balance.heat_k_per_min is None


@pytest.mark.parametrize(
    ("heated", "disturbed", "excess_k"),
    [
        pytest.param(None, False, 35.0, id="heat not known"),
        pytest.param(False, True, 35.0, id="disturbed"),
        pytest.param(False, False, 5.0, id="near the room"),
    ],
)
def test_nothing_is_learned_from(heated: bool | None, disturbed: bool, excess_k: float) -> None:
    box = Box(excess_k, 0.02, BalanceMemory())
    box.go_on(2 * HOUR_S, 0.0, heated=heated, disturbed=disturbed)
    assert box.balance.cooling_per_min is None


def test_a_disturbance_or_another_set_of_sensors_begins_anew() -> None:
    box = Box(40.0, 0.02, BalanceMemory())
    box.go_on(1380, 0.0, heated=False)
    box.go_on(1, 0.0, heated=False, disturbed=True)
    box.go_on(1380, 0.0, heated=False)
    box.go_on(1380, 0.0, heated=False, seen=1)
    assert box.balance.cooling_per_min is None
    box.go_on(300, 0.0, heated=False, seen=1)
    assert box.balance.cooling_per_min is not None


def test_one_odd_cooling_moves_what_many_have_taught_by_a_ninth() -> None:
    balance = Balance(BalanceMemory(cooling_per_min=0.02, coolings=8.0))
    balance.learn_cooling(0.02 * math.e)
    assert balance.cooling_per_min == pytest.approx(0.02 * math.exp(1.0 / 9.0))
    kept = balance.memory()
    assert Balance(kept).memory() == kept


@pytest.mark.parametrize("marked", [True, False])
def test_a_whole_job_teaches_both(marked: bool) -> None:
    plan = ThermalPlan(
        (
            SensorPlan("top", Place.CHAMBER),
            SensorPlan("low", Place.CHAMBER),
            SensorPlan("room", Place.ROOM),
        )
    )
    watch = ThermalWatch(plan, BalanceMemory(cooling_per_min=0.04, coolings=1.0))
    excess_k = 0.0
    for second in range(3 * HOUR_S):
        t_s = float(second)
        heats = 300 <= second < 2 * HOUR_S
        excess_k += ((1.2 if heats else 0.0) - 0.04 * excess_k) / 60.0
        shown_c = ROOM_C + excess_k + 0.1 * (second % 2)
        for name, value_c in (("top", shown_c), ("low", shown_c - 1.0), ("room", ROOM_C)):
            watch.take(Reading(name, t_s, value_c))
        job = JobPhase.RUNNING if heats else JobPhase.COOLING if second > 300 else None
        watch.tick(t_s, ThermalContext(job=job if marked else None))
    memory = watch.memory()
    assert memory.cooling_per_min == pytest.approx(0.04, rel=0.05)
    assert memory.coolings > 1.0
    assert memory.heat_k_per_min == pytest.approx(1.2, rel=0.1)
