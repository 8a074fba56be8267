"""SPI and I2C as the thermocouple drivers need them, and the kernel's own through python-periphery.

python-periphery is pure Python over the kernel's spidev and i2c-dev: nothing
to compile on the board. Every error here is an `OSError`, with the kernel's
number where there is one; the drivers make a `SensorError` of it.
"""

from __future__ import annotations

import errno
import re
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from periphery import I2C, SPI

SPI_HZ = 500_000  # the chips bear 5 MHz; jumper wires in a box full of motors don't


class SpiDevice(Protocol):
    """One chip behind one chip-select line."""

    where: str

    def transfer(self, sent: bytes) -> bytes:
        """Clock `sent` out and as many bytes in, with the chip selected. Raises `OSError`."""
        ...

    def close(self) -> None: ...


class I2cDevice(Protocol):
    """One chip at one address."""

    where: str

    def read_register(self, register: int, count: int) -> bytes:
        """Read `count` bytes from a register in one transaction. Raises `OSError`."""
        ...

    def write_register(self, register: int, data: bytes) -> None:
        """Write a register. Raises `OSError`."""
        ...

    def close(self) -> None: ...


class KernelSpi:
    """A chip on the kernel's spidev, opened at first use and again after an error.

    `address` is "0.1" (bus, chip-select) or "/dev/spidev0.1"; `mode` the SPI
    mode 0 to 3. Raises `ValueError` for another address.
    """

    def __init__(self, address: str, *, mode: int, speed_hz: int = SPI_HZ) -> None:
        match = re.fullmatch(r"(?:/dev/spidev)?(\d{1,3}\.\d{1,3})", address)
        if match is None:
            raise ValueError(f"{address!r} is no SPI address such as 0.0 or /dev/spidev0.0")
        self.where = f"/dev/spidev{match[1]}"
        self._mode = mode
        self._speed_hz = speed_hz
        self._port: SPI | None = None

    def transfer(self, sent: bytes) -> bytes:
        try:
            if self._port is None:
                from periphery import SPI

                self._port = SPI(self.where, self._mode, self._speed_hz)
            got = bytes(self._port.transfer(sent))
        except OSError:
            self.close()
            raise
        if len(got) != len(sent):
            raise OSError(errno.EIO, f"{len(got)} bytes came for {len(sent)}")
        return got

    def close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            port.close()


class KernelI2c:
    """A chip on the kernel's i2c-dev, opened at first use and again after an error.

    `address` is "0x67" (on bus 1, the one on a board's header) or "3:0x67".
    Raises `ValueError` for another, or one outside 0x08 to 0x77.
    """

    def __init__(self, address: str) -> None:
        match = re.fullmatch(r"(?:(\d{1,3}):)?0x([0-9a-fA-F]{2})", address)
        number = int(match[2], 16) if match else 0
        if match is None or not 0x08 <= number <= 0x77:
            raise ValueError(f"{address!r} is no I2C address such as 0x67 or 1:0x67")
        self._path = f"/dev/i2c-{match[1] or 1}"
        self._number = number
        self.where = f"{self._path} at 0x{number:02x}"
        self._port: I2C | None = None

    def read_register(self, register: int, count: int) -> bytes:
        # One transaction, so that nobody moves the chip's pointer in between.
        return self._transfer(bytes([register]), count)

    def write_register(self, register: int, data: bytes) -> None:
        self._transfer(bytes([register]) + data, 0)

    def close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            port.close()

    def _transfer(self, sent: bytes, count: int) -> bytes:
        from periphery import I2C

        messages = [I2C.Message(sent)]
        if count:
            messages.append(I2C.Message(bytes(count), read=True))
        try:
            if self._port is None:
                self._port = I2C(self._path)
            self._port.transfer(self._number, messages)
        except OSError:
            self.close()
            raise
        return bytes(messages[-1].data) if count else b""
