"""Which sensor is which: chips on 1-Wire and I2C with their readings, and how each has changed.

Who warms one between two fingers sees which it is. Chips that the watch reads already are
told from what it knows, so that the lines belong to it; the others are read here, one after
the other, in a thread that ends when nobody has asked for some seconds.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from stillair.errors import ReadingFault, SensorError
from stillair.sensing import i2c_chips, onewire
from stillair.sensing.board_files import plugged_cameras
from stillair.sensing.bus import KernelI2c
from stillair.sensing.protocols import Sensor
from stillair.sensing.thermocouple import Mcp9600

USUAL = onewire.BUS_DIR
LOOKED_FOR_S = 15.0  # after the last question nobody looks any more
PAUSE_S = 0.5  # between two rounds: the lines are the watch's first
MOST = 32  # chips; a line bears fewer
I2C_AT = " at "  # between an I2C bus and the address on it


@dataclass(frozen=True, slots=True)
class KnownChip:
    """A chip that stands in a chamber file: its name there, and what the watch read last."""

    name: str
    temperature_c: float | None
    fault: str
    chamber: str = ""
    place: str = "chamber"


@dataclass(frozen=True, slots=True)
class Chip:
    """A chip as it is now. `rise_k`: since the beginning, or since its lowest after that.

    `known` is what it is in a chamber file; `device` the I2C bus that it is on.
    """

    address: str
    known: KnownChip | None
    temperature_c: float | None
    fault: str | None
    rise_k: float | None
    driver: str = "onewire"
    device: str | None = None


def is_i2c(bus: Path) -> bool:
    """Whether a bus is an I2C device rather than the folder of a 1-Wire bus."""
    return bus.name.startswith("i2c-") and bus.parent == Path("/dev")


class Finder:
    """Look for chips while somebody asks.

    Parameters
    ----------
    known : callable
        Of each bus that chamber files name, a folder or an I2C device, their chips by address.
    usual : Path
        The 1-Wire bus that is looked at in any case.
    i2c : callable
        The I2C buses that may be looked at.
    is_chip : callable
        Whether a thermocouple chip is at a device and address; None where nobody is.
    """

    def __init__(
        self,
        known: Callable[[], Mapping[Path, Mapping[str, KnownChip]]],
        *,
        usual: Path | None = None,
        i2c: Callable[[], tuple[str, ...]] | None = None,
        is_chip: Callable[[str, int], bool | None] | None = None,
        cameras: Callable[[], Mapping[str, str]] = plugged_cameras,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._known = known
        self._usual = usual or USUAL
        self._i2c = i2c or i2c_chips.i2c_buses
        self._is_chip = is_chip or i2c_chips.is_thermocouple_chip
        self._cameras = cameras
        self._monotonic_s = monotonic_s
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._asked_s = 0.0
        self._read: dict[str, float | str] = {}  # degrees, or why not
        self._bus: dict[str, Path] = {}
        self._lowest_c: dict[str, float] = {}
        self._stopping = threading.Event()

    def chips(self) -> list[Chip]:
        """All chips as they are now; asking begins to look."""
        self._keep_looking()
        known = self._named()
        with self._lock:
            read, addresses = dict(self._read), dict.fromkeys([*self._bus, *known])
        found = []
        for address in sorted(addresses):
            chip = known.get(address)
            value = read.get(address)
            if chip is not None:
                value = chip.fault if chip.temperature_c is None else chip.temperature_c
            temperature_c = value if isinstance(value, float) else None
            fault = value if isinstance(value, str) and value else None
            rise_k = self._rise(address, temperature_c)
            device, at, short = address.rpartition(I2C_AT)
            if at:
                found.append(Chip(short, chip, temperature_c, fault, rise_k, "mcp9600", device))
            else:
                found.append(Chip(address, chip, temperature_c, fault, rise_k))
        return found

    def begin_anew(self) -> None:
        """Rises count from now on."""
        with self._lock:
            self._lowest_c.clear()

    def buses(self) -> dict[str, str]:
        """The folder of the bus of each chip that isn't on the usual one."""
        with self._lock:
            found = {a: bus for a, bus in self._bus.items() if I2C_AT not in a}
        return {a: str(bus) for a, bus in found.items() if bus != onewire.BUS_DIR}

    def cameras(self) -> Mapping[str, str]:
        """What each camera that is plugged in calls itself, by its source for a chamber file."""
        return self._cameras()

    def stop(self) -> None:
        """Look no more."""
        self._stopping.set()

    # --- the thread ------------------------------------------------------------

    def _keep_looking(self) -> None:
        with self._lock:
            self._asked_s = self._monotonic_s()
            if self._thread is None or not self._thread.is_alive():
                self._thread = threading.Thread(
                    target=self._run, name="looking for sensors", daemon=True
                )
                self._thread.start()

    def _run(self) -> None:
        sensors: dict[str, Sensor] = {}
        strangers: set[str] = set()  # who has answered and is no chip of ours: asked once
        try:
            while self._monotonic_s() - self._asked_s < LOOKED_FOR_S:
                known = [bus for bus in self._known() if not is_i2c(bus)]
                for bus in dict.fromkeys([self._usual, *known]):
                    for address in self._there(bus, list(onewire.find_addresses(bus)[:MOST])):
                        if address not in sensors:
                            sensors[address] = onewire.OneWireSensor(address, address, bus)
                        self._read_one(address, sensors[address])
                for device in self._i2c():
                    for address in self._there(Path(device), self._chips_on(device, strangers)):
                        if address not in sensors:
                            number = int(address.rpartition(I2C_AT)[2], 16)
                            sensors[address] = Mcp9600(address, KernelI2c(device, number))
                        self._read_one(address, sensors[address])
                if self._stopping.wait(PAUSE_S):
                    return
        finally:
            for sensor in sensors.values():
                sensor.close()

    def _chips_on(self, device: str, strangers: set[str]) -> list[str]:
        """The thermocouple chips on an I2C bus; those of the watch are left alone."""
        named, found = self._named(), []
        for number in i2c_chips.ADDRESSES:
            address = f"{device}{I2C_AT}0x{number:02x}"
            if address in strangers or address in named:
                continue
            there = address in self._bus or self._is_chip(device, number)
            if there:
                found.append(address)
            elif there is False:
                strangers.add(address)
        return found

    def _there(self, bus: Path, addresses: list[str]) -> list[str]:
        """Take note of who is on a bus; returns those that the watch doesn't read."""
        named = self._named()
        with self._lock:
            for gone in [a for a, of in self._bus.items() if of == bus and a not in addresses]:
                del self._bus[gone]
                self._read.pop(gone, None)
            self._bus |= dict.fromkeys(addresses, bus)
        return [address for address in addresses if address not in named]

    def _read_one(self, address: str, sensor: Sensor) -> None:
        try:
            value: float | str | None = sensor.read()
        except SensorError as error:
            value = error.reason
            if I2C_AT in address and error.fault in (ReadingFault.VANISHED, ReadingFault.SILENT):
                with self._lock:  # it has to be found again
                    self._bus.pop(address, None)
                    self._read.pop(address, None)
                return
        if value is not None:
            with self._lock:
                self._read[address] = value

    def _named(self) -> dict[str, KnownChip]:
        return {
            f"{bus}{I2C_AT}{address}" if is_i2c(bus) else address: chip
            for bus, of in self._known().items()
            for address, chip in of.items()
        }

    def _rise(self, address: str, temperature_c: float | None) -> float | None:
        if temperature_c is None:
            return None
        with self._lock:
            lowest_c = min(temperature_c, self._lowest_c.get(address, temperature_c))
            self._lowest_c[address] = lowest_c
        return round(temperature_c - lowest_c, 2)
