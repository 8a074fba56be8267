"""SPI and I2C as the thermocouple drivers need them, and the kernel's own through python-periphery.

python-periphery is pure Python over the kernel's spidev and i2c-dev: nothing
to compile on the board. Every error here is an `OSError`, with the kernel's
number where there is one; the drivers make a `SensorError` of it.
"""

from __future__ import annotations

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
                self._port = I2C(self._device)
            self._port.transfer(self._address, messages)
        except OSError:
            self.close()
            raise
        return bytes(messages[-1].data) if count else b""
