"""Strict reading of one table of a scenario file: every fault is noted, none stops the reading.

A `Spec` says what a key may hold; `read` answers the values with defaults
filled in and adds one sentence per fault, naming the key and what would be right.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

Value = float | str | bool | None | tuple[str, ...]
TEXT_LIMIT: Final = 200


@dataclass(frozen=True, slots=True)
class Number:
    """A finite number from `low` to `high`; needed unless it has a default or may be left out."""

    low: float
    high: float
    default: float | None = None
    needed: bool = False


@dataclass(frozen=True, slots=True)
class Text:
    """A string of at most 200 characters."""

    default: str | None = None
    needed: bool = False


@dataclass(frozen=True, slots=True)
class OneOf:
    """One of these words."""

    words: tuple[str, ...]
    default: str | None = None
    needed: bool = False


@dataclass(frozen=True, slots=True)
class SomeOf:
    """A list of one or more of these words."""

    words: tuple[str, ...]
    default: tuple[str, ...] | None = None
    needed: bool = False


@dataclass(frozen=True, slots=True)
class Flag:
    """True or false."""

    default: bool | None = None
    needed: bool = False


Spec = Number | Text | Flag | OneOf | SomeOf


def read(
    where: str, table: object, specs: Mapping[str, Spec], faults: list[str]
) -> dict[str, Value]:
    """The table's values by key. A key at fault, or left out without a default, is None."""
    if not isinstance(table, Mapping):
        faults.append(f"{where}: must be a table, not {_shown(table)}")
        table = {}
    possible = ", ".join(specs)
    faults.extend(
        f"{where}.{_shown(key)}: unknown; possible here: {possible}"
        for key in table
        if key not in specs
    )
    values: dict[str, Value] = {}
    for key, spec in specs.items():
        if key not in table:
            if spec.needed:
                faults.append(f"{where}.{key}: missing; must be {_wanted(spec)}")
            values[key] = spec.default
            continue
        value = _fit(table[key], spec)
        if value is None:
            faults.append(f"{where}.{key}: must be {_wanted(spec)}, not {_shown(table[key])}")
        values[key] = value
    return values


def _fit(raw: object, spec: Spec) -> Value:
    """The value if it fits, else None."""
    match spec:
        case Number():
            if isinstance(raw, bool) or not isinstance(raw, int | float):
                return None
            if isinstance(raw, int) and abs(raw) > 10**15:
                return None
            number = float(raw)
            return number if math.isfinite(number) and spec.low <= number <= spec.high else None
        case Flag():
            return raw if isinstance(raw, bool) else None
        case Text():
            return raw if isinstance(raw, str) and 0 < len(raw) <= TEXT_LIMIT else None
        case OneOf():
            return raw if isinstance(raw, str) and raw in spec.words else None
        case SomeOf():
            if not isinstance(raw, list) or not 0 < len(raw) <= len(spec.words):
                return None
            words = tuple(word for word in raw if isinstance(word, str) and word in spec.words)
            return words if len(words) == len(raw) == len(set(words)) else None


def _wanted(spec: Spec) -> str:
    match spec:
        case Number():
            return f"a number from {spec.low:g} to {spec.high:g}"
        case Flag():
            return "true or false"
        case Text():
            return f"a text of 1 to {TEXT_LIMIT} characters"
        case OneOf():
            return "one of " + ", ".join(spec.words)
        case SomeOf():
            return "a list of one or more of " + ", ".join(spec.words)


def _shown(raw: object) -> str:
    text = repr(raw)
    return text if len(text) <= 60 else text[:57] + "..."
