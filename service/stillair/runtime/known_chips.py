"""What the watch reads already, for the page on which sensors are found."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from stillair.runtime.chamber import Chamber
from stillair.runtime.finding import KnownChip


def known_chips(chambers: Iterable[Chamber]) -> dict[Path, dict[str, KnownChip]]:
    """The chips that are read, by their bus and their address there."""
    found: dict[Path, dict[str, KnownChip]] = {}
    for chamber in chambers:
        views = {view.name: view for view in chamber.supervisor.view.thermal.sensors}
        for sensor in chamber.settings.sensors:
            match sensor.driver:
                case "onewire":
                    bus, address = sensor.bus_dir, sensor.address
                case "mcp9600":
                    bus, address = Path(sensor.device), f"0x{sensor.address:02x}"
                case _:
                    continue
            view = views.get(sensor.name)
            # What the chip itself tells, as of one that nobody has named.
            told_c = None if view is None else view.temperature_c
            raw_c = None if told_c is None else told_c - sensor.correction_k
            fault = (view.fault if view else "") or ""
            chip = KnownChip(sensor.name, raw_c, fault, chamber.key, sensor.place.value)
            found.setdefault(bus, {})[address] = chip
    return found


def watched_readings(chambers: Iterable[Chamber]) -> list[dict[str, Any]]:
    """What each sensor that is watched reads just now, whatever reads it."""
    return [
        {
            "chamber": chamber.key,
            "name": view.name,
            "temperature_c": view.temperature_c,
            "fault": view.fault or None,
        }
        for chamber in chambers
        for view in chamber.supervisor.view.thermal.sensors
    ]
