"""1-Wire sensors in a kernel-like tree: found, read side by side, and lost one at a time."""

from __future__ import annotations

import os
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from chips import OneWireTree, scratchpad, w1_slave
from stillair.clock import SystemClock
from stillair.errors import ReadingFault, SensorError
from stillair.model import Reading
from stillair.sensing.onewire import OneWireSensor, find_addresses
from stillair.sensing.reader import SensorReader

ADDRESSES = [f"28-0000075c2f1{number}" for number in range(4)]
CONVERSION_S = 0.75


@pytest.fixture
def tree(tmp_path: Path) -> OneWireTree:
    return OneWireTree(tmp_path / "devices")


# --- finding ---------------------------------------------------------------


def test_only_temperature_chips_are_found(tree: OneWireTree) -> None:
    for address in (*ADDRESSES, "10-000802b5d4f1", "3b-0000001c9a55"):
        tree.warm_to(address, 20.0)
    for other in ("2d-000000a1b2c3", "28-short", "281-000000000000", "28-0000075C2F11"):
        tree.warm_to(other, 20.0)
    (tree.bus_dir / "28-00000000dead").mkdir()  # vanishing: its file has gone already
    assert find_addresses(tree.bus_dir) == (
        "10-000802b5d4f1",
        *ADDRESSES,
        "3b-0000001c9a55",
    )


def test_no_bus_is_no_sensors(tmp_path: Path) -> None:
    assert find_addresses(tmp_path / "absent") == ()


# --- one sensor ------------------------------------------------------------


def test_two_buses_are_kept_apart(tmp_path: Path) -> None:
    first, second = OneWireTree(tmp_path / "one"), OneWireTree(tmp_path / "two")
    first.warm_to(ADDRESSES[0], 40.0)
    second.warm_to(ADDRESSES[0], 60.0)
    sensors = [OneWireSensor("top", ADDRESSES[0], tree.bus_dir) for tree in (first, second)]
    assert [sensor.read() for sensor in sensors] == [40.0, 60.0]
    assert [sensor.read() for sensor in sensors] == [40.0, 60.0]


def test_a_sensor_vanishes_and_returns(tree: OneWireTree) -> None:
    sensor = OneWireSensor("top", ADDRESSES[0], tree.bus_dir)
    tree.warm_to(ADDRESSES[1], 20.0)
    with pytest.raises(SensorError, match=f"not on the bus; found: {ADDRESSES[1]}") as caught:
        sensor.read()
    assert caught.value.fault is ReadingFault.VANISHED
    tree.warm_to(ADDRESSES[0], 40.0)
    assert sensor.read() == 40.0
    tree.unplug(ADDRESSES[0])
    with pytest.raises(SensorError, match="has vanished from the bus") as caught:
        sensor.read()
    assert caught.value.fault is ReadingFault.VANISHED
    assert caught.value.retry
    tree.warm_to(ADDRESSES[0], 41.0)
    assert sensor.read() == 41.0


def test_no_bus_at_all_is_told_with_its_remedy(tmp_path: Path) -> None:
    with pytest.raises(SensorError, match="dtoverlay=w1-gpio"):
        OneWireSensor("top", ADDRESSES[0], tmp_path / "absent").read()


@pytest.mark.parametrize(
    "target",
    [
        pytest.param("/dev/zero", id="endless zeros"),
        pytest.param("/dev/urandom", id="endless noise"),
        pytest.param("/dev/null", id="nothing"),
    ],
)
def test_a_device_in_place_of_the_answer_is_an_error(tree: OneWireTree, target: str) -> None:
    tree.file(ADDRESSES[0]).symlink_to(target)
    with pytest.raises(SensorError) as caught:
        OneWireSensor("top", ADDRESSES[0], tree.bus_dir).read()
    assert caught.value.fault is ReadingFault.UNREADABLE


def test_a_directory_in_place_of_the_answer_is_an_error(tree: OneWireTree) -> None:
    tree.file(ADDRESSES[0]).mkdir()
    with pytest.raises(SensorError, match="can't read it"):
        OneWireSensor("top", ADDRESSES[0], tree.bus_dir).read()


@pytest.mark.parametrize("address", ["28-0", "../../etc", "28-0000075c2f1g", "ff-0000075c2f11", ""])
def test_what_is_no_address_is_refused(address: str) -> None:
    with pytest.raises(ValueError, match="no 1-Wire address"):
        OneWireSensor("top", address)


# --- several, each in its thread -------------------------------------------


class Kernel:
    """Answers reads of named pipes as the kernel does those of chips: after a conversion.

    The first answers come only once all chips are being read at the same time.
    """

    def __init__(self, tree: OneWireTree, addresses: list[str]) -> None:
        self._stopping = threading.Event()
        self._together = threading.Barrier(len(addresses))
        self._pipes = [tree.file(address) for address in addresses]
        for pipe in self._pipes:
            os.mkfifo(pipe)
        self._threads = [
            threading.Thread(target=self._answer, args=(pipe, 40.0 + number))
            for number, pipe in enumerate(self._pipes)
        ]
        for thread in self._threads:
            thread.start()

    def _answer(self, pipe: Path, temperature_c: float) -> None:
        text = w1_slave(scratchpad(round(temperature_c * 16))).encode()
        with pipe.open("wb", buffering=0) as out:  # waits for a reader
            self._together.wait(10.0)
            self._stopping.wait(CONVERSION_S)
            out.write(text)

    def stop(self) -> None:
        self._stopping.set()
        for pipe, thread in zip(self._pipes, self._threads, strict=True):
            let_go(pipe)
            thread.join()


def let_go(pipe: Path) -> None:
    """Free whoever waits to open or to read a named pipe."""
    os.close(os.open(pipe, os.O_RDWR | os.O_NONBLOCK))


class Taken:
    """Keeps readings and lets a test wait for them."""

    def __init__(self) -> None:
        self.readings: list[Reading] = []
        self._came = threading.Condition()

    def __call__(self, reading: Reading) -> None:
        with self._came:
            self.readings.append(reading)
            self._came.notify_all()

    def wait_for(self, what: Callable[[list[Reading]], bool]) -> None:
        with self._came:
            assert self._came.wait_for(lambda: what(self.readings), 10.0)


@pytest.fixture
def taken() -> Taken:
    return Taken()


ReadAll = Callable[[float], list[SensorReader]]


@pytest.fixture
def read_all(tree: OneWireTree, taken: Taken) -> Iterator[ReadAll]:
    """Read all four sensors, each in its thread; pipes that hang are let go after the test."""
    readers: list[SensorReader] = []

    def start(period_s: float) -> list[SensorReader]:
        for address in ADDRESSES:
            sensor = OneWireSensor(address, address, tree.bus_dir)
            readers.append(SensorReader(sensor, taken, SystemClock(), period_s=period_s))
        for reader in readers:
            reader.start()
        return readers

    yield start
    for reader in readers:
        stopped = reader.stop()
        while not stopped:
            let_go(tree.file(reader.sensor.name))
            stopped = reader.stop()


def test_four_sensors_that_convert_for_750_ms_are_read_side_by_side(
    tree: OneWireTree, taken: Taken, read_all: ReadAll
) -> None:
    kernel = Kernel(tree, ADDRESSES)
    try:
        began_s = time.monotonic()
        read_all(60.0)
        taken.wait_for(lambda readings: len(readings) == 4)
    finally:
        kernel.stop()
    got = {reading.sensor: reading.temperature_c for reading in taken.readings}
    assert got == dict(zip(ADDRESSES, [40.0, 41.0, 42.0, 43.0], strict=True))
    last_s = max(reading.t_s for reading in taken.readings)
    assert last_s - began_s < 2 * CONVERSION_S, "two can't have been read one after the other"


def test_one_that_hangs_delays_no_other_and_is_told_as_silent(
    tree: OneWireTree, taken: Taken, read_all: ReadAll
) -> None:
    hanging, *others = ADDRESSES
    os.mkfifo(tree.file(hanging))  # nobody ever answers it
    for address in others:
        tree.warm_to(address, 40.0)
    readers = read_all(0.05)

    def each_other_was_read_five_times(readings: list[Reading]) -> bool:
        counts = Counter(reading.sensor for reading in readings)
        return all(counts[address] >= 5 for address in others)

    taken.wait_for(each_other_was_read_five_times)
    assert all(reading.sensor != hanging for reading in taken.readings)
    readers[0].check(time.monotonic() + 6.0)
    for reader in readers[1:]:
        reader.check(time.monotonic())
    faults = [reading for reading in taken.readings if reading.fault is not None]
    assert [(fault.sensor, fault.fault) for fault in faults] == [(hanging, ReadingFault.SILENT)]
    assert not readers[0].stop(), "its thread is left to itself"
