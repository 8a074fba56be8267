"""Thermocouple chips: every fault bit told, no chip taken for 0 degrees, lost settings noticed."""

from __future__ import annotations

import errno
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chips import Max31855Chip, Max31856Chip, Mcp9600Chip
from stillair.errors import ReadingFault, SensorError
from stillair.sensing.thermocouple import Max31855, Max31856, Mcp9600


def fault_of(sensor: Max31855 | Max31856 | Mcp9600) -> tuple[ReadingFault, str]:
    with pytest.raises(SensorError) as caught:
        sensor.read()
    return caught.value.fault, caught.value.reason


# --- MAX31855 --------------------------------------------------------------


@pytest.mark.parametrize(
    ("frame", "expected_c"),
    [
        # data sheet, tables 4 and 5, with a cold junction of 25 degrees (0x190)
        pytest.param(0b0110_0100_0000_00 << 18 | 0x1900, 1600.0, id="1600 is beyond type K"),
        pytest.param(0b0011_1110_1000_00 << 18 | 0x1900, 1000.0, id="1000"),
        pytest.param(0b0000_0110_0100_11 << 18 | 0x1900, 100.75, id="100.75"),
        pytest.param(0b0000_0001_1001_00 << 18 | 0x1900, 25.0, id="25"),
        pytest.param(0b0000_0000_0000_00 << 18 | 0x1900, 0.0, id="0"),
        pytest.param(0b1111_1111_1111_11 << 18 | 0x1900, -0.25, id="-0.25"),
        pytest.param(0b1111_0000_0110_00 << 18 | 0x1900, -250.0, id="-250 is beyond type K"),
    ],
)
def test_max31855_frame(frame: int, expected_c: float) -> None:
    chip = Max31855Chip()
    chip.frame = frame
    sensor = Max31855("top", chip)
    if -200.0 <= expected_c <= 1350.0:
        assert sensor.read() == expected_c
    else:
        assert fault_of(sensor)[0] is ReadingFault.OUT_OF_RANGE


@pytest.mark.parametrize(
    ("frame", "fault", "words"),
    [
        pytest.param(0x01901901, ReadingFault.UNREADABLE, "disturbed", id="bit without the sum"),
        pytest.param(0x01911900, ReadingFault.UNREADABLE, "disturbed", id="sum without a bit"),
        pytest.param(0x01921900, ReadingFault.UNREADABLE, "disturbed", id="D17 set"),
        pytest.param(0x01901908, ReadingFault.UNREADABLE, "disturbed", id="D3 set"),
        pytest.param(0x01911901, ReadingFault.OPEN_CIRCUIT, "open", id="open"),
        pytest.param(0x01911902, ReadingFault.SHORT_TO_GROUND, "ground", id="to ground"),
        pytest.param(0x01911904, ReadingFault.SHORT_TO_SUPPLY, "supply", id="to supply"),
        pytest.param(0x01911905, ReadingFault.OPEN_CIRCUIT, "open; .*supply", id="two at once"),
        pytest.param(0xFFFFFFFF, ReadingFault.SILENT, "every bit reads 1", id="nobody: high"),
        pytest.param(0x00000000, ReadingFault.SILENT, "every bit reads 0", id="nobody: low"),
        pytest.param(0x01907F00, ReadingFault.OUT_OF_RANGE, "cold junction", id="junction 127"),
    ],
)
def test_max31855_fault(frame: int, fault: ReadingFault, words: str) -> None:
    chip = Max31855Chip()
    chip.frame = frame
    with pytest.raises(SensorError, match=words) as caught:
        Max31855("top", chip).read()
    assert caught.value.fault is fault


@given(st.integers(0, 2**32 - 1))
def test_max31855_any_frame_is_a_possible_temperature_or_an_error(frame: int) -> None:
    chip = Max31855Chip()
    chip.frame = frame
    try:
        value = Max31855("top", chip).read()
    except SensorError:
        return
    assert value is not None
    assert -200.0 <= value <= 1350.0


# --- MAX31856 --------------------------------------------------------------


def max31856(chip: Max31856Chip, *, kind: str = "K", mains_hz: int = 50) -> Max31856:
    """A driver past its first read, which sets the chip up."""
    sensor = Max31856("top", chip, kind=kind, mains_hz=mains_hz)
    assert sensor.read() is None
    return sensor


@pytest.mark.parametrize(
    ("kind", "mains_hz", "cr0", "cr1"),
    [
        pytest.param("K", 50, 0x91, 0x03, id="K at 50 Hz"),
        pytest.param("K", 60, 0x90, 0x03, id="K at 60 Hz"),
        pytest.param("T", 50, 0x91, 0x07, id="T"),
        pytest.param("J", 50, 0x91, 0x02, id="J"),
    ],
)
def test_max31856_is_set_up_at_the_first_read(kind: str, mains_hz: int, cr0: int, cr1: int) -> None:
    chip = Max31856Chip()
    sensor = max31856(chip, kind=kind, mains_hz=mains_hz)
    assert (chip.registers[0], chip.registers[1]) == (cr0, cr1)
    written = len(chip.written)
    chip.hot_c = 61.25
    assert sensor.read() == 61.25
    assert len(chip.written) == written, "settings that stand are left alone"


@pytest.mark.parametrize(
    "hot_c",
    [
        # data sheet, table 4
        pytest.param(1000.0, id="1000"),
        pytest.param(100.9375, id="100.9375"),
        pytest.param(25.0, id="25"),
        pytest.param(0.0625, id="0.0625"),
        pytest.param(0.0, id="0, with a warm cold junction"),
        pytest.param(-0.0625, id="-0.0625"),
        pytest.param(-1.0 / 128, id="one step below 0"),
    ],
)
def test_max31856_temperature(hot_c: float) -> None:
    chip = Max31856Chip()
    chip.hot_c = hot_c
    assert max31856(chip).read() == hot_c


@pytest.mark.parametrize(
    ("bit", "fault", "words"),
    [
        pytest.param(0x80, ReadingFault.OUT_OF_RANGE, "cold junction is beyond", id="CJ range"),
        pytest.param(0x40, ReadingFault.OUT_OF_RANGE, "range of its type", id="TC range"),
        pytest.param(0x20, ReadingFault.OUT_OF_RANGE, "junction is too hot", id="CJ high"),
        pytest.param(0x10, ReadingFault.OUT_OF_RANGE, "junction is too cold", id="CJ low"),
        pytest.param(0x08, ReadingFault.OUT_OF_RANGE, "thermocouple is too hot", id="TC high"),
        pytest.param(0x04, ReadingFault.OUT_OF_RANGE, "thermocouple is too cold", id="TC low"),
        pytest.param(0x02, ReadingFault.SHORT_TO_SUPPLY, "below ground or above", id="OVUV"),
        pytest.param(0x01, ReadingFault.OPEN_CIRCUIT, "open", id="open"),
        pytest.param(0x41, ReadingFault.OPEN_CIRCUIT, "open; .*range", id="open and TC range"),
    ],
)
def test_max31856_fault_bit(bit: int, fault: ReadingFault, words: str) -> None:
    chip = Max31856Chip()
    sensor = max31856(chip)
    chip.status = bit
    with pytest.raises(SensorError, match=words) as caught:
        sensor.read()
    assert caught.value.fault is fault
    chip.status = 0
    assert sensor.read() == 25.0


def test_max31856_that_lost_its_supply_is_told_and_set_up_again() -> None:
    chip = Max31856Chip()
    sensor = max31856(chip, kind="N")
    chip.hot_c = 50.0
    assert sensor.read() == 50.0
    chip.lose_supply()
    fault, reason = fault_of(sensor)
    assert fault is ReadingFault.NOT_CONVERTED
    assert "lost its settings" in reason
    assert sensor.read() == 50.0
    assert chip.registers[1] == 0x04


def test_max31856_gives_no_zero_before_its_first_conversion() -> None:
    chip = Max31856Chip()
    chip.hot_c = chip.cold_c = 0.0  # as the registers stand after power-on
    assert max31856(chip).read() is None


@pytest.mark.parametrize("level", [0x00, 0xFF])
def test_max31856_that_nobody_answers_for_is_silent(level: int) -> None:
    chip = Max31856Chip()
    chip.answer = level
    assert fault_of(Max31856("top", chip))[0] is ReadingFault.SILENT


# --- MCP9600 and MCP9601 ---------------------------------------------------


def mcp9600(chip: Mcp9600Chip, *, kind: str = "K") -> Mcp9600:
    sensor = Mcp9600("top", chip, kind=kind)
    assert sensor.read() is None
    return sensor


@pytest.mark.parametrize("hot_c", [0.0, 45.0625, 150.0, -20.5])
def test_mcp9600_temperature(hot_c: float) -> None:
    chip = Mcp9600Chip()
    chip.hot_c = hot_c
    assert mcp9600(chip).read() == hot_c


def test_mcp9600_is_set_up_for_its_type() -> None:
    chip = Mcp9600Chip()
    mcp9600(chip, kind="T")
    assert chip.settings == 0x21


@pytest.mark.parametrize(
    ("chip_id", "bits", "fault", "words"),
    [
        pytest.param(0x40, 0x10, ReadingFault.OUT_OF_RANGE, "may be open", id="MCP9600 range"),
        pytest.param(0x41, 0x10, ReadingFault.OPEN_CIRCUIT, "is open", id="MCP9601 open"),
        pytest.param(0x41, 0x20, ReadingFault.SHORT_TO_GROUND, "shorted", id="MCP9601 short"),
    ],
)
def test_mcp9600_fault_bit(chip_id: int, bits: int, fault: ReadingFault, words: str) -> None:
    chip = Mcp9600Chip(chip_id)
    sensor = mcp9600(chip)
    chip.fault_bits = bits
    with pytest.raises(SensorError, match=words) as caught:
        sensor.read()
    assert caught.value.fault is fault
    chip.fault_bits = 0
    assert sensor.read() == 25.0


def test_mcp9600_that_lost_its_supply_is_told_and_set_up_again() -> None:
    chip = Mcp9600Chip()
    sensor = mcp9600(chip, kind="J")
    assert sensor.read() == 25.0
    chip.lose_supply()
    assert fault_of(sensor)[0] is ReadingFault.NOT_CONVERTED
    assert sensor.read() == 25.0
    assert chip.settings == 0x11


def test_mcp9600_that_stops_converting_becomes_silent() -> None:
    chip = Mcp9600Chip()
    sensor = mcp9600(chip)
    chip.converting = False
    assert [sensor.read() for _ in range(4)] == [None] * 4
    assert fault_of(sensor) == (ReadingFault.SILENT, "the chip has stopped converting")
    chip.converting = True
    assert sensor.read() == 25.0


def test_mcp9600_that_vanishes_and_returns() -> None:
    chip = Mcp9600Chip()
    chip.present = False
    sensor = Mcp9600("top", chip)
    assert fault_of(sensor) == (ReadingFault.SILENT, "nobody answers on /dev/i2c-1 at 0x67")
    chip.present = True
    assert sensor.read() is None
    assert sensor.read() == 25.0
    chip.present = False
    assert fault_of(sensor)[0] is ReadingFault.VANISHED
    chip.present = True
    assert sensor.read() == 25.0


def test_another_chip_at_the_address_is_named() -> None:
    fault, reason = fault_of(Mcp9600("top", Mcp9600Chip(0x58)))
    assert fault is ReadingFault.UNREADABLE
    assert "no MCP9600 or MCP9601 (it says 0x58)" in reason


class NoiseSpi:
    """A bus on which anything at all comes back."""

    where = "/dev/spidev0.0"

    def __init__(self, answers: list[bytes]) -> None:
        self._answers = answers

    def transfer(self, sent: bytes) -> bytes:
        return self._answers.pop(0)[: len(sent)] if len(sent) > 2 else bytes(len(sent))

    def close(self) -> None:
        pass


@given(st.lists(st.binary(min_size=17, max_size=17), min_size=1, max_size=4), st.booleans())
def test_max31856_any_registers_are_a_possible_temperature_or_an_error(
    answers: list[bytes], as_set_up: bool
) -> None:
    if as_set_up:
        answers = [b"\0\x91\x03" + answer[3:] for answer in answers]
    sensor = Max31856("top", NoiseSpi(list(answers)))
    for _ in answers:
        with suppress(SensorError):
            value = sensor.read()
            assert value is None or -200.0 <= value <= 1372.0


class NoiseI2c:
    """An I2C bus on which anything at all comes back."""

    where = "/dev/i2c-1 at 0x67"

    def __init__(self, draw: st.DataObject) -> None:
        self._draw = draw

    def read_register(self, register: int, count: int) -> bytes:
        if register == 0x20:
            return b"\x41\x10"
        if register == 0x05 and self._draw.draw(st.booleans()):
            return b"\x01"
        return self._draw.draw(st.binary(min_size=count, max_size=count))

    def write_register(self, register: int, data: bytes) -> None:
        pass

    def close(self) -> None:
        pass


@given(st.data())
def test_mcp9600_any_registers_are_a_possible_temperature_or_an_error(data: st.DataObject) -> None:
    sensor = Mcp9600("top", NoiseI2c(data))
    for _ in range(3):
        with suppress(SensorError):
            value = sensor.read()
            assert value is None or -200.0 <= value <= 1372.0


# --- what all have in common -----------------------------------------------


@pytest.mark.parametrize(
    ("number", "fault", "words", "retry"),
    [
        pytest.param(
            errno.ENOENT, ReadingFault.UNREADABLE, "write dtparam=spi=on", True, id="none"
        ),
        pytest.param(errno.EACCES, ReadingFault.UNREADABLE, "may not use", False, id="rights"),
        pytest.param(errno.EREMOTEIO, ReadingFault.SILENT, "nobody answers", True, id="no ack"),
        pytest.param(errno.EIO, ReadingFault.UNREADABLE, "can't be read", True, id="other"),
    ],
)
def test_an_error_of_the_bus_is_mapped(
    number: int, fault: ReadingFault, words: str, retry: bool
) -> None:
    chip = Max31855Chip()
    chip.error = OSError(number, "as the kernel says")
    with pytest.raises(SensorError, match=words) as caught:
        Max31855("top", chip).read()
    assert (caught.value.fault, caught.value.retry) == (fault, retry)


def test_settings_that_fit_no_chip_are_refused() -> None:
    with pytest.raises(ValueError, match="type 'B' is none of"):
        Max31856("top", Max31856Chip(), kind="B")
    with pytest.raises(ValueError, match="type 'X' is none of"):
        Mcp9600("top", Mcp9600Chip(), kind="X")
    with pytest.raises(ValueError, match="55 Hz"):
        Max31856("top", Max31856Chip(), mains_hz=55)
