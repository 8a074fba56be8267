"""By what a box and a sensor are known again: names alone say too little.

A name is given anew, a chip replaced, a simulated bench made real. What was
learned of one thing, or measured in one box, must not be held against another.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from stillair.model import Place

if TYPE_CHECKING:
    from stillair.config import ChamberSettings


def box_mark(settings: ChamberSettings) -> str:
    """What jobs are built in: real, recorded or simulated, and a mark of the enclosure."""
    walls = sorted(material.value for material in settings.chamber.enclosure)
    return f"{settings.family.value} {_mark([walls, _world(settings)])}"


def sensor_marks(settings: ChamberSettings) -> dict[str, str]:
    """For each sensor's name a mark that changes with its chip or wire, place or correction."""
    world = [settings.family.value, _world(settings)]
    return {
        sensor.name: _mark([world, sensor.model_dump(mode="json", exclude={"limit_c"})])
        for sensor in settings.sensors
    }


def air_sensors(settings: ChamberSettings) -> tuple[str, ...]:
    """The names of the sensors that are in the chamber's air."""
    return tuple(sensor.name for sensor in settings.sensors if sensor.place is Place.CHAMBER)


def air_told(told: Mapping[str, Any]) -> tuple[str, ...]:
    """The same, of what was kept of settings; none where it can't be understood."""
    try:
        return tuple(str(s["name"]) for s in told["sensors"] if s["place"] == Place.CHAMBER.value)
    except (KeyError, TypeError):
        return ()


def _world(settings: ChamberSettings) -> str:
    return settings.simulation.scenario if settings.simulated else ""


def _mark(plain: Any) -> str:
    return hashlib.sha256(json.dumps(plain, sort_keys=True).encode()).hexdigest()[:12]
