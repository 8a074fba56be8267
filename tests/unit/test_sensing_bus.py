"""The kernel's SPI and I2C, as far as a machine without them can show."""

from __future__ import annotations

from pathlib import Path

import pytest

from stillair.errors import ReadingFault, SensorError
from stillair.sensing.bus import KernelI2c, KernelSpi
from stillair.sensing.thermocouple import Max31855, Max31856, Mcp9600


def test_a_bus_that_is_switched_off_is_told_with_its_remedy(tmp_path: Path) -> None:
    absent = str(tmp_path / "spidev0.0")
    for sensor in (
        Max31855("top", KernelSpi(absent, mode=Max31855.SPI_MODE)),
        Max31856("top", KernelSpi(absent, mode=Max31856.SPI_MODE)),
        Mcp9600("top", KernelI2c(absent, 0x67)),
    ):
        with pytest.raises(SensorError, match="switch the bus on") as caught:
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


@pytest.mark.parametrize("address", [0x00, 0x07, 0x78, 0x167, -1])
def test_a_reserved_address_is_refused(address: int) -> None:
    with pytest.raises(ValueError, match="no I2C address"):
        KernelI2c("/dev/i2c-1", address)
