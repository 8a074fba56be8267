"""What a chamber's watch has learned, as text to be kept, and back again at the next start.

Written by the journal's thread and read once, before the watch begins. What
can't be read, or belongs to another box, is learned anew; of a sensor that was
renamed, moved, corrected or replaced nothing is taken over.
"""

from __future__ import annotations

import dataclasses
import json
import logging
import math
from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

from pydantic import TypeAdapter

from stillair.model import Afterwards
from stillair.runtime.marks import box_mark, sensor_marks
from stillair.thermal.balance import BalanceMemory

if TYPE_CHECKING:
    from stillair.config import ChamberSettings

log = logging.getLogger(__name__)

LARGEST_CHARS = 200_000  # 64 sensors take some 10,000
BALANCE = TypeAdapter(BalanceMemory)
AFTERWARDS = TypeAdapter(Afterwards)


def to_text(balance: BalanceMemory, afterwards: Afterwards, settings: ChamberSettings) -> str:
    """What still holds, and the balance with the marks of what it was learned from."""
    kept = {
        "box": box_mark(settings),
        "sensors": sensor_marks(settings),
        "balance": BALANCE.dump_python(balance, mode="json"),
        "afterwards": AFTERWARDS.dump_python(afterwards, mode="json"),
    }
    return json.dumps(kept, separators=(",", ":"))


def from_text(text: str | None, settings: ChamberSettings) -> BalanceMemory | None:
    """The balance that `to_text` was given, as far as it holds for these settings."""
    if text is None:
        return None
    try:
        kept = _record(text)
        if not isinstance(kept.get("sensors"), dict):
            raise ValueError("it is no such record")
        if kept.get("box") != box_mark(settings):
            log.info("%s: another box than before: its heat is learned anew", settings.name)
            return None
        balance = BALANCE.validate_json(json.dumps(kept.get("balance")), strict=True)
        _check(balance)
    except (ValueError, RecursionError) as error:
        log.warning("%s: what was learned of its heat is learned anew: %s", settings.name, error)
        return None
    now = sensor_marks(settings)
    same = {name for name, mark in now.items() if kept["sensors"].get(name) == mark}
    found: BalanceMemory = _only(balance, same)
    return found


def afterwards_from_text(text: str | None) -> Afterwards:
    """What still holds by what `to_text` was given; nothing where that can't be read."""
    try:
        told = _record(text).get("afterwards") if text is not None else None
        if told is None:
            return Afterwards()
        found = AFTERWARDS.validate_json(json.dumps(told), strict=True)
        _check(found)
    except (ValueError, RecursionError) as error:
        log.warning("what still followed from the last job is not known now: %s", error)
        return Afterwards()
    return found


def _record(text: str) -> dict[str, Any]:
    """The fields of a kept text. Raises `ValueError`."""
    if len(text) > LARGEST_CHARS:
        raise ValueError("it is far too long")
    kept = json.loads(text)
    if not isinstance(kept, dict):
        raise ValueError("it is no such record")
    return kept


def _only(value: Any, sensors: Collection[str]) -> Any:
    """The same value, its mappings, which go by sensors' names, without all others."""
    if isinstance(value, Mapping):
        return {name: _only(each, sensors) for name, each in value.items() if name in sensors}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = dataclasses.fields(value)
        return dataclasses.replace(
            value, **{f.name: _only(getattr(value, f.name), sensors) for f in fields}
        )
    if isinstance(value, (list, tuple)):
        return tuple(_only(each, sensors) for each in value)
    return value


def _check(value: Any) -> None:
    """Raise `ValueError` for a number that is none."""
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError("a figure is not a number")
    if isinstance(value, Mapping):
        value = list(value.values())
    elif dataclasses.is_dataclass(value):
        value = [getattr(value, f.name) for f in dataclasses.fields(value)]
    if isinstance(value, (list, tuple)):
        for each in value:
            _check(each)
