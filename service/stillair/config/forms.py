"""What each key of the chamber file takes, in words, read off the settings' own fields.

The same words tell somebody what would have been right and fill the table in
deploy/settings.md, so neither can go out of date.
"""

from __future__ import annotations

import types
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt, MaxLen, MinLen
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from stillair.config.near import listed
from stillair.config.settings import ChamberSettings
from stillair.config.values import Otherwise, Takes

UNITS = {
    "_c": "°C",
    "_k": "degrees",
    "_mm": "mm",
    "_min": "minutes",
    "_days": "days",
    "_mb": "MB",
    "_hz": "hertz",
    "_per_s": "per second",
    "_mm_s": "mm/s",
    "_mm_s2": "mm/s²",
    "_s": "seconds",
    "width": "pixels",
    "height": "pixels",
}


@dataclass(frozen=True, slots=True)
class Setting:
    """One row of the table in deploy/settings.md.

    `key` is the dotted path; `only` names the drivers that have the key, and
    is empty when all have it or the table knows no drivers.
    """

    key: str
    only: str
    takes: str
    unit: str
    default: str
    meaning: str

    def row(self) -> str:
        """The row as a line of a Markdown table."""
        key = f"`{self.key}`" + (f" ({self.only})" if self.only else "")
        unit = f", {self.unit}" if self.unit else ""
        return f"| {key} | {self.takes}{unit} | {self.default} | {self.meaning} |"


@dataclass(frozen=True, slots=True)
class Kind:
    """A type taken apart: what is inside `Annotated` and `X | None`, and what stands beside it."""

    inner: Any
    marks: tuple[Any, ...]


def kind_of(annotation: Any, marks: tuple[Any, ...] = ()) -> Kind:
    """Take a field's annotation apart; outer marks come last, so that they win."""
    if get_origin(annotation) is Annotated:
        inner, *more = get_args(annotation)
        return kind_of(inner, (*_flat(more), *marks))
    if get_origin(annotation) in (Union, types.UnionType):
        rest = [each for each in get_args(annotation) if each is not type(None)]
        if len(rest) == 1:
            return kind_of(rest[0], marks)
    return Kind(annotation, marks)


def _flat(marks: list[Any]) -> Iterator[Any]:
    for mark in marks:
        if isinstance(mark, FieldInfo):
            yield from mark.metadata
        else:
            yield mark


def field_kind(field: FieldInfo) -> Kind:
    return kind_of(field.annotation, tuple(field.metadata))


def choices(kind: Kind) -> tuple[str, ...]:
    """The words that a key can take, or nothing if it isn't a matter of words."""
    if get_origin(kind.inner) is Literal:
        return tuple(str(each) for each in get_args(kind.inner))
    if isinstance(kind.inner, type) and issubclass(kind.inner, StrEnum):
        return tuple(each.value for each in kind.inner)
    return ()


def takes(kind: Kind) -> str:
    """What a key takes, in words that follow "has to be"."""
    for mark in reversed(kind.marks):
        if isinstance(mark, Takes):
            return mark.words
    if get_origin(kind.inner) is Literal and isinstance(get_args(kind.inner)[0], int):
        return "one of " + ", ".join(str(each) for each in get_args(kind.inner))
    if words := choices(kind):
        return ("one of " if len(words) > 1 else "") + listed(words)
    if get_origin(kind.inner) is tuple:
        return f"a list{_length(kind.marks, '')}, each " + takes(kind_of(get_args(kind.inner)[0]))
    if kind.inner is bool:
        return "true or false"
    if kind.inner is int:
        return "a whole number" + _span(kind.marks)
    if kind.inner is float:
        return "a number" + _span(kind.marks)
    if kind.inner is Path:
        return "a path"
    return "text" + _length(kind.marks)


def _span(marks: tuple[Any, ...]) -> str:
    low = high = ""
    for mark in marks:
        match mark:
            case Ge():
                low = f" from {mark.ge:g}"
            case Gt():
                low = f" above {mark.gt:g}"
            case Le():
                high = (
                    f" to {mark.le:.15g}" if low.startswith(" from") else f", at most {mark.le:g}"
                )
            case Lt():
                high = f" and below {mark.lt:g}"
            case _:
                pass
    return low + high


def _length(marks: tuple[Any, ...], unit: str = " characters") -> str:
    least = max((mark.min_length for mark in marks if isinstance(mark, MinLen)), default=0)
    most = min((mark.max_length for mark in marks if isinstance(mark, MaxLen)), default=None)
    if most is None:
        return ""
    return f" of {least} to {most}{unit}"


def members(annotation: Any) -> dict[str, type[BaseModel]]:
    """The tables that a key may hold, by their driver; "" where there is only one."""
    kind = kind_of(annotation)
    inner = kind.inner
    if get_origin(inner) is tuple:
        return members(get_args(inner)[0])
    if get_origin(inner) in (Union, types.UnionType):
        return {
            choices(field_kind(each.model_fields["driver"]))[0]: each for each in get_args(inner)
        }
    return {"": inner} if isinstance(inner, type) and issubclass(inner, BaseModel) else {}


def settings_table(root: type[BaseModel] = ChamberSettings) -> tuple[Setting, ...]:
    """Every setting of the chamber file, or of another, in the order of its tables."""
    settings: dict[tuple[str, str, str], Setting] = {}
    drivers: dict[tuple[str, str, str], list[str]] = {}
    for name, field in root.model_fields.items():
        table = field.alias or name
        tables = members(field.annotation)
        if not tables:
            setting = _setting(table, field)
            settings[setting.key, setting.takes, setting.meaning] = setting
        for driver, model in tables.items():
            for key, each in model.model_fields.items():
                setting = _setting(f"{table}.{key}", each)
                same = (setting.key, setting.takes if key != "driver" else "", setting.meaning)
                settings.setdefault(same, setting)
                drivers.setdefault(same, []).append(driver)
        for same, owners in drivers.items():
            setting = settings[same]
            if setting.key == f"{table}.driver":
                settings[same] = Setting(
                    setting.key, "", "one of " + listed(owners), "", setting.default, DRIVER
                )
            elif same[0].startswith(f"{table}.") and len(owners) < len(tables):
                settings[same] = Setting(
                    setting.key,
                    ", ".join(owners),
                    setting.takes,
                    setting.unit,
                    setting.default,
                    setting.meaning,
                )
    tables_in_order = list(
        dict.fromkeys(setting.key.split(".")[0] for setting in settings.values())
    )
    return tuple(
        sorted(
            settings.values(),
            key=lambda each: (
                tables_in_order.index(each.key.split(".")[0]),
                each.only,
                each.default != "needed",
            ),
        )
    )


DRIVER = "How it is connected."


def _setting(key: str, field: FieldInfo) -> Setting:
    kind = field_kind(field)
    name = key.split(".")[-1]
    unit = next((words for end, words in UNITS.items() if name.endswith(end)), "")
    if get_origin(kind.inner) is not tuple and kind.inner not in (int, float):
        unit = ""
    return Setting(key, "", takes(kind), unit, _default(field, kind), field.description or "")


def _default(field: FieldInfo, kind: Kind) -> str:
    for mark in kind.marks:
        if isinstance(mark, Otherwise):
            return mark.words
    value = field.default
    if value is PydanticUndefined:
        return "needed"
    match value:
        case None:
            return "none"
        case bool():
            return "true" if value else "false"
        case tuple():
            return f"[{listed(value)}]"
        case str() | Path():
            return f'"{value}"'
        case _:
            return f"{value:g}"
