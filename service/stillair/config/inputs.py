"""Tables of the chamber file for what comes in: sensors, switches, camera, recordings, simulation.

A rule between two keys of one table is a check of the later key, so that it
holds even where another key of the table is wrong.
"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, Strict, ValidationInfo, field_validator

from stillair.config.tables import Table
from stillair.config.values import (
    AnyPath,
    Device,
    FilePath,
    Line,
    Name,
    OneWireAddress,
    Otherwise,
    Pin,
    Pointer,
    SensorName,
    Takes,
    Topic,
    command_line,
    context_of,
)
from stillair.fire.regions import LEAST_FROM, MOST_FROM, MOST_LEFT_OUT
from stillair.model import ContactKind, Place

ELECTRONICS_LIMIT_C = 60.0  # assumed: what small power supplies and motor drivers are made for


def _own_limit_c(data: dict[str, Any]) -> float | None:
    return ELECTRONICS_LIMIT_C if data.get("place") is Place.ELECTRONICS else None


class SensorTable(Table):
    """What every sensor has, whatever reads it."""

    name: SensorName = Field(description="Unlike every other sensor's; heads its CSV column.")
    place: Annotated[Place, Strict(False)] = Field(
        default=Place.CHAMBER,
        description="Where it sits. Bed and electronics are never taken for chamber air.",
    )
    correction_k: Annotated[float, Field(ge=-20, le=20)] = Field(
        default=0.0, description="Added to every indication, to make up for a known error."
    )
    limit_c: Annotated[
        Annotated[float, Field(ge=30, le=150)] | None,
        Otherwise(f"{ELECTRONICS_LIMIT_C:g} in place electronics"),
    ] = Field(
        default_factory=_own_limit_c,
        description="Above this the electronics are too hot; for place electronics alone.",
    )

    drawn_at: Annotated[
        tuple[Annotated[float, Field(ge=0, le=1)], ...] | None,
        Strict(False),
        Field(min_length=2, max_length=2),
        Takes("[from the left wall, up from the floor] in shares of the inside from 0 to 1"),
        Otherwise("as its name says"),
    ] = Field(
        default=None,
        description="Where it sits in the drawing of the chamber; for place chamber.",
    )

    @field_validator("limit_c")
    @classmethod
    def _electronics_alone(cls, limit_c: float | None, info: ValidationInfo) -> float | None:
        place = info.data.get("place", Place.ELECTRONICS)
        if limit_c is not None and place is not Place.ELECTRONICS:
            raise ValueError(
                f'is for place = "electronics" alone; for place "{place}" set limit_c in [chamber]'
            )
        return limit_c


class OneWireSensor(SensorTable):
    driver: Literal["onewire"]
    address: OneWireAddress = Field(description="Its own number, as its folder in bus_dir.")
    bus_dir: AnyPath = Field(
        default=Path("/sys/bus/w1/devices"), description="Where the kernel shows 1-Wire devices."
    )


class Max31855Sensor(SensorTable):
    driver: Literal["max31855"]
    device: Device = Field(description='The SPI device, as in "/dev/spidev0.0".')


# Type B gives no usable voltage at the temperatures of a chamber.
Thermocouple = Literal["E", "J", "K", "N", "R", "S", "T"]


class Max31856Sensor(SensorTable):
    driver: Literal["max31856"]
    device: Device = Field(description='The SPI device, as in "/dev/spidev0.0".')
    thermocouple: Thermocouple = Field(default="K", description="Type of the thermocouple.")
    mains_hz: Literal[50, 60] = Field(
        default=50, description="The mains whose hum the chip filters out."
    )


class Mcp9600Sensor(SensorTable):
    driver: Literal["mcp9600"]
    device: Device = Field(default="/dev/i2c-1", description="The I2C bus.")
    address: Annotated[
        int,
        Field(ge=0x60, le=0x67),
        Takes("a whole number from 0x60 to 0x67"),
        Otherwise("0x67"),
    ] = Field(default=0x67, description="Address on the bus, set by the chip's ADDR pin.")
    thermocouple: Thermocouple = Field(default="K", description="Type of the thermocouple.")


class MqttSensor(SensorTable):
    driver: Literal["mqtt"]
    topic: Topic = Field(description="Topic that carries the temperature.")
    pointer: Pointer = Field(
        default="", description="Where the number is in a JSON message; empty for a bare number."
    )


class RecordingSensor(SensorTable):
    driver: Literal["recording"]
    file: FilePath = Field(description="A file of readings in the CSV form.")
    column: Line = Field(description="The column to play, as its header says.")


class SimulatedSensor(SensorTable):
    driver: Literal["simulated"]
    point: Annotated[Name | None, Otherwise("the sensor's name")] = Field(
        default=None, description="The point of the simulated chamber that it shows."
    )


AnySensor = Annotated[
    OneWireSensor
    | Max31855Sensor
    | Max31856Sensor
    | Mcp9600Sensor
    | MqttSensor
    | RecordingSensor
    | SimulatedSensor,
    Field(discriminator="driver"),
]

# --- [[particles]] -----------------------------------------------------------


class ParticlesTable(Table):
    """What every particle sensor has, whatever reads it."""

    name: Name = Field(description="Unlike every other sensor's and switch's.")


class SerialParticles(ParticlesTable):
    driver: Literal["serial"]
    port: Device = Field(
        description='The serial port, as in "/dev/serial0"; of a USB plug its path under'
        " /dev/serial/by-id."
    )


class SimulatedParticles(ParticlesTable):
    driver: Literal["simulated"]


AnyParticles = Annotated[SerialParticles | SimulatedParticles, Field(discriminator="driver")]

# --- [[contact]] -------------------------------------------------------------


def _usual_closed(data: dict[str, Any]) -> Literal["safe", "alarm"]:
    pressed = (ContactKind.PRESENCE, ContactKind.HEATER, ContactKind.RESET)
    return "alarm" if data.get("kind") in pressed else "safe"


class ContactTable(Table):
    """What every switch has, whatever reads it."""

    name: Name = Field(description="Unlike every other switch's.")
    kind: Annotated[ContactKind, Strict(False)] = Field(
        description="A door's switch, a listed detector's relay, a button of a person present,"
        " what switches a heater, the supply of all heat, or a button that lets a stopped machine"
        " run again."
    )


class GpioContact(ContactTable):
    driver: Literal["gpio"]
    pin: Pin = Field(description="GPIO number, not the number of the header's pin.")
    closed_means: Annotated[
        Literal["safe", "alarm"], Otherwise('"safe"; for a button or a heater "alarm"')
    ] = Field(
        default_factory=_usual_closed,
        description="What a closed switch says; alarm: open, tripped, pressed, heating,"
        " supply off.",
    )
    other_pin: Pin | None = Field(
        default=None,
        description="GPIO number of the other side of a changeover contact, which is open while"
        " the first is closed; both alike is a fault of the wires.",
    )
    fault_pin: Pin | None = Field(
        default=None,
        description="GPIO number of a detector's own fault contact, closed while it is well.",
    )

    @property
    def pins(self) -> dict[str, int]:
        """Every pin that it takes, by its key."""
        named = {"pin": self.pin, "other_pin": self.other_pin, "fault_pin": self.fault_pin}
        return {key: pin for key, pin in named.items() if pin is not None}


class MqttContact(ContactTable):
    driver: Literal["mqtt"]
    topic: Topic = Field(description="Topic that carries the switch's state.")
    pointer: Pointer = Field(
        default="", description="Where the state is in a JSON message; empty for the whole."
    )
    active: Line = Field(
        description="The state, as text, that means open, tripped, pressed, heating or supply off."
    )
    normal: Annotated[Line | None, Otherwise("any other")] = Field(
        default=None, description="The state that means shut or quiet; then any third is a fault."
    )

    @field_validator("normal")
    @classmethod
    def _differs(cls, normal: str | None, info: ValidationInfo) -> str | None:
        active = info.data.get("active")
        if normal and active and normal.casefold() == active.casefold():
            raise ValueError("has to differ from active")
        return normal


class SimulatedContact(ContactTable):
    driver: Literal["simulated"]


AnyContact = Annotated[GpioContact | MqttContact | SimulatedContact, Field(discriminator="driver")]


class CameraKind(StrEnum):
    DEVICE = "device"
    STREAM = "stream"
    FILE = "file"
    COMMAND = "command"
    SIMULATED = "simulated"


SOURCE = 'one text, such as "/dev/video0" or "command:" and a program with its arguments'
STREAM_SCHEMES = ("http", "https", "rtsp")


def _rectangle(value: tuple[float, ...]) -> tuple[float, ...]:
    left, top, right, bottom = value
    if left >= right or top >= bottom:
        raise ValueError("has to have its left below its right and its top below its bottom")
    return value


def _leaves_enough(rectangles: tuple[tuple[float, ...], ...]) -> tuple[tuple[float, ...], ...]:
    """Whoever leaves out most of the picture would take its silence for a watch."""
    left_out = sum((right - left) * (bottom - top) for left, top, right, bottom in rectangles)
    if left_out > MOST_LEFT_OUT:
        told = f"{left_out:.0%}"
        if told == f"{MOST_LEFT_OUT:.0%}":  # "60%, and may 60%" says nothing
            told = f"{max(left_out, MOST_LEFT_OUT + 0.001):.1%}"
        raise ValueError(
            f"leaves out {told} of the picture, and may leave out {MOST_LEFT_OUT:.0%};"
            " turn or move the camera instead"
        )
    return rectangles


Share = Annotated[float, Field(ge=0, le=1)]
Rectangle = Annotated[
    tuple[Share, ...],
    Strict(False),
    Field(min_length=4, max_length=4),
    AfterValidator(_rectangle),
    Takes("[left, top, right, bottom] in shares of the picture from 0 to 1"),
]
Strength = Annotated[float, Field(ge=LEAST_FROM, le=MOST_FROM)]


class CameraTable(Table):
    # An address may hold a password, so it stays out of every repr.
    source: Annotated[str, Field(min_length=1, max_length=1000), Takes(SOURCE)] = Field(
        repr=False,
        description="/dev/video0, an http, https or rtsp address, a video file,"
        ' "command:..." that writes MJPEG, or "simulated".',
    )
    width: Annotated[int, Field(ge=64, le=4096)] = Field(
        default=640, description="Asked of a device; pictures decoded here are shrunk to it."
    )
    height: Annotated[int, Field(ge=48, le=4096)] = Field(
        default=480, description="Asked of a device; pictures decoded here are shrunk to it."
    )
    frames_per_s: Annotated[float, Field(ge=0.2, le=60)] = Field(
        default=15.0,
        description="No more pictures than this are looked at; fewer than 2.6 are too few to tell"
        " a flame by.",
    )
    lock: bool = Field(
        default=True,
        description="Hold a device's exposure, white balance and focus as its automatic finds"
        " them; true only for a device under /dev, others are set by their own means.",
    )
    ignore: Annotated[tuple[Rectangle, ...], Strict(False), AfterValidator(_leaves_enough)] = Field(
        default=(),
        max_length=16,
        description="Parts of the picture in which nothing is a sign of fire, as"
        " [[0, 0.8, 0.2, 1]] for a lamp in the lower left corner.",
    )
    flame_from: Strength = Field(
        default=0.5, description="A flame seen less surely than this is not told."
    )
    smoke_from: Strength = Field(
        default=0.5, description="Smoke seen less surely than this is not told."
    )
    still_after_min: Annotated[float, Field(ge=1, le=120)] = Field(
        default=5.0,
        description="A machine that stands still for so long in a job, and hot, is told.",
    )

    @field_validator("source")
    @classmethod
    def _known(cls, source: str, info: ValidationInfo) -> str:
        if source.startswith("command:"):
            return "command:" + command_line(source.removeprefix("command:"))
        if not source.isprintable() or source != source.strip():
            raise ValueError("has to be on one line, without blanks at its ends")
        scheme, colon, _ = source.partition("://")
        if colon:
            return _stream(source, scheme)
        if source == "simulated" or source.startswith("/dev/"):
            return source
        if "/" not in source and "." not in source:
            raise ValueError(
                'has to be a device under /dev, an address, a video file, "command:..."'
                ' or "simulated"'
            )
        return str(context_of(info).folder / source)

    @property
    def kind(self) -> CameraKind:
        if self.source == "simulated":
            return CameraKind.SIMULATED
        if self.source.startswith("command:"):
            return CameraKind.COMMAND
        if "://" in self.source:
            return CameraKind.STREAM
        return CameraKind.DEVICE if self.source.startswith("/dev/") else CameraKind.FILE


def _stream(source: str, scheme: str) -> str:
    if scheme.lower() not in STREAM_SCHEMES:
        raise ValueError("has to begin with http://, https:// or rtsp:// when it is an address")
    try:
        parts = urlsplit(source)
        complete = bool(parts.hostname) and (parts.port is None or parts.port > 0)
    except ValueError:
        complete = False
    if not complete or " " in source:
        raise ValueError("is no complete address, as in http://192.0.2.10:8080/stream")
    return source


class RecordingTable(Table):
    speed: Annotated[float, Field(gt=0, le=1000)] = Field(
        default=1.0, description="How many times as fast as life the recordings are played."
    )
    at_end: Literal["stop", "repeat"] = Field(
        default="stop", description="What happens when a recording has been played."
    )


class SimulationTable(Table):
    scenario: Annotated[
        str, Field(min_length=1, max_length=1000), Takes("a scenario's name or TOML file")
    ] = Field(default="boat_shed_day", description="The day that the simulated chamber lives.")
    speed: Annotated[float, Field(ge=1, le=1000)] = Field(
        default=1.0, description="How many times as fast as life it runs."
    )
    seed: Annotated[int, Field(ge=0, le=2**31 - 1)] = Field(
        default=1, description="The same seed gives the same day."
    )

    @field_validator("scenario")
    @classmethod
    def _known(cls, scenario: str, info: ValidationInfo) -> str:
        if not scenario.isprintable():
            raise ValueError("has to be on one line, without control characters")
        if not scenario.endswith(".toml"):
            return scenario
        return str(context_of(info).folder / scenario)
