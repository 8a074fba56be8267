"""Twins of sensors, switch and camera in one simulated chamber.

They satisfy the protocols of the real drivers by shape. Each moves the world
to the clock's time before it looks.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from stillair.clock import Clock
from stillair.errors import CameraError
from stillair.sensing.protocols import Frame
from stillair.simulation.world import SimulatedChamber


class WorldTime:
    """The time of a simulated world by a clock; a world begins when its first twin is made."""

    def __init__(self, world: SimulatedChamber, clock: Clock) -> None:
        self.world = world
        self.clock = clock
        self._start_s = world.began_s(clock.now_s())

    def now_s(self) -> float:
        """Seconds since the world began."""
        return self.clock.now_s() - self._start_s

    def catch_up(self) -> SimulatedChamber:
        """The world, moved to now."""
        self.world.advance(self.now_s())
        return self.world


class SimulatedSensor:
    """A sensor in the simulated chamber, told by the name of its point."""

    blocking = False

    def __init__(self, name: str, point: str, world: SimulatedChamber, clock: Clock) -> None:
        self.name = name
        self._point = point
        self._time = WorldTime(world, clock)

    def read(self) -> float | None:
        """The raw indication; None when there is nothing new. Raises `SensorError`."""
        return self._time.catch_up().temperature_c(self._point)

    def describe(self) -> str:
        return f"simulated, {self._point} of {self._time.world.scenario.name}"

    def close(self) -> None:
        pass


class SimulatedParticles:
    """A particle sensor at the top of the simulated chamber."""

    blocking = False
    MOST_UG = 1000.0  # more than this such a sensor doesn't tell apart

    def __init__(self, name: str, world: SimulatedChamber, clock: Clock) -> None:
        self.name = name
        self._time = WorldTime(world, clock)

    def read(self) -> float | None:
        """Particles up to 2.5 micrometres, whole micrograms a cubic metre."""
        return float(round(min(self._time.catch_up().particles_ug_per_m3(), self.MOST_UG)))

    def describe(self) -> str:
        return f"simulated, smoke in {self._time.world.scenario.name}"

    def close(self) -> None:
        pass


class SimulatedContact:
    """A switch in the simulated chamber; whoever moves the world tells that it has changed."""

    def __init__(self, name: str, point: str, world: SimulatedChamber, clock: Clock) -> None:
        self.name = name
        self._point = point
        self._time = WorldTime(world, clock)
        self._presses = world.presses(point)

    def start(self, changed: Callable[[], None]) -> None:
        self._time.world.on_switch(changed)

    def state(self) -> bool | None:
        """Whether it is, or since the last call was, off-normal. Raises `ContactError`."""
        world = self._time.catch_up()
        presses = world.presses(self._point)
        pressed, self._presses = presses > self._presses, presses
        return world.contact(self._point) or pressed

    def describe(self) -> str:
        return f"simulated, {self._point} of {self._time.world.scenario.name}"

    def close(self) -> None:
        pass


class SimulatedCamera:
    """The camera of the simulated chamber, at `frames_per_s` of the clock's time.

    Where the clock runs so fast that drawing can't keep up, pictures come
    less often: drawing never takes more than about a fifth of a core.
    """

    source = "simulated"

    def __init__(self, world: SimulatedChamber, clock: Clock, frames_per_s: float = 10.0) -> None:
        if not 0.0 < frames_per_s <= 60.0:
            raise ValueError(f"frames_per_s must be above 0 and at most 60, not {frames_per_s}")
        self._time = WorldTime(world, clock)
        self._period_s = 1.0 / frames_per_s
        self._next_s = clock.now_s()
        self._number = 0
        self._closed = threading.Event()

    def open(self) -> None:
        """Raises `CameraError` while the script has the camera unplugged."""
        self._closed.clear()
        self._next_s = self._time.clock.now_s()
        self._time.catch_up().scene_state()

    def grab(self) -> Frame:
        """Wait for the next picture. Raises `CameraError` when closed or unplugged."""
        clock = self._time.clock
        if clock.wait(self._next_s, self._closed) or self._closed.is_set():
            raise CameraError(self.source, "closed", retry=False)
        begun_s = clock.now_s()
        pixels = self._time.catch_up().picture()
        ended_s = clock.now_s()
        self._next_s = max(self._next_s + self._period_s, ended_s + 4.0 * (ended_s - begun_s))
        self._number += 1
        return Frame(begun_s, self._number, pixels=pixels)

    def describe(self) -> str:
        return f"simulated, 640 x 480, {self._time.world.scenario.name}"

    def close(self) -> None:
        self._closed.set()
