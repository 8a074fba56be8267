"""A chamber's settings as they may be told to others: numbers, choices, names of its parts.

Every other text stays where it is: addresses, passwords, topics, people, files. What is
told is kept with the jobs that ran under it, and makes a chamber file again that
`stillair replay` takes beside the job's readings.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel

from stillair.config import ChamberSettings
from stillair.config.forms import choices, field_kind
from stillair.runtime.redacting import LEFT_OUT, NAMED

SENSOR_KEYS = ("name", "place", "driver", "limit_c", "correction_k")


def settings_told(settings: ChamberSettings) -> dict[str, Any]:
    """What may be kept and told of settings, as JSON can hold it."""
    of = settings.chamber
    return {
        "name": of.name,
        "enclosure": [each.value for each in of.enclosure],
        "limit_c": of.limit_c,
        "target_c": of.target_c,
        "family": settings.family.value,
        "sensors": [
            {key: _plain(getattr(sensor, key)) for key in SENSOR_KEYS}
            for sensor in settings.sensors
        ],
        "contacts": [{"name": c.name, "kind": c.kind.value} for c in settings.contacts],
        "all": list(settings_lines(settings)),
    }


def chamber_file(told: Mapping[str, Any], readings: str, columns: Mapping[str, str]) -> str:
    """A chamber file of what was told, whose sensors are columns of a file of readings.

    `columns` names the column of each sensor that is there. Raises `KeyError`, `TypeError`
    for something else than `settings_told` gives.
    """
    lines = ["[chamber]", f"name = {_toml(told['name'])}"]
    lines += [f"enclosure = {_toml(told['enclosure'])}", f"limit_c = {_toml(told['limit_c'])}"]
    if told["target_c"] is not None:
        lines.append(f"target_c = {_toml(told['target_c'])}")
    for sensor in told["sensors"]:
        column = columns.get(sensor["name"])
        if column is None:
            continue
        # The readings hold the corrections already: they stand beside, as a word.
        lines += ["", "[[sensor]]", f"name = {_toml(column)}", f"place = {_toml(sensor['place'])}"]
        lines += ['driver = "recording"', f"file = {_toml(readings)}", f"column = {_toml(column)}"]
        if sensor["place"] == "electronics" and sensor["limit_c"] is not None:
            lines.append(f"limit_c = {_toml(sensor['limit_c'])}")
        if sensor["correction_k"]:
            lines.append(f"# {sensor['correction_k']:+g} K are in the readings already")
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    # JSON's strings, lists and numbers are TOML's, but for one control character.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _plain(value: Any) -> Any:
    return value.value if hasattr(value, "value") else value


def settings_lines(settings: BaseModel, table: str = "") -> Iterator[str]:
    """One line for each key: its value where that may go out."""
    for name, field in type(settings).model_fields.items():
        value, key = getattr(settings, name), field.alias or name
        path = f"{table}.{key}" if table else key
        rows = value if isinstance(value, tuple) else (value,)
        if rows and all(isinstance(row, BaseModel) for row in rows):
            for row in rows:
                yield from settings_lines(row, path)
            continue
        may = (
            value is None
            or isinstance(value, bool | int | float)
            or bool(choices(field_kind(field)))
            or (key == "name" and table in NAMED)
            or (table == "chamber" and key == "enclosure")
        )
        yield f"{path} = {_words(value) if may else LEFT_OUT}"


def _words(value: object) -> str:
    if isinstance(value, tuple):
        return ", ".join(map(str, value)) or "none"
    return "none" if value is None else str(value)
