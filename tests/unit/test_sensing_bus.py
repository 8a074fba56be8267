"""The kernel's SPI and I2C, as far as a machine without them can show."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

import pytest

from stillair.errors import ReadingFault, SensorError
from stillair.sensing.bus import KernelI2c, KernelSpi
from stillair.sensing.thermocouple import Max31855, Max31856, Mcp9600


def test_a_bus_that_is_switched_off_is_told_with_its_remedy(tmp_path: Path) -> None:
    absent = str(tmp_path / "spidev0.0")
    for sensor, line in (
        (Max31855("top", KernelSpi(absent, mode=Max31855.SPI_MODE)), "dtparam=spi=on"),
        (Max31856("top", KernelSpi(absent, mode=Max31856.SPI_MODE)), "dtparam=spi=on"),
        (Mcp9600("top", KernelI2c(str(tmp_path / "i2c-1"), 0x67)), "dtparam=i2c_arm=on"),
    ):
        with pytest.raises(
            SensorError, match=f"switch the bus on: write {line} into config.txt"
        ) as caught:
            sensor.read()
        assert caught.value.retry
        sensor.close()


def test_a_file_that_is_no_bus_is_told_and_not_kept_open(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.touch()
    for sensor in (
        Max31855("top", KernelSpi(str(plain), mode=0)),
        Mcp9600("top", KernelI2c(str(plain), 0x60)),
    ):
        for _ in range(2):
            with pytest.raises(SensorError, match="can't be read") as caught:
                sensor.read()
            assert caught.value.fault is ReadingFault.UNREADABLE
    held = [link.readlink() for link in Path("/proc/self/fd").iterdir() if link.is_symlink()]
    assert plain not in held


class FakeI2c:
    """periphery's I2C, with one register map behind it."""

    opened: ClassVar[list[str]] = []
    fails: ClassVar[bool] = False

    class Message:
        def __init__(self, data: bytes, read: bool = False) -> None:
            self.data = data
            self.read = read

    def __init__(self, device: str) -> None:
        self.opened.append(device)
        self.closed = False

    def transfer(self, address: int, messages: list[Message]) -> None:
        assert not self.closed
        assert address == 0x67
        if FakeI2c.fails:
            raise OSError(121, "Remote I/O error")
        (pointer, *reads) = messages
        assert not pointer.read
        for message in reads:
            assert message.read
            message.data = bytes(range(pointer.data[0], pointer.data[0] + len(message.data)))

    def close(self) -> None:
        self.closed = True


def test_i2c_reads_in_one_transaction_and_opens_again_after_an_error(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("periphery.I2C", FakeI2c)
    monkeypatch.setattr(FakeI2c, "opened", [])
    port = KernelI2c("/dev/i2c-1", 0x67)
    assert port.read_register(0x20, 2) == b"\x20\x21"
    port.write_register(0x05, b"\x01")
    monkeypatch.setattr(FakeI2c, "fails", True)
    with pytest.raises(OSError, match="Remote"):
        port.read_register(0x20, 2)
    monkeypatch.setattr(FakeI2c, "fails", False)
    assert port.read_register(0x20, 1) == b"\x20"
    port.close()
    assert FakeI2c.opened == ["/dev/i2c-1", "/dev/i2c-1"]


class FakeSpi:
    """periphery's SPI, looped back: what goes out comes in."""

    made: ClassVar[list[tuple[str, int, float]]] = []

    def __init__(self, device: str, mode: int, speed_hz: float) -> None:
        self.made.append((device, mode, speed_hz))

    def transfer(self, data: bytes) -> bytes:
        return data

    def close(self) -> None:
        pass


def test_spi_is_opened_once_in_the_chip_s_mode(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("periphery.SPI", FakeSpi)
    monkeypatch.setattr(FakeSpi, "made", [])
    port = KernelSpi("/dev/spidev0.1", mode=1)
    assert [port.transfer(b"\x01\x02"), port.transfer(b"\x03")] == [b"\x01\x02", b"\x03"]
    port.close()
    port.close()
    assert FakeSpi.made == [("/dev/spidev0.1", 1, 500_000)]


@pytest.mark.parametrize("address", [0x00, 0x07, 0x78, 0x167, -1])
def test_a_reserved_address_is_refused(address: int) -> None:
    with pytest.raises(ValueError, match="no I2C address"):
        KernelI2c("/dev/i2c-1", address)
