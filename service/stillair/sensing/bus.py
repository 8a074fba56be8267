"""SPI, I2C and serial ports as drivers need them, and the kernel's own.

SPI and I2C go through python-periphery, pure Python over the kernel's spidev
and i2c-dev: nothing to compile on the board. A serial port that is only read
needs no more than the standard library. Every error here is an `OSError`, with
the kernel's number where there is one; the drivers make a `SensorError` of it.
"""

from __future__ import annotations

import errno
import fcntl
import os
import select
import termios
import tty
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


class SerialPort(Protocol):
    """A port on which a device sends by itself."""

    where: str

    def read(self, within_s: float) -> bytes:
        """What has come, as soon as anything has; empty after `within_s`. Raises `OSError`."""
        ...

    def close(self) -> None: ...


class KernelSpi:
    """A chip on the kernel's spidev, such as /dev/spidev0.0.

    Opened at first use and again after an error, since the device may come
    and go. `mode` is the SPI mode, 0 to 3.
    """

    def __init__(self, device: str, *, mode: int, speed_hz: int = SPI_HZ) -> None:
        self.where = device
        self._mode = mode
        self._speed_hz = speed_hz
        self._port: SPI | None = None

    def transfer(self, sent: bytes) -> bytes:
        try:
            if self._port is None:
                from periphery import SPI

                self._port = SPI(self.where, self._mode, self._speed_hz)
            return bytes(self._port.transfer(sent))
        except OSError:
            self.close()
            raise

    def close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            port.close()


class KernelI2c:
    """A chip at a 7-bit address on the kernel's i2c-dev, such as /dev/i2c-1.

    Opened at first use and again after an error. Raises `ValueError` for an
    address that the I2C specification reserves.
    """

    def __init__(self, device: str, address: int) -> None:
        if not 0x08 <= address <= 0x77:
            raise ValueError(f"0x{address:02x} is no I2C address of a chip")
        self.where = f"{device} at 0x{address:02x}"
        self._device = device
        self._address = address
        self._port: I2C | None = None

    def read_byte(self) -> int:
        """One byte without a word before it, which tells that somebody is there."""
        return self._transfer(b"", 1)[0]

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

        messages = [I2C.Message(sent)] if sent else []
        if count:
            messages.append(I2C.Message(bytes(count), read=True))
        try:
            if self._port is None:
                self._port = I2C(self._device)
            self._port.transfer(self._address, messages)
        except OSError:
            self.close()
            raise
        return bytes(messages[-1].data) if count else b""


class KernelSerial:
    """A serial port such as /dev/ttyUSB0: 8 data bits, no parity, 1 stop bit; only read.

    Opened at first use and again after an error, since a plug may come and go.
    It is held alone: of two readers each would get half the bytes. `speed` is
    one of termios' constants.
    """

    MOST_BYTES = 4096  # as much as the kernel holds back

    def __init__(self, port: str, speed: int = termios.B9600) -> None:
        self.where = port
        self._speed = speed
        self._file: int | None = None

    def read(self, within_s: float) -> bytes:
        try:
            if self._file is None:
                self._open()
            assert self._file is not None
            waiting = select.poll()
            waiting.register(self._file, select.POLLIN)
            if not waiting.poll(max(0.0, within_s) * 1000.0):
                return b""
            came = os.read(self._file, self.MOST_BYTES)
            if not came:
                raise OSError(errno.EIO, "the other end is gone")
        except BlockingIOError:
            return b""
        except termios.error as error:
            self.close()
            raise OSError(*error.args) from error
        except OSError:
            self.close()
            raise
        return came

    def close(self) -> None:
        file, self._file = self._file, None
        if file is not None:
            os.close(file)

    def _open(self) -> None:
        # Without waiting for a carrier, which three wires have not.
        self._file = os.open(self.where, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
        fcntl.ioctl(self._file, termios.TIOCEXCL)
        tty.setraw(self._file, termios.TCSANOW)
        settings = termios.tcgetattr(self._file)
        settings[2] |= termios.CLOCAL | termios.CREAD
        settings[4] = settings[5] = self._speed
        termios.tcsetattr(self._file, termios.TCSANOW, settings)
