"""What a chamber file says of the simulated chamber, held against the scenario that it names."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stillair.config.inputs import SimulationTable
from stillair.config.near import did_you_mean, listed, printable, shown
from stillair.config.together import Row, rows
from stillair.errors import SettingsError

if TYPE_CHECKING:
    from stillair.simulation.scenario import Scenario


def faults_of_simulation(raw: Row, folder: Path) -> Iterator[str]:
    """Every name that the scenario doesn't know, and every fault of the scenario's own file."""
    sensors = [row for row in rows(raw, "sensor") if row[1].get("driver") == "simulated"]
    contacts = [row for row in rows(raw, "contact") if row[1].get("driver") == "simulated"]
    if not sensors and not contacts:
        return
    table: Any = raw.get("simulation")
    usual = SimulationTable().scenario
    name = table.get("scenario", usual) if isinstance(table, dict) else usual
    if not isinstance(name, str) or not name.isprintable():
        return  # told as a fault of its type
    try:
        scenario = _load(name, folder)
    except SettingsError as error:
        for fault in error.faults:
            yield f"simulation.scenario = {shown(name)}: {printable(fault, 300)}"
        return
    points = [point.name for point in scenario.sensors]
    for path, row in sensors:
        key = "point" if "point" in row else "name"
        yield from _unknown(path, key, row, points, f"a point of scenario {shown(name)}")
    switches = [contact.name for contact in scenario.contacts]
    for path, row in contacts:
        yield from _unknown(path, "name", row, switches, f"a switch of scenario {shown(name)}")


def _load(name: str, folder: Path) -> Scenario:
    # Only a simulated chamber pays for importing the simulation.
    from stillair.simulation.scenario import load

    return load(folder / name if name.endswith(".toml") else name)


def _unknown(path: str, key: str, row: Row, known: Collection[str], what: str) -> Iterator[str]:
    value = row.get(key)
    if isinstance(value, str) and value not in known:
        near = did_you_mean(value, known)
        yield f"{path}.{key} = {shown(value)}: has to be {what}{near}; there are {listed(known)}"
