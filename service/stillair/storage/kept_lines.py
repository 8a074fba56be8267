"""Rows of the ledger as lines that other programs read, and back again, checked by value.

A line has the fields of what happened as they are kept, and beside them `topic`, `chamber`,
`at` (when it was kept), `zero_s` (what has to be added to its seconds for seconds since 1970)
and `kept`, by which the row is known wherever it is brought. `class` is the word of a replay
line. What says how a duty stands on one board (who is near, the stop of the machine, messages
that wait) holds nowhere else and is no line; it may name routes as well.
"""

from __future__ import annotations

import json
import math
import re
import types
import typing
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass
from enum import StrEnum
from typing import Any

from stillair.model import (
    AlarmState,
    EventChange,
    EventJudged,
    HeightPin,
    Job,
    JobDiagnosis,
    JobNote,
    LogTold,
    OutcomeTold,
)
from stillair.storage.items import label

CLASSES: dict[str, type[Any]] = {
    "event": EventChange,
    "alarm": AlarmState,
    "job": Job,
    "note": JobNote,
    "pin": HeightPin,
    "outcome": OutcomeTold,
    "log": LogTold,
    "diagnosis": JobDiagnosis,
    "judgement": EventJudged,
}
ERASED = "erased"  # a job is gone: no line, but whoever has it from us has to know


@dataclass(frozen=True, slots=True)
class ErasedJob:
    """The body of the row that says so: from when to when the job was, as in every body."""

    job: str
    begun_s: float
    over_s: float


LAST_US = 32_503_680_000_000_000  # the year 3000: a label behind that is none
LARGEST_S = 1e12
LONGEST_TEXT = 20_000
MOST_IN_ONE = 10_000
DEEPEST = 20
BIGGEST = 10**15
_BESIDE = ("topic", "at", "zero_s", "kept")
_KEPT = ("parcel", "part", "boot", "mono_s", "at_us", "made_with")
_PARCEL = re.compile(r"[0-9A-Za-z_-]{1,64}|season [0-9]{1,3} [0-9]{1,6}")
_BOOT = re.compile(r"[0-9A-Za-z _.:+-]{1,80}")


@dataclass(frozen=True, slots=True)
class KeptLine:
    """One row of the ledger, its body as plain JSON that its class understands."""

    topic: str
    chamber: str
    parcel: str
    part: int
    boot: str
    mono_s: float
    at_us: int
    made_with: str
    body: dict[str, Any]

    @property
    def job(self) -> str | None:
        """The job that it is of."""
        found = self.body["id"] if self.topic == "job" else self.body.get("job")
        return found if found is None else str(found)

    @property
    def event(self) -> int | None:
        """The number of the event that it is of."""
        return self.body["event"] if self.topic in ("event", "alarm", "judgement") else None

    @property
    def kind(self) -> str:
        """As the ledger sorts it."""
        match self.topic:
            case "job":
                return str(self.body["state"])
            case "outcome":
                return str(self.body["outcome"] or "")
            case "event" | "alarm" | "judgement":
                return str(self.body["kind"])
            case _:
                return self.topic


def of_row(row: Mapping[str, Any]) -> KeptLine:
    """The line of a row of the ledger. Raises `ValueError` for one that can't be understood."""
    body = json.loads(row["body"])
    if not isinstance(body, dict):
        raise ValueError("it is no record")
    line = KeptLine(
        topic=row["topic"],
        chamber=row["chamber"],
        parcel=row["parcel"],
        part=row["part"],
        boot=row["boot_id"],
        mono_s=row["mono_s"],
        at_us=row["at_us"],
        made_with=row["made_with"],
        body=body,
    )
    check(line)
    return line


def of_erased(row: Mapping[str, Any]) -> KeptLine:
    """The row that says that a job was erased. Raises `ValueError` as `of_row`."""
    body = json.loads(row["body"])
    if not isinstance(body, dict) or row["topic"] != ERASED:
        raise ValueError("it is no record")
    place = ("topic", "chamber", "parcel", "part", "mono_s", "at_us", "made_with")
    return KeptLine(**{name: row[name] for name in place}, boot=row["boot_id"], body=body)


def written(line: KeptLine) -> dict[str, Any]:
    """A line as it is written to a file."""
    body = {("class" if name == "signal_class" else name): v for name, v in line.body.items()}
    return {
        "topic": line.topic,
        "at": label(line.at_us / 1e6),
        "chamber": line.chamber,
        **body,
        "zero_s": line.at_us / 1e6 - line.mono_s,
        "kept": {
            "parcel": line.parcel,
            "part": line.part,
            "boot": line.boot,
            "mono_s": line.mono_s,
            "at_us": line.at_us,
            "made_with": line.made_with,
        },
    }


def read(found: Mapping[str, Any], chamber: str) -> KeptLine:
    """What `written` made of a line of that chamber. Raises `ValueError` for anything else."""
    topic, kept = found.get("topic"), found.get("kept")
    if not isinstance(topic, str) or topic not in CLASSES:
        raise ValueError(f"there is no topic {str(topic)[:40]!r}")
    if found.get("chamber") != chamber:
        raise ValueError("it belongs to another chamber")
    if not isinstance(kept, dict) or kept.keys() != set(_KEPT):
        raise ValueError("it doesn't say how it was kept")
    own = {each.name for each in fields(CLASSES[topic])}
    body = {
        ("signal_class" if name == "class" else name): value
        for name, value in found.items()
        if name not in _BESIDE and (name != "chamber" or "chamber" in own)
    }
    line = KeptLine(
        topic=topic,
        chamber=chamber,
        parcel=kept["parcel"],
        part=kept["part"],
        boot=kept["boot"],
        mono_s=kept["mono_s"],
        at_us=kept["at_us"],
        made_with=kept["made_with"],
        body=body,
    )
    check(line)
    return line


def check(line: KeptLine) -> None:
    """Raise `ValueError` unless every value of a line is what it should be."""
    cls = ErasedJob if line.topic == ERASED else CLASSES.get(line.topic)
    if cls is None:
        raise ValueError(f"there is no topic {line.topic[:40]!r}")
    marks: tuple[tuple[Any, re.Pattern[str]], ...] = ((line.parcel, _PARCEL), (line.boot, _BOOT))
    for value, pattern in marks:
        if not isinstance(value, str) or not pattern.fullmatch(value):
            raise ValueError(f"{str(value)[:40]!r} is no mark of a row")
    if type(line.part) is not int or not 0 <= line.part < 10**6:
        raise ValueError("it has no place in what came with it")
    if type(line.at_us) is not int or not 0 <= line.at_us < LAST_US:
        raise ValueError("it has no time")
    fit(float, line.mono_s, "mono_s")
    fit(str, line.made_with, "made_with")
    fit(cls, line.body, line.topic)
    if line.body.get("chamber", line.chamber) != line.chamber:
        raise ValueError("it belongs to another chamber")
    job = line.job
    if line.topic not in ("event", "alarm", "judgement") and job is None:
        raise ValueError("it belongs to no job")
    if job is not None:
        check_id(job, line.chamber, "job")
    if line.topic == "alarm":
        check_id(line.body["id"], line.chamber, "alarm")
        if line.body.get("cause_alarm"):
            check_id(line.body["cause_alarm"], line.chamber, "alarm")


TAILS = {
    "job": re.compile(r"[1-9][0-9]{0,14}(?:x[0-9a-f]{6,32})?"),
    "alarm": re.compile(r"[1-9][0-9]{0,14}[a-z]?(?:x[0-9a-f]{6,32})?"),
}


def check_id(name: str, chamber: str, what: str) -> str:
    """What follows the chamber's key in the id of a job or an alarm. Raises `ValueError`."""
    tail = name.removeprefix(f"{chamber}-")
    if tail == name or not TAILS[what].fullmatch(tail):
        raise ValueError(f"{name[:60]!r} is the id of no {what} of {chamber}")
    return tail


# --- whether a value is what a class says ------------------------------------------------


def fit(hint: Any, value: Any, where: str) -> None:
    """Raise `ValueError` unless a plain value of JSON is one of the kind that `hint` names."""
    origin = typing.get_origin(hint)
    if is_dataclass(hint) and isinstance(hint, type):
        _fit_record(hint, value, where)
    elif isinstance(hint, type) and issubclass(hint, StrEnum):
        _need(isinstance(value, str) and value in set(hint), where, "a word that is known")
    elif hint is bool:
        _need(type(value) is bool, where, "true or false")
    elif hint is int:
        _need(type(value) is int and abs(value) < BIGGEST, where, "a whole number")
    elif hint is float:
        number = type(value) in (int, float) and abs(value) < LARGEST_S and math.isfinite(value)
        _need(number, where, "a number")
    elif hint is str:
        _need(_is_text(value), where, "a text that isn't too long")
    elif origin is tuple:
        _need(isinstance(value, list) and len(value) <= MOST_IN_ONE, where, "a list")
        inner, *others = typing.get_args(hint)
        of_length = Ellipsis in others or len(value) == 1 + len(others)
        _need(of_length, where, "a list of the right length")
        for each in value:
            fit(inner, each, where)
    elif origin in (typing.Union, types.UnionType) and type(None) in typing.get_args(hint):
        known = [each for each in typing.get_args(hint) if each is not type(None)]
        if value is not None and len(known) == 1:
            fit(known[0], value, where)
        elif value is not None:
            _fit_json(value, where, 0)
    elif origin is not None and issubclass(origin, Mapping):
        _need(isinstance(value, dict), where, "a record")
        inner_hint = typing.get_args(hint)[1]
        for name, each in value.items():
            _need(_is_text(name), where, "a name")
            fit(inner_hint, each, where)
    else:
        _fit_json(value, where, 0)


def _fit_record(cls: type[Any], value: Any, where: str) -> None:
    _need(isinstance(value, dict) and len(value) <= 200, where, "a record")
    hints = typing.get_type_hints(cls)
    for each in fields(cls):
        if each.name in value:
            fit(hints[each.name], value[each.name], f"{where}.{each.name}")
        else:
            had = each.default is not MISSING or each.default_factory is not MISSING
            _need(had, f"{where}.{each.name}", "there")
    for name in value.keys() - hints.keys():  # of a newer program
        _fit_json(value[name], where, 0)


def _fit_json(value: Any, where: str, depth: int) -> None:
    _need(depth < DEEPEST, where, "less deeply nested")
    if isinstance(value, dict):
        _need(len(value) <= MOST_IN_ONE, where, "shorter")
        for name, each in value.items():
            _need(_is_text(name), where, "a name")
            _fit_json(each, where, depth + 1)
    elif isinstance(value, list):
        _need(len(value) <= MOST_IN_ONE, where, "shorter")
        for each in value:
            _fit_json(each, where, depth + 1)
    elif isinstance(value, str):
        _need(_is_text(value), where, "a text that isn't too long")
    elif type(value) in (int, float):
        _need(abs(value) < BIGGEST and math.isfinite(value), where, "a number")
    else:
        _need(value is None or type(value) is bool, where, "plain")


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and len(value) <= LONGEST_TEXT and "\0" not in value


def _need(fits: bool, where: str, what: str) -> None:
    if not fits:
        raise ValueError(f"{where} should be {what}")
