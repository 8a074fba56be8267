"""Thermocouples through MAX31855 and MAX31856 (SPI) and MCP9600 and MCP9601 (I2C).

Each driver tells every fault its chip can tell, and tells a chip that nobody
answers for (a line that rests at one level) from a thermocouple at 0 degrees.
A chip that lost its supply for a moment comes back with its settings gone:
settings are read back with every reading and set up again.

References
----------
Maxim, MAX31855 data sheet 19-5793 rev. 5: tables 2 to 4 (memory map, scaling).
Maxim, MAX31856 data sheet 19-7534 rev. 0: table 6 (registers) and the register
descriptions after it; "Open-Circuit Fault Detection".
Microchip, MCP960X/L0X/RL0X data sheet DS20005426: section 5 (registers 5-1 to 5-12).
IEC 60584-1:2013: ranges of the types.
"""

from __future__ import annotations

import errno
from collections.abc import Sequence
from typing import Final

from stillair.errors import ReadingFault, SensorError
from stillair.sensing.bus import I2cDevice, SpiDevice
from stillair.sensing.limits import Span

# Type B gives no usable voltage below 250 degrees and is left out.
SPANS: Final = {
    letter: Span(low_c, high_c, f"a type {letter} thermocouple")
    for letter, low_c, high_c in (
        ("E", -200.0, 1000.0),
        ("J", -210.0, 1200.0),
        ("K", -200.0, 1372.0),
        ("N", -200.0, 1300.0),
        ("R", -50.0, 1768.0),
        ("S", -50.0, 1768.0),
        ("T", -200.0, 400.0),
    )
}
_JUNCTION_SPAN: Final = Span(-55.0, 125.0, "the chip's own cold junction")
_MAX31855_SPAN: Final = Span(-200.0, 1350.0, "a MAX31855 with type K")  # table 1

_OPEN: Final = "the thermocouple is open"
_TO_GROUND: Final = "the thermocouple is shorted to ground"
_TO_SUPPLY: Final = "the thermocouple is shorted to the supply"

Faults = Sequence[tuple[int, ReadingFault, str]]


class Max31855:
    """A MAX31855K: one frame of 32 bits, nothing to set up.

    Its scale is linear and the thermocouple isn't: with the cold junction at 15
    to 40 degrees that is at most 0.5 K from 20 to 120 degrees and 2.3 K at 200
    (computed with the reference function of IEC 60584-1), beside the chip's
    own +-2 K.
    """

    blocking = True
    SPI_MODE: Final = 0
    _FAULTS: Faults = (
        (0x1, ReadingFault.OPEN_CIRCUIT, _OPEN),
        (0x2, ReadingFault.SHORT_TO_GROUND, _TO_GROUND),
        (0x4, ReadingFault.SHORT_TO_SUPPLY, _TO_SUPPLY),
    )

    def __init__(self, name: str, spi: SpiDevice) -> None:
        self.name = name
        self._spi = spi
        self._answered = False

    def read(self) -> float | None:
        """The hot junction in degrees Celsius, in steps of 0.25. Raises `SensorError`."""
        try:
            frame = int.from_bytes(self._spi.transfer(bytes(4)), "big")
        except OSError as error:
            raise _bus_error(self.name, self._spi.where, error, self._answered) from error
        _refuse_resting_line(self.name, frame.to_bytes(4, "big"), self._spi.where)
        self._answered = True
        bits = frame & 0x7
        if frame & 0x0002_0008 or bool(frame & 0x0001_0000) != bool(bits):
            # D17 and D3 always read 0; D16 is the sum of D2 to D0 (table 2)
            raise SensorError(self.name, "the chip's answer was disturbed")
        _refuse(self.name, bits, self._FAULTS)
        _JUNCTION_SPAN.check(self.name, _signed(frame >> 4 & 0xFFF, 12) * 0.0625)
        return _MAX31855_SPAN.check(self.name, _signed(frame >> 18, 14) * 0.25)

    def describe(self) -> str:
        return f"MAX31855, type K, on {self._spi.where}"

    def close(self) -> None:
        self._spi.close()


class Max31856:
    """A MAX31856, converting by itself, with open-circuit detection on.

    `kind` is the thermocouple's letter, `mains_hz` 50 or 60: the hum that the
    chip filters out. Raises `ValueError` for others.
    """

    blocking = True
    SPI_MODE: Final = 1
    _TYPES: Final = {"E": 1, "J": 2, "K": 3, "N": 4, "R": 5, "S": 6, "T": 7}  # CR1 bits 3 to 0
    _WRITE: Final = 0x80
    _CR0, _CR1 = 0x00, 0x01
    _AUTOMATIC: Final = 0x80  # CR0 bit 7
    _FIND_OPEN: Final = 0x10  # CR0 bits 5 and 4 = 01: leads below 5 kilo-ohm
    _PASSING: Final = 0x42  # CR0 bits that clear themselves: one-shot, fault-clear
    _CJTH, _LTCB, _SR = 0x0A, 0x0C, 0x0F
    _FAULTS: Faults = (  # SR, bit by bit; the most telling first
        (0x01, ReadingFault.OPEN_CIRCUIT, _OPEN),
        (0x02, ReadingFault.SHORT_TO_SUPPLY, "the input is below ground or above the supply"),
        (0x80, ReadingFault.OUT_OF_RANGE, "the cold junction is beyond -55 to 125 degrees"),
        (0x40, ReadingFault.OUT_OF_RANGE, "the thermocouple is beyond the range of its type"),
        (0x20, ReadingFault.OUT_OF_RANGE, "the cold junction is too hot"),
        (0x10, ReadingFault.OUT_OF_RANGE, "the cold junction is too cold"),
        (0x08, ReadingFault.OUT_OF_RANGE, "the thermocouple is too hot"),
        (0x04, ReadingFault.OUT_OF_RANGE, "the thermocouple is too cold"),
    )

    def __init__(self, name: str, spi: SpiDevice, *, kind: str = "K", mains_hz: int = 50) -> None:
        if kind not in self._TYPES:
            raise ValueError(f"thermocouple type {kind!r} is none of {', '.join(self._TYPES)}")
        if mains_hz not in (50, 60):
            raise ValueError(f"mains of {mains_hz} Hz instead of 50 or 60")
        self.name = name
        self._spi = spi
        self._kind = kind
        self._hum = 1 if mains_hz == 50 else 0  # CR0 bit 0
        self._cr0 = self._AUTOMATIC | self._FIND_OPEN | self._hum
        self._cr1 = self._TYPES[kind]
        self._set_up = False
        self._answered = False

    def read(self) -> float | None:
        """The hot junction in degrees Celsius, in steps of 1/128; None while the first converts.

        Raises `SensorError`, among others once when the chip had lost its settings.
        """
        try:
            registers = self._spi.transfer(bytes(17))[1:]  # from CR0 to SR in one burst
            _refuse_resting_line(self.name, registers, self._spi.where)
            self._answered = True
            if not self._as_set_up(registers):
                self._write_settings()
                if not self._set_up:
                    self._set_up = True
                    return None
                raise SensorError(
                    self.name,
                    "the chip had lost its settings (its supply failed for a moment)"
                    " and was set up again",
                    fault=ReadingFault.NOT_CONVERTED,
                )
        except OSError as error:
            raise _bus_error(self.name, self._spi.where, error, self._answered) from error
        self._set_up = True
        _refuse(self.name, registers[self._SR], self._FAULTS)
        measured = registers[self._CJTH : self._SR]
        if not any(measured):
            return None  # as after power-on: the first conversion takes 0.2 s
        _JUNCTION_SPAN.check(self.name, _signed(int.from_bytes(measured[:2], "big") >> 2, 14) / 64)
        raw = int.from_bytes(registers[self._LTCB : self._SR], "big") >> 5
        return SPANS[self._kind].check(self.name, _signed(raw, 19) / 128)

    def describe(self) -> str:
        return f"MAX31856, type {self._kind}, on {self._spi.where}"

    def close(self) -> None:
        self._spi.close()

    def _as_set_up(self, registers: bytes) -> bool:
        return (
            registers[self._CR0] & ~self._PASSING == self._cr0 and registers[self._CR1] == self._cr1
        )

    def _write_settings(self) -> None:
        # The hum filter may only be changed while no conversion runs (CR0 bit 0).
        for register, value in (
            (self._CR0, self._hum),
            (self._CR1, self._cr1),
            (self._CR0, self._cr0),
        ):
            self._spi.transfer(bytes([self._WRITE | register, value]))


class Mcp9600:
    """A MCP9600, or a MCP9601, which can tell an open and a shorted thermocouple.

    `kind` is the thermocouple's letter; raises `ValueError` for an unknown one.
    """

    blocking = True
    _TYPES: Final = {"K": 0, "J": 1, "T": 2, "N": 3, "S": 4, "E": 5, "R": 7}  # register 5-6
    _HOT, _COLD, _STATUS, _SETTINGS, _DEVICE, _ID = 0x00, 0x02, 0x04, 0x05, 0x06, 0x20
    _CHIPS: Final = {0x40: "MCP9600", 0x41: "MCP9601"}
    _NEW: Final = 0x40  # status bit 6: a conversion has ended since it was cleared
    _FAULTS: Final[dict[int, Faults]] = {
        0x40: (
            (
                0x10,
                ReadingFault.OUT_OF_RANGE,
                "the input is beyond the range of the thermocouple: it may be open",
            ),
        ),
        0x41: (
            (0x10, ReadingFault.OPEN_CIRCUIT, _OPEN),
            (0x20, ReadingFault.SHORT_TO_GROUND, "the thermocouple is shorted"),
        ),
    }
    _FILTER: Final = 0x01  # the lightest of the chip's own smoothing
    _CONVERTING: Final = 0x00  # 18 bits, one sample, running (register 5-7)
    _PATIENCE: Final = 5  # reads without a conversion; one takes 0.32 s

    def __init__(self, name: str, i2c: I2cDevice, *, kind: str = "K") -> None:
        if kind not in self._TYPES:
            raise ValueError(f"thermocouple type {kind!r} is none of {', '.join(self._TYPES)}")
        self.name = name
        self._i2c = i2c
        self._kind = kind
        self._chip: int | None = None
        self._settings = bytes([self._TYPES[kind] << 4 | self._FILTER])
        self._was_set_up = False
        self._waited = 0
        self._answered = False

    def read(self) -> float | None:
        """The hot junction in degrees Celsius, in steps of 1/16; None while nothing is new.

        Raises `SensorError`, among others once when the chip had lost its settings.
        """
        try:
            chip = self._identify()
            if self._lost_settings():
                self._i2c.write_register(self._SETTINGS, self._settings)
                self._i2c.write_register(self._DEVICE, bytes([self._CONVERTING]))
                self._i2c.write_register(self._STATUS, b"\0")
                if not self._was_set_up:
                    self._was_set_up = True
                    return None
                raise SensorError(
                    self.name,
                    "the chip had lost its settings (its supply failed for a moment)"
                    " and was set up again",
                    fault=ReadingFault.NOT_CONVERTED,
                )
            self._was_set_up = True
            (status,) = self._i2c.read_register(self._STATUS, 1)
            _refuse(self.name, status, self._FAULTS[chip])
            if not status & self._NEW:
                self._wait()
                return None
            self._waited = 0
            hot = self._i2c.read_register(self._HOT, 2)
            cold = self._i2c.read_register(self._COLD, 2)
            self._i2c.write_register(self._STATUS, b"\0")
        except OSError as error:
            self._chip = None
            raise _bus_error(self.name, self._i2c.where, error, self._answered) from error
        _JUNCTION_SPAN.check(self.name, int.from_bytes(cold, "big", signed=True) / 16)
        return SPANS[self._kind].check(self.name, int.from_bytes(hot, "big", signed=True) / 16)

    def describe(self) -> str:
        chip = "MCP9600" if self._chip is None else self._CHIPS[self._chip]
        return f"{chip}, type {self._kind}, on {self._i2c.where}"

    def close(self) -> None:
        self._i2c.close()

    def _identify(self) -> int:
        if self._chip is None:
            answer = self._i2c.read_register(self._ID, 2)
            _refuse_resting_line(self.name, answer, self._i2c.where)
            if answer[0] not in self._CHIPS:
                raise SensorError(
                    self.name,
                    f"the chip on {self._i2c.where} is no MCP9600 or MCP9601"
                    f" (it says 0x{answer[0]:02x})",
                    retry=False,
                )
            self._chip = answer[0]
            self._answered = True
        return self._chip

    def _lost_settings(self) -> bool:
        return (
            self._i2c.read_register(self._SETTINGS, 1) != self._settings
            or self._i2c.read_register(self._DEVICE, 1)[0] & 0x7F != self._CONVERTING
        )

    def _wait(self) -> None:
        self._waited += 1
        if self._waited >= self._PATIENCE:
            raise SensorError(
                self.name, "the chip has stopped converting", fault=ReadingFault.SILENT
            )


def _signed(value: int, bits: int) -> int:
    """`value` read as two's complement of `bits` bits."""
    return value - (1 << bits) if value >> (bits - 1) & 1 else value


def _refuse(sensor: str, bits: int, faults: Faults) -> None:
    """Raise `SensorError` with the first fault of those set in `bits` and the reasons of all."""
    told = [(fault, reason) for bit, fault, reason in faults if bits & bit]
    if told:
        raise SensorError(sensor, "; ".join(reason for _, reason in told), fault=told[0][0])


def _refuse_resting_line(sensor: str, answer: bytes, where: str) -> None:
    """Raise `SensorError` when every bit is the same: no chip drives the line."""
    for level, byte in ((0, 0x00), (1, 0xFF)):
        if all(got == byte for got in answer):
            raise SensorError(
                sensor,
                f"nobody answers on {where}: every bit reads {level}",
                fault=ReadingFault.SILENT,
            )


def _bus_error(sensor: str, where: str, error: OSError, answered: bool) -> SensorError:
    """What an error of the kernel's bus means."""
    if error.errno == errno.ENOENT:
        i2c = where.rpartition("/")[2].startswith("i2c-")
        line = "dtparam=i2c_arm=on" if i2c else "dtparam=spi=on"
        return SensorError(
            sensor,
            f"there is no {where}: switch the bus on: write {line} into config.txt, "
            "then restart the board",
        )
    if error.errno in (errno.EACCES, errno.EPERM):
        return SensorError(sensor, f"this user may not use {where}", retry=False)
    if error.errno in (errno.EREMOTEIO, errno.ENXIO, errno.ETIMEDOUT):  # not acknowledged
        if answered:
            return SensorError(
                sensor, f"the chip on {where} has vanished", fault=ReadingFault.VANISHED
            )
        return SensorError(sensor, f"nobody answers on {where}", fault=ReadingFault.SILENT)
    return SensorError(sensor, f"{where} can't be read: {error.strerror or error}")
