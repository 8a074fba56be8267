"""Which sensor is which: chips on the 1-Wire lines with their readings, and how each has changed.

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

from stillair.errors import SensorError
from stillair.sensing import onewire
from stillair.sensing.board_files import plugged_cameras

USUAL = onewire.BUS_DIR
LOOKED_FOR_S = 15.0  # after the last question nobody looks any more
PAUSE_S = 0.5  # between two rounds: the lines are the watch's first
MOST = 32  # chips; a line bears fewer


@dataclass(frozen=True, slots=True)
class KnownChip:
    """A chip that stands in a chamber file: its name there, and what the watch read last."""

    name: str
    temperature_c: float | None
    fault: str


@dataclass(frozen=True, slots=True)
class Chip:
    """A chip as it is now. `rise_k`: since the beginning, or since its lowest after that."""

    address: str
    name: str | None
    temperature_c: float | None
    fault: str | None
    rise_k: float | None


class Finder:
    """Look for chips while somebody asks.

    Parameters
    ----------
    known : callable
        Of each bus folder that chamber files name, their chips by address.
    usual : Path
        The bus that is looked at in any case.
    """

    def __init__(
        self,
        known: Callable[[], Mapping[Path, Mapping[str, KnownChip]]],
        *,
        usual: Path | None = None,
        cameras: Callable[[], Mapping[str, str]] = plugged_cameras,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._known = known
        self._usual = usual or USUAL
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
            name = None if chip is None else chip.name
            found.append(Chip(address, name, temperature_c, fault, rise_k))
        return found

    def begin_anew(self) -> None:
        """Rises count from now on."""
        with self._lock:
            self._lowest_c.clear()

    def buses(self) -> dict[str, str]:
        """The folder of the bus of each chip that isn't on the usual one."""
        with self._lock:
            return {a: str(bus) for a, bus in self._bus.items() if bus != onewire.BUS_DIR}

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
        sensors: dict[str, onewire.OneWireSensor] = {}
        while self._monotonic_s() - self._asked_s < LOOKED_FOR_S:
            for bus in dict.fromkeys([self._usual, *self._known()]):
                self._round(bus, sensors)
            if self._stopping.wait(PAUSE_S):
                return

    def _round(self, bus: Path, sensors: dict[str, onewire.OneWireSensor]) -> None:
        addresses = onewire.find_addresses(bus)[:MOST]
        with self._lock:
            for gone in [a for a, of in self._bus.items() if of == bus and a not in addresses]:
                del self._bus[gone]
                self._read.pop(gone, None)
            self._bus |= dict.fromkeys(addresses, bus)
        named = self._named()
        for address in addresses:
            if address in named:
                continue
            sensor = sensors.setdefault(address, onewire.OneWireSensor(address, address, bus))
            try:
                value: float | str | None = sensor.read()
            except SensorError as error:
                value = error.reason
            if value is not None:
                with self._lock:
                    self._read[address] = value

    def _named(self) -> dict[str, KnownChip]:
        return {address: chip for of in self._known().values() for address, chip in of.items()}

    def _rise(self, address: str, temperature_c: float | None) -> float | None:
        if temperature_c is None:
            return None
        with self._lock:
            lowest_c = min(temperature_c, self._lowest_c.get(address, temperature_c))
            self._lowest_c[address] = lowest_c
        return round(temperature_c - lowest_c, 2)
