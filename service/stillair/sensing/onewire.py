"""1-Wire temperature sensors through the kernel's tree.

w1thermsensor knows the kinds of chip and finds them in the tree. Three things
are done otherwise here, and why:

- It keeps its directory in the class, so each bus directory gets a subclass.
- Its reading of the raw strings takes a file of any length and throws the
  bytes away when the kernel's verdict is NO; ours takes 512 bytes and keeps
  them, since they tell a silent bus from a disturbed one.
- It decodes too little of the nine bytes; `scratchpad` does that.

A read blocks for the conversion (750 ms at 12 bits), and without an end where
the kernel hangs: a thread for each sensor is the reader's business.
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from stillair.errors import ReadingFault, SensorError
from stillair.sensing import scratchpad
from stillair.sensing.board import one_wire
from stillair.sensing.board_files import config_text, names_in

BUS_DIR = Path("/sys/bus/w1/devices")
LONGEST_ANSWER_BYTES = 512

_ADDRESS = re.compile(r"(10|22|28|3b|42)-[0-9a-f]{12}")


def is_address(text: str) -> bool:
    """True when `text` is the kernel's name of a temperature chip, such as 28-0000075c2f11."""
    return _ADDRESS.fullmatch(text.lower()) is not None


def find_addresses(bus_dir: Path = BUS_DIR) -> tuple[str, ...]:
    """The temperature chips that the kernel has found, sorted; () where there is no bus."""
    try:
        names = sorted(entry.name for entry in bus_dir.iterdir() if _ADDRESS.fullmatch(entry.name))
        # One by one: the library's own list fails whole while one chip is vanishing.
        return tuple(name for name in names if _device(bus_dir, name) is not None)
    except OSError:
        return ()


class OneWireSensor:
    """One chip on a bus, by its address.

    Raises `ValueError` for an address that is none. Whether the chip is there
    is asked with each read, so it may come and go.
    """

    blocking = True

    def __init__(
        self,
        name: str,
        address: str,
        bus_dir: Path = BUS_DIR,
        config: Callable[[], str] = config_text,
    ) -> None:
        if not is_address(address):
            raise ValueError(f"{address!r} is no 1-Wire address such as 28-0000075c2f11")
        self.name = name
        self.address = address.lower()
        self._bus_dir = bus_dir
        self._decoder = scratchpad.Decoder(name, int(self.address[:2], 16))
        self._config = config
        self._seen = False

    def read(self) -> float | None:
        """The raw indication in degrees Celsius. Raises `SensorError`."""
        try:
            data = scratchpad.parse(self.name, self._text())
        except SensorError:
            self._decoder.forget()
            raise
        return self._decoder.decode(data)

    def describe(self) -> str:
        """One clause for a person: the kind of chip, its address, where."""
        kind = scratchpad.FAMILIES[int(self.address[:2], 16)]
        return f"{kind} {self.address} on 1-Wire in {self._bus_dir}"

    def close(self) -> None:
        """Nothing is held open between reads."""

    def _text(self) -> str:
        try:
            device = _device(self._bus_dir, self.address)
            if device is None:
                raise self._vanished()
            lines: list[str] = device.get_raw_sensor_strings()
        except OSError as error:
            raise self._told(error) from error
        self._seen = True
        return "\n".join(lines)

    def _vanished(self) -> SensorError:
        if self._seen:
            reason = f"{self.address} has vanished from the bus: look at plug and cable"
        else:
            found = ", ".join(find_addresses(self._bus_dir)[:8])
            line = one_wire(names_in(self._bus_dir), self._config())
            if found:
                reason = (
                    f"{self.address} is not on the bus; found: {found}; "
                    "use one of these, or look at its plug"
                )
            else:
                reason = f"{line.told}; {line.remedy}" if line.remedy else "it answers nothing"
        return SensorError(self.name, reason, fault=ReadingFault.VANISHED)

    def _told(self, error: OSError) -> SensorError:
        """What an error of the kernel means (`w1_therm.c` gives EIO when no chip is present)."""
        if error.errno in (errno.ENOENT, errno.ENODEV, errno.ENOTDIR):
            return self._vanished()
        if error.errno in (errno.EIO, errno.ETIMEDOUT):
            return SensorError(
                self.name, f"{self.address} does not answer", fault=ReadingFault.SILENT
            )
        if error.errno in (errno.EACCES, errno.EPERM):
            return SensorError(
                self.name, f"this user may not read {self._bus_dir / self.address}", retry=False
            )
        return SensorError(self.name, f"the kernel can't read it: {error.strerror or error}")


def _device(bus_dir: Path, address: str) -> Any | None:
    """The library's object for one chip, or None when it is not on the bus. Raises `OSError`."""
    w1 = _library()
    try:
        return _bus(bus_dir)(w1.Sensor.from_id_string(address[:2]), address[3:])
    except w1.NoSensorFoundError:
        return None


def _library() -> Any:
    # Without this the import calls modprobe, waits a second and raises.
    os.environ.setdefault("W1THERMSENSOR_NO_KERNEL_MODULE", "1")
    import w1thermsensor

    return w1thermsensor


@cache
def _bus(bus_dir: Path) -> Any:
    """The library's class for one bus directory."""
    return type(
        "Bus",
        (_library().W1ThermSensor,),
        {"BASE_DIRECTORY": bus_dir, "get_raw_sensor_strings": _raw_strings},
    )


def _raw_strings(device: Any) -> list[str]:
    """The lines of one chip's file, at most 512 bytes of it, whatever the kernel's verdict."""
    with device.sensorpath.open("rb") as file:
        return str(file.read(LONGEST_ANSWER_BYTES), "ascii", "replace").splitlines()
