"""What is expected of a sensor: as Kalman's filter in matrices says, and how misses show."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from stillair.errors import ReadingFault
from stillair.model import Place, Reading
from stillair.thermal.air import AirTrack
from stillair.thermal.balance import BEAD_S, Balance, BalanceMemory, SensorMemory
from stillair.thermal.core import ThermalWatch
from stillair.thermal.observer import (
    AIR_K,
    SLOPE_K_PER_S,
    START_AIR_K,
    START_SLOPE_K_PER_S,
    UNKNOWN_STEP_K,
    Observer,
    coarse,
    design,
)
from stillair.thermal.plan import SensorPlan, ThermalContext, ThermalPlan

Matrix = NDArray[np.float64]
TUNED_S = 60  # before this an observer still uses the first figures


def one_second(tau_s: float, loss_per_s: float) -> Matrix:
    """The model's matrix exponential, as a power series."""
    rates = np.array([[0.0, 1.0, 0.0], [0.0, -loss_per_s, 0.0], [1.0 / tau_s, 0.0, -1.0 / tau_s]])
    total = term = np.eye(3)
    for power in range(1, 40):
        term = term @ rates / power
        total = total + term
    return total


class MatrixFilter:
    """Kalman's filter as the books have it, state: air, slope, sensor."""

    def __init__(self, first_c: float, tau_s: float, noise_k: float, loss_per_s: float) -> None:
        self.model = one_second(tau_s, loss_per_s)
        self.added = np.diag([AIR_K**2, SLOPE_K_PER_S**2, 0.0])
        self.variance = noise_k**2
        self.state = np.array([first_c, 0.0, first_c])
        self.spread = np.zeros((3, 3))
        self.spread[0, 0] = START_AIR_K**2
        self.spread[1, 1] = START_SLOPE_K_PER_S**2
        self.spread[np.ix_([0, 2], [0, 2])] += self.variance

    def predict(self) -> tuple[float, float]:
        """One second on; what the reading should be, and one standard deviation."""
        self.state = self.model @ self.state
        self.spread = self.model @ self.spread @ self.model.T + self.added
        return float(self.state[2]), math.sqrt(self.spread[2, 2] + self.variance)

    def predict_many(self, seconds: int) -> float:
        """So many seconds on; one standard deviation of the reading then."""
        for _ in range(seconds - 1):
            self.predict()
        return self.predict()[1]

    def correct(self, reading_c: float) -> Matrix:
        """Take a reading; the gain."""
        gain: Matrix = self.spread[:, 2] / (self.spread[2, 2] + self.variance)
        self.state = self.state + gain * (reading_c - self.state[2])
        self.spread = self.spread - np.outer(gain, self.spread[2])
        return gain


def observed(
    samples_c: Iterable[float | None], usual_s: float = 1.0, tau_s: float | None = None
) -> Observer:
    """An observer that has seen all samples, one a second."""
    memory = None if tau_s is None else BalanceMemory({"top": SensorMemory(tau_s, 8.0)})
    track = AirTrack("top")
    observer = Observer(track, Balance(memory))
    for sample_c in samples_c:
        track.push(sample_c, usual_s)
        observer.tick()
    return observer


def through_lag(air_c: Sequence[float], tau_s: float) -> list[float]:
    """What a sensor of that lag shows of the air."""
    shown_c = air_c[0]
    found = []
    for value_c in air_c:
        shown_c += (1.0 - math.exp(-1.0 / tau_s)) * (value_c - shown_c)
        found.append(shown_c)
    return found


@pytest.mark.parametrize(
    ("tau_s", "noise_k", "loss_per_min", "period_s"),
    [
        pytest.param(4.5, 0.1, 0.0, 1, id="bead"),
        pytest.param(28.0, 0.03, 0.05, 1, id="can with losses"),
        pytest.param(28.0, 0.02, 0.2, 5, id="can, read every 5 s"),
        pytest.param(60.0, 0.5, 0.0, 30, id="slow and noisy"),
    ],
)
def test_gains_are_those_of_the_matrix_filter(
    tau_s: float, noise_k: float, loss_per_min: float, period_s: int
) -> None:
    found = design(tau_s, noise_k, loss_per_min / 60.0, period_s)
    known = MatrixFilter(20.0, tau_s, noise_k, loss_per_min / 60.0)
    for gain in found.starting:
        u_k = known.predict_many(period_s)
        matrix = known.correct(20.0)
        assert gain.u_k == pytest.approx(u_k, rel=1e-9)
        assert (gain.air, gain.slope_per_s, gain.sensor) == pytest.approx(matrix, rel=1e-6)
    spread = known.spread
    for gain in found.by_gap:  # readings that come late, each after a settled stretch
        _, u_k = known.predict()
        assert gain.u_k == pytest.approx(u_k, rel=1e-6)
    known.spread = spread
    for _ in range(300):  # what counts as settled has done so
        settled_k = known.predict_many(period_s)
        known.correct(20.0)
        assert found.gain.u_k == pytest.approx(settled_k, rel=2e-3)


@pytest.mark.parametrize("period_s", [1, 5])
def test_readings_are_expected_as_the_matrix_filter_expects_them(period_s: int) -> None:
    rng = random.Random(5)
    track = AirTrack("top")
    known = MatrixFilter(
        20.0, coarse(BEAD_S, 8.0), coarse(UNKNOWN_STEP_K / math.sqrt(12.0), 8.0), 0.001
    )
    track.push(20.0, float(period_s))
    observer = Observer(track, Balance(BalanceMemory(cooling_per_min=0.06)))
    observer.tick()
    for second in range(1, TUNED_S):
        expected_c, u_k = known.predict()
        sample_c = None
        if second % period_s == 0:
            assert observer.expected_c == pytest.approx(expected_c, abs=1e-5)
            assert observer.u_k == pytest.approx(u_k, rel=1e-4)
            sample_c = 20.0 + 0.05 * second + rng.gauss(0.0, 0.1)
        track.push(sample_c, float(period_s))
        observer.tick()
        if sample_c is not None:
            assert observer.innovation_k == pytest.approx(sample_c - expected_c, abs=1e-5)
            known.correct(sample_c)
    assert observer.air_c == pytest.approx(known.state[0], abs=1e-5)
    assert observer.slope_k_per_s == pytest.approx(known.state[1], abs=1e-5)


@pytest.mark.parametrize("tau_s", [4.5, 28.0])
def test_the_air_is_found_behind_the_lag_of_its_sensor(tau_s: float) -> None:
    air_c = [30.0 + 0.05 * second for second in range(600)]
    observer = observed(through_lag(air_c, tau_s), tau_s=tau_s)
    assert observer.air_c == pytest.approx(air_c[-1], abs=0.1)
    assert observer.slope_k_per_s == pytest.approx(0.05, abs=0.001)
    assert observer.expected_c is not None
    assert observer.expected_c == pytest.approx(air_c[-1] + 0.05 * (1.0 - tau_s), abs=0.1)


@pytest.mark.parametrize(
    ("noise_k", "step_k", "period_s"),
    [
        pytest.param(0.1, 0.25, 1, id="thermocouple"),
        pytest.param(0.1, 1 / 128, 1, id="fine thermocouple"),
        pytest.param(0.03, 1 / 16, 1, id="1-Wire"),
        pytest.param(0.03, 1 / 16, 5, id="1-Wire, read every 5 s"),
    ],
)
def test_ninety_five_of_a_hundred_innovations_lie_within_two_u(
    noise_k: float, step_k: float, period_s: int
) -> None:
    rng = random.Random(7)
    track = AirTrack("top")
    observer = Observer(track, Balance())
    slope, air_c = 0.0, 40.0
    within = number = 0
    for second in range(8000):
        slope = 0.99 * slope + rng.gauss(0.0, 0.0005)
        air_c += slope
        sample_c = None
        if second % period_s == 0:
            sample_c = round((air_c + rng.gauss(0.0, noise_k)) / step_k) * step_k
        track.push(sample_c, float(period_s))
        observer.tick()
        if sample_c is not None and second >= 600:
            number += 1
            within += abs(observer.innovation_k) <= 2.0 * observer.last_u_k
            assert observer.off_k == 0.0
    assert 0.92 <= within / number <= 0.98


def test_a_door_is_a_miss_that_the_filter_then_follows() -> None:
    rng = random.Random(3)
    air_c = [50.0] * 900 + [50.0 - 15.0 * (1.0 - math.exp(-s / 10.0)) for s in range(600)]
    track = AirTrack("top")
    observer = Observer(track, Balance())
    off_s = []
    for second, shown_c in enumerate(through_lag(air_c, 4.5)):
        track.push(shown_c + rng.gauss(0.0, 0.08), 1.0)
        observer.tick(calm=second < 900)
        if observer.off_k:
            off_s.append(second)
            assert observer.off_k < 0.0
    assert 901 <= off_s[0] <= 908
    assert off_s[-1] <= 1050
    assert abs(observer.off_sum) < 4.0
    assert observer.expected_c == pytest.approx(35.0, abs=0.3)


def test_one_reading_alone_is_not_off() -> None:
    observer = observed([40.0] * 300 + [43.0])
    assert observer.innovation_k == pytest.approx(3.0, abs=0.01)
    assert observer.off_k == 0.0


def test_seconds_without_a_reading_only_predict() -> None:
    course_c = [30.0 + 0.02 * second for second in range(400)]
    observer = observed(course_c)
    before_k = observer.u_k
    assert before_k is not None
    slope, innovation_k = observer.slope_k_per_s, observer.innovation_k
    track = observer._track
    seen_k = before_k
    for missed in range(1, 9):
        track.push(None, 1.0)
        observer.tick()
        assert observer.expected_c == pytest.approx(30.0 + 0.02 * (400 + missed), abs=0.05)
        assert observer.u_k is not None
        assert observer.u_k > seen_k
        seen_k = observer.u_k
    assert seen_k > before_k
    assert (observer.slope_k_per_s, observer.innovation_k) == (slope, innovation_k)
    track.push(30.0 + 0.02 * 408, 1.0)
    observer.tick()
    assert abs(observer.innovation_k) < 0.05
    after_k = observer.u_k
    assert after_k is not None
    assert after_k < seen_k


def test_nothing_is_expected_before_the_first_reading_or_after_a_long_silence() -> None:
    assert observed([None] * 5).expected_c is None
    assert observed([None] * 5).u_k is None
    observer = observed([40.0] * 100 + [None] * 30)
    assert observer.expected_c is None
    observer._track.push(20.0, 1.0)
    observer.tick()
    assert observer.expected_c == pytest.approx(20.0)
    assert observer.innovation_k == 0.0


def test_a_past_that_was_cut_off_is_no_past() -> None:
    observer = observed([60.0] * 100)
    observer._track.blank()
    observer._track.push(20.0, 1.0)
    observer.tick()
    assert observer.expected_c == pytest.approx(20.0)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.none() | st.floats(-55.0, 1300.0), st.integers(1, 90)),
        min_size=1,
        max_size=12,
    ),
    st.sampled_from([0.3, 1.0, 2.5, 5.0, 31.0, 900.0]),
    st.floats(-1.0, 500.0),
    st.none() | st.floats(-1.0, 50.0),
)
def test_figures_are_finite_whatever_comes(
    stretches: list[tuple[float | None, int]],
    usual_s: float,
    tau_s: float,
    loss_per_min: float | None,
) -> None:
    track = AirTrack("top")
    memory = BalanceMemory({"top": SensorMemory(tau_s, 3.0)}, cooling_per_min=loss_per_min)
    observer = Observer(track, Balance(memory))
    for sample_c, seconds in stretches:
        for _ in range(seconds):
            track.push(sample_c, usual_s)
            observer.tick()
            told = (observer.expected_c, observer.u_k)
            assert (told[0] is None) == (told[1] is None) == (track.seconds == 0)
            if told[0] is not None and told[1] is not None:
                assert math.isfinite(told[0]) and math.isfinite(told[1])
                assert told[1] > 0.0
            assert math.isfinite(observer.innovation_k)
            assert math.isfinite(observer.off_sum)


def test_a_watch_tells_what_is_expected_of_the_sensors_in_the_air() -> None:
    plan = ThermalPlan(
        (
            SensorPlan("top", Place.CHAMBER),
            SensorPlan("low", Place.CHAMBER),
            SensorPlan("room", Place.ROOM),
        )
    )
    watch = ThermalWatch(plan)
    for second in range(300):
        t_s = float(second)
        air_c = 30.0 + 0.03 * second
        watch.take(Reading("top", t_s, air_c))
        low = (None, ReadingFault.OPEN_CIRCUIT) if second == 299 else (air_c - 2.0, None)
        watch.take(Reading("low", t_s, *low))
        watch.take(Reading("room", t_s, 20.0))
        watch.tick(t_s, ThermalContext())
    top, low_view, room = watch.view().sensors
    assert top.expected_c == pytest.approx(39.0, abs=0.05)
    assert top.u_k is not None
    assert 0.0 < top.u_k < 0.3
    assert top.off_k == 0.0
    assert (low_view.expected_c, low_view.u_k) == (None, None)
    assert (room.expected_c, room.u_k) == (None, None)
