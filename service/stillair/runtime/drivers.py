"""Concrete sensors, switches, cameras and sounders, made from the settings of one chamber."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, assert_never

from stillair.alerts.outputs import CommandOutput, GpioOutput, NoOutput
from stillair.alerts.sounder import SounderOutput
from stillair.clock import Clock
from stillair.config import ChamberSettings, inputs
from stillair.config.reach import CommandSounder, GpioSounder
from stillair.sensing.protocols import Camera, Contact, ParticleSensor, Sensor

if TYPE_CHECKING:
    from stillair.sensing.recording import Recording
    from stillair.sensing.topics import TopicReader
    from stillair.simulation.world import SimulatedChamber


@dataclass(slots=True)
class Drivers:
    """What several drivers of one chamber share: a world, recordings, a broker.

    Heavy libraries are imported when the first driver needs them.
    """

    settings: ChamberSettings
    clock: Clock
    _world: SimulatedChamber | None = None
    _recordings: dict[Path, Recording] = field(default_factory=dict)
    _broker: TopicReader | None = None

    def sensor(self, of: inputs.AnySensor) -> Sensor:
        """The driver of a sensor. Raises `InputError` for a recording that can't be played."""
        match of:
            case inputs.OneWireSensor():
                from stillair.sensing.onewire import OneWireSensor

                return OneWireSensor(of.name, of.address, of.bus_dir)
            case inputs.Max31855Sensor():
                from stillair.sensing import bus, thermocouple

                return thermocouple.Max31855(of.name, bus.KernelSpi(of.device, mode=0))
            case inputs.Max31856Sensor():
                from stillair.sensing import bus, thermocouple

                return thermocouple.Max31856(
                    of.name,
                    bus.KernelSpi(of.device, mode=1),
                    kind=of.thermocouple,
                    mains_hz=of.mains_hz,
                )
            case inputs.Mcp9600Sensor():
                from stillair.sensing import bus, thermocouple

                return thermocouple.Mcp9600(
                    of.name, bus.KernelI2c(of.device, of.address), kind=of.thermocouple
                )
            case inputs.MqttSensor():
                from stillair.sensing.topics import MqttSensor

                return MqttSensor(of.name, self.broker(), of.topic, of.pointer)
            case inputs.RecordingSensor():
                from stillair.sensing.recording import RecordingSensor

                return RecordingSensor(of.name, self.recording(of.file), of.column)
            case inputs.SimulatedSensor():
                from stillair.simulation.twins import SimulatedSensor

                return SimulatedSensor(of.name, of.point or of.name, self.world(), self.clock)
            case _:
                assert_never(of)

    def particles(self, of: inputs.AnyParticles) -> ParticleSensor:
        """The driver of a particle sensor."""
        match of:
            case inputs.SerialParticles():
                from stillair.sensing.bus import KernelSerial
                from stillair.sensing.particles import SerialParticles

                return SerialParticles(of.name, KernelSerial(of.port), self.clock)
            case inputs.SimulatedParticles():
                from stillair.simulation.twins import SimulatedParticles

                return SimulatedParticles(of.name, self.world(), self.clock)
            case _:
                assert_never(of)

    def contact(self, of: inputs.AnyContact) -> Contact:
        """The driver of a switch."""
        match of:
            case inputs.GpioContact():
                from stillair.sensing.contacts import GpioContact
                from stillair.sensing.pins import use_kernel_pins

                use_kernel_pins()
                return GpioContact(
                    of.name,
                    of.kind,
                    of.pin,
                    closed_means=of.closed_means,
                    other_pin=of.other_pin,
                    fault_pin=of.fault_pin,
                )
            case inputs.MqttContact():
                from stillair.sensing.topics import MqttContact

                return MqttContact(
                    of.name,
                    of.kind,
                    self.broker(),
                    of.topic,
                    pointer=of.pointer,
                    active=of.active,
                    normal=of.normal,
                )
            case inputs.SimulatedContact():
                from stillair.simulation.twins import SimulatedContact

                return SimulatedContact(of.name, of.name, self.world(), self.clock)
            case _:
                assert_never(of)

    def camera(self) -> Camera | None:
        """The chamber's camera, not yet opened."""
        of = self.settings.camera
        if of is None:
            return None
        if of.kind is inputs.CameraKind.SIMULATED:
            from stillair.simulation.twins import SimulatedCamera

            return SimulatedCamera(self.world(), self.clock, of.frames_per_s)
        from stillair.sensing.cameras import open_camera

        return open_camera(
            of.source,
            self.clock,
            width=of.width,
            height=of.height,
            frames_per_s=of.frames_per_s,
            lock=of.lock,
        )

    def world(self) -> SimulatedChamber:
        """The simulated chamber; its physics has run some hours before this returns."""
        if self._world is None:
            from stillair.simulation.scenario import load
            from stillair.simulation.world import SimulatedChamber

            simulation = self.settings.simulation
            self._world = SimulatedChamber(load(simulation.scenario), seed=simulation.seed)
        return self._world

    def recording(self, path: Path) -> Recording:
        """One player for all columns of a file. Raises `InputError`."""
        if path not in self._recordings:
            from stillair.sensing.recording import Recording

            self._recordings[path] = Recording(path, self.clock, self.settings.recording.at_end)
        return self._recordings[path]

    def broker(self) -> TopicReader:
        """One connection for all topics of the chamber."""
        if self._broker is None:
            from stillair.sensing.topics import TopicReader

            of = self.settings.mqtt
            if of is None:
                raise AssertionError("the settings were checked: topics need [mqtt]")
            self._broker = TopicReader(
                of.host,
                of.port,
                clock=self.clock,
                username=of.username,
                password=of.password.get_secret_value() if of.password else None,
                tls=of.tls,
                trust=of.trust,
            )
        return self._broker

    def close(self) -> None:
        """Let go of what was shared."""
        if self._broker is not None:
            self._broker.close()
        for recording in self._recordings.values():
            recording.close()


def sounder_of(settings: ChamberSettings) -> SounderOutput:
    """What a chamber's sounder hangs on."""
    match settings.sounder:
        case GpioSounder(pin=pin):
            from stillair.sensing.pins import use_kernel_pins

            use_kernel_pins()
            return GpioOutput(pin)
        case CommandSounder(command=command):
            return CommandOutput(command)
        case _:
            return NoOutput()
