"""A simulated stretch of time as a table of readings, fast, with the truth beside it.

The form is the one that `stillair replay` reads: `time_s`, then one column a
sensor, an empty field where there was no reading.
"""

from __future__ import annotations

from typing import TextIO

from stillair.errors import SensorError
from stillair.simulation.scenario import Scenario
from stillair.simulation.script import Truth
from stillair.simulation.world import SimulatedChamber


def simulate_table(
    scenario: Scenario, duration_s: float, out: TextIO, *, seed: int = 1, every_s: float = 1.0
) -> tuple[Truth, ...]:
    """Write `duration_s` of the scenario's sensors to `out`; return what really happened.

    Raises `ValueError` unless both times are above 0.
    """
    if not (duration_s > 0.0 and every_s > 0.0):
        raise ValueError("duration_s and every_s must be above 0")
    world = SimulatedChamber(scenario, seed=seed)
    names = [plan.name for plan in scenario.sensors]
    out.write(",".join(["time_s", *(_quoted(name) for name in names)]) + "\n")
    row = 0
    while (t_s := row * every_s) <= duration_s:
        world.advance(t_s)
        out.write(",".join([f"{t_s:g}", *(_field(world, name) for name in names)]) + "\n")
        row += 1
    return world.truth()


def _field(world: SimulatedChamber, name: str) -> str:
    try:
        value_c = world.temperature_c(name)
    except SensorError:
        return ""
    return "" if value_c is None else f"{value_c:.4f}".rstrip("0").rstrip(".")


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"' if set(name) & set(',"\r\n') else name
