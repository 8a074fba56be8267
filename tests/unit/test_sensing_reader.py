"""Reading on time: absolute deadlines, silence told, nothing waits for a sensor that hangs."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator

import pytest

from stillair.clock import ManualClock
from stillair.errors import ReadingFault, SensorError
from stillair.model import Reading
from stillair.sensing.reader import SensorReader, read_sensor


class ScriptedSensor:
    """Does what it is told at each read; the last step is repeated."""

    name = "top"
    blocking = True

    def __init__(self, *steps: Callable[[], float | None]) -> None:
        self._steps = list(steps)
        self.closed = 0

    def read(self) -> float | None:
        step = self._steps.pop(0) if len(self._steps) > 1 else self._steps[0]
        return step()

    def describe(self) -> str:
        return "a script"

    def close(self) -> None:
        self.closed += 1


def refuse() -> float | None:
    raise SensorError("top", "the wire is off", fault=ReadingFault.OPEN_CIRCUIT)


def fall_over() -> float | None:
    raise ZeroDivisionError


@pytest.mark.parametrize(
    ("step", "expected"),
    [
        pytest.param(lambda: 40.0, Reading("top", 7.0, 39.5), id="corrected"),
        pytest.param(lambda: None, None, id="nothing new"),
        pytest.param(
            refuse,
            Reading("top", 7.0, None, ReadingFault.OPEN_CIRCUIT, "the wire is off"),
            id="fault",
        ),
        pytest.param(
            lambda: math.nan,
            Reading("top", 7.0, None, ReadingFault.UNREADABLE, "the driver gave no finite number"),
            id="not a number",
        ),
        pytest.param(
            fall_over,
            Reading("top", 7.0, None, ReadingFault.UNREADABLE, "the driver failed; see the log"),
            id="an error that was not mapped",
        ),
    ],
)
def test_one_read(step: Callable[[], float | None], expected: Reading | None) -> None:
    assert read_sensor(ScriptedSensor(step), 7.0, correction_k=-0.5) == expected


class Taken:
    """Keeps readings and lets a test wait for them."""

    def __init__(self) -> None:
        self.readings: list[Reading] = []
        self._came = threading.Condition()

    def __call__(self, reading: Reading) -> None:
        with self._came:
            self.readings.append(reading)
            self._came.notify_all()

    def wait_for(self, count: int) -> list[Reading]:
        with self._came:
            assert self._came.wait_for(lambda: len(self.readings) >= count, 5.0)
            return self.readings[:count]


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(100.0)


@pytest.fixture
def taken() -> Taken:
    return Taken()


@pytest.fixture
def started() -> Iterator[Callable[[SensorReader], SensorReader]]:
    """Start a reader that is stopped after the test."""
    readers: list[SensorReader] = []

    def start(reader: SensorReader) -> SensorReader:
        readers.append(reader)
        reader.start()
        return reader

    yield start
    for reader in readers:
        reader.stop()


Started = Callable[[SensorReader], SensorReader]


def test_reads_begin_at_absolute_deadlines(
    clock: ManualClock, taken: Taken, started: Started
) -> None:
    def converting(seconds: float) -> Callable[[], float]:
        def step() -> float:
            clock.advance(seconds)
            return 40.0

        return step

    # The third read takes 2.5 s: the deadlines at 103 and 104 are skipped.
    sensor = ScriptedSensor(
        converting(0.75), converting(0.75), converting(2.5), converting(0.75), converting(0.75)
    )
    started(SensorReader(sensor, taken, clock))
    assert [reading.t_s for reading in taken.wait_for(5)] == [
        100.75,
        101.75,
        104.5,
        105.75,
        106.75,
    ]


def test_a_read_that_hangs_is_told_at_each_check_and_its_return_ends_it(
    taken: Taken, started: Started
) -> None:
    clock = HeldClock(100.0)
    reading_begun, release = threading.Event(), threading.Event()

    def hang() -> float:
        reading_begun.set()
        assert release.wait(5.0)
        return 40.0

    reader = started(SensorReader(ScriptedSensor(hang), taken, clock, silent_after_s=5.0))
    assert reading_begun.wait(5.0)
    for t_s in (101.0, 104.9):
        reader.check(t_s)
    assert taken.readings == []
    for t_s in (105.0, 106.0):
        reader.check(t_s)
    assert taken.readings == [
        Reading("top", 105.0, None, ReadingFault.SILENT, "no answer within 5 seconds"),
        Reading("top", 106.0, None, ReadingFault.SILENT, "no answer within 5 seconds"),
    ]
    clock.now = 107.0
    release.set()
    assert taken.wait_for(3)[-1] == Reading("top", 107.0, 40.0)
    reader.check(108.0)
    assert len(taken.readings) == 3


class HeldClock(ManualClock):
    """A clock that stands; waiting on it lasts until somebody wakes the one who waits."""

    def __init__(self, now: float) -> None:
        super().__init__()
        self.now = now

    def now_s(self) -> float:
        return self.now

    def wait(self, until_s: float, wake: threading.Event) -> bool:
        return wake.wait()


def test_stop_leaves_a_read_that_hangs_to_itself(taken: Taken) -> None:
    reading_begun, release = threading.Event(), threading.Event()

    def hang() -> float:
        reading_begun.set()
        assert release.wait(5.0)
        return 40.0

    sensor = ScriptedSensor(hang)
    reader = SensorReader(sensor, taken, HeldClock(0.0))
    reader.start()
    assert reading_begun.wait(5.0)
    assert not reader.stop()
    assert sensor.closed == 0, "a bus in use is not pulled away"
    release.set()
    while not reader.stop():
        pass
    assert (taken.readings, sensor.closed) == ([], 1), "nothing is told after the stop"


def test_a_reading_that_can_t_be_taken_does_not_end_the_reading(
    clock: ManualClock, taken: Taken, started: Started
) -> None:
    def full(reading: Reading) -> None:
        taken(reading)
        raise RuntimeError("the queue is full")

    started(SensorReader(ScriptedSensor(lambda: 40.0), full, clock))
    assert len(taken.wait_for(3)) == 3


def test_stop_before_start_frees_the_bus(clock: ManualClock, taken: Taken) -> None:
    sensor = ScriptedSensor(lambda: 40.0)
    reader = SensorReader(sensor, taken, clock)
    reader.check(1000.0)
    assert reader.stop()
    assert (taken.readings, sensor.closed) == ([], 1)


@pytest.mark.parametrize(
    ("period_s", "silent_after_s"), [(0.0, 5.0), (-1.0, 5.0), (math.nan, 5.0), (1.0, 0.0)]
)
def test_impossible_times_are_refused(
    clock: ManualClock, taken: Taken, period_s: float, silent_after_s: float
) -> None:
    with pytest.raises(ValueError, match="above 0 s"):
        SensorReader(
            ScriptedSensor(lambda: 1.0),
            taken,
            clock,
            period_s=period_s,
            silent_after_s=silent_after_s,
        )
