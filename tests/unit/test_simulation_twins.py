"""Twins: by shape what the real drivers are, on a clock of any speed."""

from __future__ import annotations

import threading
from datetime import datetime

import pytest

from stillair.clock import Clock, FasterClock, ManualClock, SystemClock
from stillair.errors import CameraError, ContactError, SensorError
from stillair.model import ContactKind
from stillair.sensing.protocols import Camera, Contact, Sensor
from stillair.simulation.points import PointPlan
from stillair.simulation.scenario import ContactPlan, Scenario, Step, action
from stillair.simulation.twins import SimulatedCamera, SimulatedContact, SimulatedSensor
from stillair.simulation.world import SimulatedChamber


def chamber(*steps: Step) -> SimulatedChamber:
    return SimulatedChamber(
        Scenario(
            "test",
            sensors=(PointPlan("top"),),
            contacts=(ContactPlan("door"), ContactPlan("button", ContactKind.PRESENCE)),
            steps=steps,
        )
    )


def test_twins_have_the_shape_of_drivers() -> None:
    world, clock = chamber(), ManualClock()
    sensor: Sensor = SimulatedSensor("top sensor", "top", world, clock)
    contact: Contact = SimulatedContact("front door", "door", world, clock)
    camera: Camera = SimulatedCamera(world, clock)
    assert (sensor.name, sensor.blocking, contact.name) == ("top sensor", False, "front door")
    for twin in (sensor, contact, camera):
        assert twin.describe().startswith("simulated")
        twin.close()
        twin.close()


def test_world_begins_with_the_first_twin_and_has_one_time() -> None:
    world, clock = chamber(action(100, "open_door")), ManualClock(start_s=5000.0)
    sensor = SimulatedSensor("top", "top", world, clock)
    clock.advance(50)
    contact = SimulatedContact("door", "door", world, clock)
    clock.advance(49)
    assert sensor.read() is not None
    assert contact.state() is False
    assert world.now_s == 99.0
    clock.advance(3)
    assert contact.state() is True


def test_sensor_passes_on_silence_and_faults() -> None:
    world = chamber(
        action(10, "sensor_fault", sensor="top", fault="silent", for_s=5),
        action(20, "sensor_fault", sensor="top", fault="vanished", for_s=5),
    )
    clock = ManualClock()
    sensor = SimulatedSensor("top", "top", world, clock)
    clock.advance(12)
    assert sensor.read() is None
    clock.advance(10)
    with pytest.raises(SensorError, match="no longer on the bus"):
        sensor.read()
    clock.advance(10)
    assert sensor.read() is not None


def test_contact_tells_of_a_change_and_of_a_short_press() -> None:
    world = chamber(
        action(10, "contact_on", contact="button", for_s=1), action(30, "open_door", for_s=10)
    )
    clock = ManualClock()
    button = SimulatedContact("button", "button", world, clock)
    door = SimulatedContact("door", "door", world, clock)
    told = threading.Event()
    world.advance(0)
    door.start(told.set)
    clock.advance(20)
    assert button.state() is True  # pressed and let go since nobody looked
    assert button.state() is False
    told.clear()
    clock.advance(12)
    assert button.state() is False  # any twin that moves the world lets the door be heard
    assert told.is_set()
    assert door.state() is True


def test_contact_with_a_broken_wire_is_an_error() -> None:
    world, clock = chamber(action(0, "contact_broken", contact="door")), ManualClock()
    door = SimulatedContact("door", "door", world, clock)
    clock.advance(5)
    with pytest.raises(ContactError):
        door.state()


def test_camera_gives_numbered_pictures_at_its_rate() -> None:
    world, clock = chamber(), ManualClock()
    camera = SimulatedCamera(world, clock, frames_per_s=10.0)
    camera.open()
    frames = [camera.grab() for _ in range(5)]
    assert [frame.number for frame in frames] == [1, 2, 3, 4, 5]
    assert [frame.t_s for frame in frames] == pytest.approx([0.0, 0.1, 0.2, 0.3, 0.4])
    pictures = [frame.pixels for frame in frames]
    assert all(picture is not None and picture.shape == (480, 640, 3) for picture in pictures)


class SlowedClock:
    """A manual clock on which every look at the time costs a second, as at great speed."""

    def __init__(self) -> None:
        self._inner = ManualClock()

    def now_s(self) -> float:
        self._inner.advance(1.0)
        return self._inner.now_s()

    def wall(self) -> datetime:
        return self._inner.wall()

    def wait(self, until_s: float, wake: threading.Event) -> bool:
        return self._inner.wait(until_s, wake)


def test_camera_draws_less_often_when_drawing_is_slow() -> None:
    clock: Clock = SlowedClock()
    camera = SimulatedCamera(chamber(), clock, frames_per_s=10.0)
    camera.open()
    first, second = camera.grab(), camera.grab()
    assert second.t_s - first.t_s > 5.0


def test_closed_camera_lets_go_of_who_waits() -> None:
    camera = SimulatedCamera(chamber(), SystemClock(), frames_per_s=0.001)
    camera.open()
    camera.grab()
    failed: list[CameraError] = []

    def wait() -> None:
        try:
            camera.grab()
        except CameraError as error:
            failed.append(error)

    waiter = threading.Thread(target=wait)
    waiter.start()
    camera.close()
    waiter.join(5)
    assert not waiter.is_alive()
    assert len(failed) == 1
    with pytest.raises(CameraError):
        camera.grab()
    camera.open()
    assert camera.grab().number == 2


def test_unplugged_camera_can_be_opened_when_it_is_back() -> None:
    world, clock = chamber(action(10, "camera_lost", for_s=10)), ManualClock()
    camera = SimulatedCamera(world, clock)
    camera.open()
    clock.advance(12)
    with pytest.raises(CameraError) as caught:
        camera.grab()
    assert caught.value.retry
    with pytest.raises(CameraError):
        camera.open()
    clock.advance(10)
    camera.open()
    assert camera.grab().number == 1


@pytest.mark.parametrize("frames_per_s", [0.0, -1.0, 61.0, float("nan")])
def test_impossible_rate_is_refused(frames_per_s: float) -> None:
    with pytest.raises(ValueError, match="frames_per_s"):
        SimulatedCamera(chamber(), ManualClock(), frames_per_s)


def test_faster_clock_moves_the_world_faster() -> None:
    base = ManualClock()
    world = chamber()
    sensor = SimulatedSensor("top", "top", world, FasterClock(base, 1000.0))
    base.advance(2.0)
    sensor.read()
    assert world.now_s == pytest.approx(2000.0)
