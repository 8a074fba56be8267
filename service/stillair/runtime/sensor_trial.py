"""What a sensor reads that stands in no chamber file yet, where somebody has named it.

Nobody can tell from outside which chip hangs at an SPI bus, so it is only asked as the one that
a person says it is, once, and never while the watch reads it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pydantic import ValidationError

from stillair.clock import SystemClock
from stillair.config import ChamberSettings
from stillair.config.change import AddParticles, AddSensor
from stillair.config.changes import particles_row, sensor_row
from stillair.config.faults import sentences
from stillair.config.inputs import (
    AnyParticles,
    AnySensor,
    SerialParticles,
    SimulatedParticles,
)
from stillair.config.together import thing_of
from stillair.config.values import FileContext
from stillair.errors import CommandRefused, Refusal, SensorError, SettingsError
from stillair.runtime.drivers import Drivers
from stillair.sensing.protocols import ParticleSensor, Sensor

PATIENCE_S: Final = 3.0  # a chip that is set up first has its reading after a third of a second
EVERY_S: Final = 0.2
LATER = "A topic is read once it is written: its reading then stands in this list."
BUSY = "Another sensor is being tried. Try again in some seconds."

Opened = Callable[[AnySensor | AnyParticles], Sensor | ParticleSensor]


@dataclass(frozen=True, slots=True)
class Tried:
    """A reading, or why there is none."""

    value: float | None
    fault: str


class SensorTrial:
    """Read a sensor once. `opened` gives its driver."""

    def __init__(
        self,
        chambers: Callable[[], Iterable[ChamberSettings]],
        opened: Opened | None = None,
        *,
        wait: Callable[[float], object] = time.sleep,
    ) -> None:
        self._chambers = chambers
        self._opened = opened or self._open
        self._wait = wait
        self._lock = threading.Lock()

    def read(self, asked: AddSensor | AddParticles) -> Tried:
        """What it reads. Raises `SettingsError` and `CommandRefused`."""
        of = settings_of(asked)
        if of.driver in ("mqtt", "onewire"):
            raise CommandRefused(Refusal.CONFLICT, LATER)
        thing = thing_of(of)
        for chamber in self._chambers():
            for known in (*chamber.sensors, *chamber.particles):
                if thing_of(known) == thing:
                    told = f"“{known.name}” of {chamber.name} reads this already."
                    raise CommandRefused(Refusal.CONFLICT, told)
        if not self._lock.acquire(blocking=False):
            raise CommandRefused(Refusal.CONFLICT, BUSY)
        try:
            sensor = self._opened(of)
            try:
                return self._read(sensor)
            finally:
                sensor.close()
        finally:
            self._lock.release()

    def _read(self, sensor: Sensor | ParticleSensor) -> Tried:
        for _ in range(round(PATIENCE_S / EVERY_S)):
            try:
                value = sensor.read()
            except SensorError as error:
                return Tried(None, error.reason)
            if value is not None:
                return Tried(value, "")
            self._wait(EVERY_S)
        return Tried(None, "it gives no reading")

    def _open(self, of: AnySensor | AnyParticles) -> Sensor | ParticleSensor:
        drivers = Drivers(next(iter(self._chambers())), SystemClock())
        if isinstance(of, SerialParticles | SimulatedParticles):
            return drivers.particles(of)
        return drivers.sensor(of)


def settings_of(asked: AddSensor | AddParticles) -> AnySensor | AnyParticles:
    """The settings of what is asked for. Raises `SettingsError` with what is wrong."""
    context = FileContext(Path(), files_count=False)
    raw: dict[str, object] = {"chamber": {"name": "trial"}}
    if isinstance(asked, AddParticles):
        raw["particles"] = [particles_row(asked)]
    else:
        raw["sensor"] = [sensor_row(asked, {})]
    try:
        made = ChamberSettings.model_validate(raw, context=context)
    except ValidationError as error:
        raise SettingsError("the sensor", tuple(sentences(error))) from None
    return (*made.sensors, *made.particles)[0]
