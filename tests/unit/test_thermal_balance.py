"""What is learned of a chamber's heat balance: lags, losses, offsets, and what is kept."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.thermal.balance import (
    BEAD_S,
    KNOWN_SPREAD,
    METAL_CAN_S,
    MOST_CHANGES,
    OFFSET_S,
    UNKNOWN_SPREAD,
    USUAL_MOST_PER_MIN,
    Balance,
    BalanceMemory,
    SensorBalance,
    SensorMemory,
)
from unit.air_courses import Feeler, Rig

# --- what kind of sensor ---------------------------------------------------


@pytest.mark.parametrize(
    ("step_k", "noise_k", "tau_s"),
    [
        pytest.param(0.0625, 0.01, METAL_CAN_S, id="1-Wire, 12 bits"),
        pytest.param(0.5, 0.03, METAL_CAN_S, id="1-Wire, 9 bits"),
        pytest.param(0.25, 0.2, BEAD_S, id="coarse but noisy: thermocouple"),
        pytest.param(0.0078, 0.01, BEAD_S, id="fine steps: thermocouple"),
    ],
)
def test_resolution_and_noise_hint_at_the_lag(step_k: float, noise_k: float, tau_s: float) -> None:
    sensor = SensorBalance()
    sensor.see(step_k, noise_k)
    assert sensor.tau_s == tau_s
    assert sensor.spread == UNKNOWN_SPREAD


@pytest.mark.parametrize(
    ("feeler", "tau_s"),
    [
        pytest.param(Feeler("a", 25.0, 0.02, 0.0625), METAL_CAN_S, id="can"),
        pytest.param(Feeler("a", 25.0, 0.002, 0.0625), METAL_CAN_S, id="can that hardly flickers"),
        pytest.param(Feeler("a", 4.0, 0.15, 0.25), BEAD_S, id="bead, coarse"),
        pytest.param(Feeler("a", 4.0, 0.05, 0.01), BEAD_S, id="bead, fine"),
    ],
)
@pytest.mark.parametrize("seed", range(4))
def test_readings_themselves_give_the_hint(feeler: Feeler, tau_s: float, seed: int) -> None:
    rig = Rig([feeler], lambda t_s: 40.0 + 0.001 * t_s, seed)
    sensor = SensorBalance()
    for t_s in rig.seconds(600):
        if t_s % 60 == 0:
            sensor.see(rig.tracks[0].step_k, rig.tracks[0].noise_k)
    assert sensor.tau_s == tau_s


def test_a_restless_hour_makes_no_thermocouple_of_a_can() -> None:
    """The least noise counts: a fan or a door makes any sensor restless."""
    sensor = SensorBalance()
    sensor.see(0.0625, 0.2)
    assert sensor.tau_s == BEAD_S
    sensor.see(0.0625, 0.01)
    sensor.see(0.0625, 0.3)
    assert sensor.tau_s == METAL_CAN_S
    sensor.see(0.01, 0.01)  # finer steps than a can's were seen after all
    assert sensor.tau_s == BEAD_S


# --- lags ------------------------------------------------------------------


def test_a_lag_is_the_mean_of_logarithms_with_the_hint_as_one_change() -> None:
    sensor = SensorBalance()
    for tau_s in (9.0, 12.0, 20.0):
        sensor.learn(tau_s)
    assert sensor.tau_s == pytest.approx((BEAD_S * 9.0 * 12.0 * 20.0) ** 0.25)
    assert sensor.changes == 3.0


def test_what_was_learned_outweighs_any_hint() -> None:
    sensor = SensorBalance()
    sensor.learn(12.0)
    learned_s = sensor.tau_s
    sensor.see(0.0625, 0.001)
    assert sensor.tau_s == learned_s


def test_after_eight_changes_the_old_is_forgotten_slowly() -> None:
    sensor = SensorBalance()
    for _ in range(40):
        sensor.learn(10.0)
    assert sensor.changes == MOST_CHANGES
    before_s = sensor.tau_s
    assert before_s == pytest.approx(10.0, rel=0.02)
    sensor.learn(40.0)
    assert math.log(sensor.tau_s / before_s) == pytest.approx(
        math.log(40.0 / before_s) / (2.0 + MOST_CHANGES)
    )
    for _ in range(60):
        sensor.learn(40.0)
    assert sensor.tau_s == pytest.approx(40.0, rel=0.02)


def test_the_spread_shrinks_with_every_change_down_to_what_a_lag_varies() -> None:
    sensor = SensorBalance()
    spreads = [sensor.spread]
    for _ in range(10):
        sensor.learn(5.0)
        spreads.append(sensor.spread)
    assert spreads[0] == UNKNOWN_SPREAD
    assert spreads[1] == pytest.approx(UNKNOWN_SPREAD / math.sqrt(2.0))
    assert spreads == sorted(spreads, reverse=True)
    assert spreads[-1] == KNOWN_SPREAD


@given(st.lists(st.floats(0.5, 200.0), min_size=1, max_size=30))
def test_a_lag_stays_between_what_taught_it(lags_s: list[float]) -> None:
    sensor = SensorBalance()
    for tau_s in lags_s:
        sensor.learn(tau_s)
    known = [BEAD_S, *lags_s]
    assert min(known) * 0.999 <= sensor.tau_s <= max(known) * 1.001
    assert 0.0 < sensor.changes <= MOST_CHANGES
    assert KNOWN_SPREAD <= sensor.spread < UNKNOWN_SPREAD


# --- losses by habit -------------------------------------------------------


def test_the_fastest_habit_counts_at_once_and_is_forgotten_slowly() -> None:
    balance = Balance()
    assert balance.loss_per_min is None
    balance.learn_loss(0.10)
    assert balance.loss_per_min == pytest.approx(0.10)
    balance.learn_loss(0.20)
    assert balance.loss_per_min == pytest.approx(0.20)
    balance.learn_loss(0.10)
    assert balance.loss_per_min == pytest.approx(0.19)
    for _ in range(60):
        balance.learn_loss(0.10)
    assert balance.loss_per_min == pytest.approx(0.10, abs=0.001)


def test_what_falls_faster_than_any_box_or_rises_is_no_habit() -> None:
    balance = Balance()
    balance.learn_loss(-0.5)
    assert balance.loss_per_min == 0.0
    balance.learn_loss(40.0)
    assert balance.loss_per_min == USUAL_MOST_PER_MIN


# --- offsets ---------------------------------------------------------------


def test_offsets_are_what_each_sensor_stands_from_the_mean() -> None:
    balance = Balance()
    for _ in range(400):
        balance.compare({"top": 31.0, "low": 28.0, "back": 30.1}, 60.0)
    offsets_k = {name: balance.sensor(name).offset_k for name in ("top", "low", "back")}
    assert offsets_k == pytest.approx({"top": 1.3, "low": -1.7, "back": 0.4}, abs=0.01)
    assert sum(offsets_k.values()) == pytest.approx(0.0, abs=1e-9)


def test_offsets_follow_with_the_time_that_has_passed() -> None:
    """60 s of 1800 s is a thirtieth of the way; a pause of hours is all of it, never more."""
    quick, slow = Balance(), Balance()
    slow.compare({"a": 31.0, "b": 29.0}, 60.0)
    assert slow.sensor("a").offset_k == pytest.approx(1.0 * 60.0 / OFFSET_S)
    quick.compare({"a": 31.0, "b": 29.0}, 10.0 * OFFSET_S)
    assert quick.sensor("a").offset_k == pytest.approx(1.0)


def test_one_sensor_stands_off_nothing() -> None:
    balance = Balance()
    balance.compare({"a": 31.0}, 60.0)
    balance.compare({}, 60.0)
    assert balance.sensor("a").offset_k == 0.0


# --- what is kept ----------------------------------------------------------


def test_what_was_learned_comes_back_from_memory() -> None:
    first = Balance()
    for tau_s in (20.0, 22.0, 25.0):
        first.sensor("top").learn(tau_s)
    for _ in range(100):
        first.compare({"top": 31.0, "low": 29.0}, 60.0)
    first.learn_loss(0.08)
    kept = first.memory()
    again = Balance(kept)
    assert again.sensor("top").tau_s == pytest.approx(first.sensor("top").tau_s, abs=0.01)
    assert again.sensor("top").changes == 3.0
    assert again.sensor("top").spread == first.sensor("top").spread
    assert again.sensor("top").offset_k == pytest.approx(first.sensor("top").offset_k, abs=0.001)
    assert again.loss_per_min == pytest.approx(0.08)
    assert again.memory() == kept


def test_learning_goes_on_where_it_was_left() -> None:
    whole, first = SensorBalance(), SensorBalance()
    for tau_s in (8.0, 9.0):
        whole.learn(tau_s)
        first.learn(tau_s)
    second = SensorBalance(first.memory())
    whole.learn(12.0)
    second.learn(12.0)
    assert second.tau_s == pytest.approx(whole.tau_s, abs=0.01)
    assert second.changes == whole.changes


def test_sensors_that_were_not_seen_this_time_stay_in_memory() -> None:
    kept = BalanceMemory({"away": SensorMemory(17.0, 4.0, -0.5)}, 0.05)
    balance = Balance(kept)
    balance.sensor("here").learn(10.0)
    memory = balance.memory()
    assert memory.sensors["away"] == SensorMemory(17.0, 4.0, -0.5)
    assert set(memory.sensors) == {"away", "here"}
    assert memory.loss_per_min == 0.05
    assert set(kept.sensors) == {"away"}  # what was given is left as it was


def test_a_hint_is_no_lesson_when_it_comes_back() -> None:
    """A can taken for a can last time may have been replaced by a bead: look at it anew."""
    first = SensorBalance()
    first.see(0.0625, 0.01)
    assert first.memory() == SensorMemory(METAL_CAN_S, 0.0)
    again = SensorBalance(first.memory())
    again.see(0.01, 0.2)
    assert again.tau_s == BEAD_S


def test_without_memory_nothing_is_known() -> None:
    assert Balance().memory() == BalanceMemory()
    assert Balance(BalanceMemory()).memory() == BalanceMemory()
