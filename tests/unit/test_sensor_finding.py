"""Chips on I2C that are found without harm, and sensors that are tried before they are taken."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError

from boards import BoardTree
from chips import Max31855Chip, OneWireTree
from stillair.config.change import AddParticles, AddSensor
from stillair.config.reading import chamber_from_text
from stillair.errors import CommandRefused, SettingsError
from stillair.runtime.finding import Chip, Finder, KnownChip
from stillair.runtime.sensor_trial import SensorTrial, settings_of
from stillair.sensing.board_files import bus_devices, serial_ports
from stillair.sensing.i2c_chips import i2c_buses, is_thermocouple_chip
from stillair.sensing.thermocouple import Max31855

LIVES_S = 20.0
NORTH = """
[chamber]
name = "north bench"

[[sensor]]
name = "bed"
place = "bed"
driver = "max31855"
device = "/dev/spidev0.0"
"""
ASKED: TypeAdapter[AddSensor | AddParticles] = TypeAdapter(AddSensor | AddParticles)
SPI = {"do": "add sensor", "name": "top", "driver": "max31855", "device": "/dev/spidev0.1"}


class Answers:
    """What is at an address; it counts what it was asked."""

    def __init__(self, number: int | None) -> None:
        self.number = number
        self.asked: list[str] = []

    def read_byte(self) -> int:
        self.asked.append("byte")
        if self.number is None:
            raise OSError(121, "Remote I/O error")
        return 0

    def read_register(self, register: int, count: int) -> bytes:
        self.asked.append(f"{register:#x}")
        return bytes([self.number or 0] * count)

    def close(self) -> None:
        self.asked.append("close")


@pytest.mark.parametrize(
    ("number", "found", "asked"),
    [
        pytest.param(0x40, True, ["byte", "0x20", "close"], id="MCP9600"),
        pytest.param(0x41, True, ["byte", "0x20", "close"], id="MCP9601"),
        pytest.param(0x17, False, ["byte", "0x20", "close"], id="another chip"),
        pytest.param(None, None, ["byte", "close"], id="nobody: no word is sent there"),
    ],
)
def test_who_answers_is_asked_for_its_number(
    number: int | None, found: bool | None, asked: list[str]
) -> None:
    chip = Answers(number)
    assert is_thermocouple_chip("/dev/i2c-1", 0x67, lambda *_: chip) is found
    assert chip.asked == asked


def test_only_a_boards_own_buses_and_ports_are_named(tmp_path: Path) -> None:
    tree = BoardTree(tmp_path, model="")
    for name in ("i2c-1", "i2c-10", "i2c-20", "spidev0.1", "serial0", "serial/by-id/usb-haze"):
        tree.put(f"dev/{name}", "")
    assert i2c_buses(tmp_path) == (), "a PC has its memory there"
    tree.put("proc/device-tree/model", "a board")
    assert i2c_buses(tmp_path) == ("/dev/i2c-1",)
    assert bus_devices(tmp_path) == ("/dev/spidev0.1",)
    assert serial_ports(tmp_path) == ("/dev/serial/by-id/usb-haze", "/dev/serial0")


def until(finder: Finder, so: Callable[[dict[str, Chip]], bool]) -> dict[str, Chip]:
    give_up_s = time.monotonic() + LIVES_S
    while not so(found := {chip.address: chip for chip in finder.chips()}):
        assert time.monotonic() < give_up_s, found
        time.sleep(0.01)
    return found


def test_a_chip_on_i2c_is_found_beside_those_on_one_wire_and_the_watchs_is_left_alone(
    tmp_path: Path,
) -> None:
    asked: list[int] = []

    def is_chip(device: str, address: int) -> bool | None:
        assert device == "/dev/i2c-1"
        asked.append(address)
        return {0x65: True, 0x60: False}.get(address)

    top = KnownChip("top", 40.0, "", "north-bench")
    bus = OneWireTree(tmp_path / "w1").bus_dir
    finder = Finder(
        lambda: {Path("/dev/i2c-1"): {"0x67": top}},
        usual=bus,
        i2c=lambda: ("/dev/i2c-1",),
        is_chip=is_chip,
        cameras=dict,
    )
    found = until(finder, lambda found: set(found) == {"0x65", "0x67"} and asked.count(0x61) > 1)
    finder.stop()
    assert (found["0x65"].driver, found["0x65"].device) == ("mcp9600", "/dev/i2c-1")
    assert (found["0x67"].known, found["0x67"].temperature_c) == (top, 40.0)
    assert 0x67 not in asked, "the watch reads it"
    assert asked.count(0x60) == 1, "a stranger is asked once"
    assert finder.buses() == {}, "which are the folders of 1-Wire buses"


def trial(chip: Max31855Chip) -> SensorTrial:
    north = chamber_from_text(NORTH, "north.toml")
    return SensorTrial(lambda: [north], lambda of: Max31855(of.name, chip), wait=lambda _: None)


def test_a_sensor_is_read_as_what_somebody_says_it_is() -> None:
    chip = Max31855Chip()
    tried = trial(chip).read(ASKED.validate_python(SPI))
    assert (tried.value, tried.fault, chip.closed) == (25.0, "", 1)
    chip.fault_bits = 1
    tried = trial(chip).read(ASKED.validate_python(SPI))
    assert (tried.value, tried.fault, chip.closed) == (None, "the thermocouple is open", 2)


@pytest.mark.parametrize(
    ("asked", "refused"),
    [
        pytest.param({**SPI, "device": "/dev/spidev0.0"}, "“bed” of north bench", id="the watch's"),
        pytest.param(
            {"do": "add sensor", "name": "top", "driver": "mqtt", "topic": "shed/top"},
            "once it is written",
            id="a topic",
        ),
        pytest.param({**SPI, "device": None}, r"sensor\[1\].device is missing", id="no device"),
        pytest.param(
            {**SPI, "thermocouple": "J"}, r"sensor\[1\].thermocouple", id="another chip's"
        ),
    ],
)
def test_what_is_not_tried_says_why(asked: dict[str, Any], refused: str) -> None:
    chip = Max31855Chip()
    with pytest.raises((CommandRefused, SettingsError), match=refused):
        trial(chip).read(ASKED.validate_python(asked))
    assert chip.closed == 0, "nobody opened it"


def test_no_other_device_of_the_board_can_be_named() -> None:
    for asked in (
        {**SPI, "device": "/dev/mem"},
        {"do": "add particles", "name": "haze", "port": "/dev/watchdog"},
    ):
        with pytest.raises(ValidationError):
            ASKED.validate_python(asked)
    haze = {"do": "add particles", "name": "haze", "port": "/dev/ttyUSB0"}
    assert settings_of(ASKED.validate_python(haze)).driver == "serial"
