"""The form in which values are kept: a plain record of fields, and back again.

A record that an older program wrote lacks newer fields and gets their
defaults; one that a newer program wrote has fields more, which are left out.
"""

from __future__ import annotations

import dataclasses
import json
import logging
import math
import types
import typing
import uuid
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any, TypeVar

from stillair.model import (
    AlarmState,
    Duty,
    EventChange,
    Job,
    Outcome,
    SwitchedOff,
    Timeline,
)
from stillair.model.duties import TOPICS, topic_of

log = logging.getLogger(__name__)

T = TypeVar("T")
State = TypeVar("State", bound=AlarmState | EventChange | Job | Duty | SwitchedOff)

INSTANTS = frozenset(
    {"at_s", "onset_s", "end_s", "raised_s", "changed_s", "began_s", "acknowledged_s"}
    | {"started_s", "finished_s", "paused_since_s", "shelved_until_s"}
    | {"confirmed_s", "until_s", "tried_s", "since_s", "left_s"}
)

DUTY = "duty"  # the key under which a record of one says which it is
_HINTS: dict[type[Any], dict[str, Any]] = {}  # of each class once: they take 0.1 ms to find


@dataclass(frozen=True, slots=True)
class Parcel:
    """One outcome on its way into the journal; the same `id` is never kept twice."""

    outcome: Outcome
    timeline: Timeline
    id: str = field(default_factory=lambda: uuid.uuid4().hex)


def to_record(value: Any) -> Any:
    """Fields of a dataclass as a dict, tuples as lists, all the way down."""
    if dataclasses.is_dataclass(value):
        record = {f.name: to_record(getattr(value, f.name)) for f in dataclasses.fields(value)}
        # Of which class a duty is can't be told by where it stands.
        return record | {DUTY: topic_of(value)} if isinstance(value, Duty) else record
    if isinstance(value, Mapping):
        return {str(key): to_record(each) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [to_record(each) for each in value]
    if isinstance(value, StrEnum):
        return value.value
    if isinstance(value, float) and not math.isfinite(value):
        return None  # JSON has no word for it
    return value


def from_record(cls: type[T], record: Mapping[str, Any]) -> T:
    """The value of a dataclass that `to_record` was given.

    Raises `ValueError` for a word or a shape that the class doesn't know.
    """
    try:
        hints = _hints(cls)
        known = {name: _read(hints[name], record[name]) for name in hints if name in record}
        return cls(**known)
    except (TypeError, KeyError, AttributeError, StopIteration) as error:
        raise ValueError(f"not a record of {cls.__name__}: {error}") from error


def _hints(cls: type[Any]) -> dict[str, Any]:
    if cls not in _HINTS:
        _HINTS[cls] = typing.get_type_hints(cls)
    return _HINTS[cls]


def _read(hint: Any, value: Any) -> Any:
    origin = typing.get_origin(hint)
    if origin in (typing.Union, types.UnionType):
        if value is None:
            return None
        inner, *others = (each for each in typing.get_args(hint) if each is not type(None))
        if not others:
            return _read(inner, value)
        if isinstance(value, str):  # words of several lists, none of which stands in two
            return next(each(value) for each in (inner, *others) if value in set(each))
        return from_record(TOPICS[value[DUTY]], value)
    if origin is tuple:
        inner = typing.get_args(hint)[0]
        return tuple(_read(inner, each) for each in value)
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return from_record(hint, value)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return hint(value)
    return value


def dump(value: Any) -> str:
    """A value as one line of JSON; what is no number or no text becomes null or its escape."""
    return json.dumps(to_record(value), separators=(",", ":"), allow_nan=False)


def load(cls: type[T], text: str) -> T:
    """The value of class `cls` in a line of JSON. Raises `ValueError`."""
    record = json.loads(text)
    if not isinstance(record, dict):
        raise ValueError(f"not a record of {cls.__name__}")
    return from_record(cls, record)


def shifted(state: State, shift_s: float) -> State:
    """The same state with all its instants moved by `shift_s`, also those of what it holds."""
    if shift_s == 0.0:
        return state
    moved: dict[str, Any] = {}
    for each in dataclasses.fields(state):
        value = getattr(state, each.name)
        if each.name in INSTANTS and value is not None:
            moved[each.name] = value + shift_s
        elif isinstance(value, tuple) and any(map(dataclasses.is_dataclass, value)):
            moved[each.name] = tuple(shifted(inner, shift_s) for inner in value)
    return replace(state, **moved)


def readable(cls: type[T], rows: Iterable[Any]) -> Iterator[T]:
    """The values of rows; one that nobody understands is left out."""
    for row in rows:
        try:
            yield load(cls, row["body"])
        except ValueError:
            log.exception("a row of the journal can't be understood and was left out")
