"""Readings and layers out of an archive that anybody may have made, checked value by value."""

from __future__ import annotations

import base64
import binascii
import csv
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import fields
from typing import IO, Any

import numpy as np

from stillair.jobs.toolpath import Layers, Outlines, Toolpath, Whole
from stillair.runtime.archive_form import OLD_FORM, number, record, text, whole
from stillair.runtime.archive_reading import OpenArchive, lines
from stillair.runtime.job_words import FORMULA, MARK
from stillair.storage.layers import packed
from stillair.storage.packing import MISSING, Ints, to_units
from stillair.storage.readings import Readings
from stillair.storage.records import from_record

READINGS_AT_ONCE = 20_000
MOST_LAYERS = 1_000_000
MOST_PIECES = 1_000_000
MOST_BITS = 2**30
_TIME = re.compile(rb"\d{1,11}(?:\.\d{1,3})?")
_VALUE = re.compile(rb"-?\d{1,7}(?:\.\d{1,12})?(?:e-?\d{1,2})?|")


def sized(archive: OpenArchive, name: str, most: int) -> int:
    """How large a file is that has to be there, and no larger. Raises `ValueError`."""
    if not archive.has(name) or archive.size_bytes(name) > most:
        raise ValueError(f"{name} is missing or too large")
    return archive.size_bytes(name)


def layer_columns(archive: OpenArchive, name: str, told: Mapping[str, Any]) -> bytes:
    """A toolpath's layers and outlines as they are kept. Raises `ValueError`."""
    names = [each.name for each in fields(Layers)]
    rows: list[list[float]] = []
    with archive.member(f"{name}.csv") as file:
        for count, line in lines(file, name):
            values = line.decode("ascii").rstrip("\n").split(",")
            if count == 1:
                if values != names:
                    raise ValueError(f"{name}.csv has other columns")
                continue
            if len(values) != len(names) or count > MOST_LAYERS:
                raise ValueError(f"{name}.csv, line {count} is no layer")
            rows.append([_layer_value(value) for value in values])
    table = np.array(rows, np.float64).reshape(len(rows), len(names))
    columns = {each: table[:, index] for index, each in enumerate(names)}
    numbers = columns.pop("piece")
    if not ((numbers >= 0) & (numbers < MOST_PIECES) & (numbers % 1 == 0)).all():
        raise ValueError(f"{name}.csv names a piece that is none")
    pieces = numbers.astype(np.int32)
    layers = Layers(piece=pieces, **columns)
    sized(archive, f"{name}.json", MOST_BITS)
    with archive.member(f"{name}.json") as file:
        grid = record(file.read())
    width, height = whole(grid.get("width"), 0, 10**5), whole(grid.get("height"), 0, 10**5)
    try:
        bits = base64.b64decode(text(grid.get("bits"), MOST_BITS), validate=True)
    except binascii.Error:
        raise ValueError(f"{name}.json has no bits") from None
    if len(bits) != len(rows) * ((width * height + 7) // 8):
        raise ValueError(f"{name}.json has other bits than layers")
    cell_mm, x_mm, y_mm = (number(grid.get(each)) for each in ("cell_mm", "x_mm", "y_mm"))
    outlines = Outlines(cell_mm, x_mm, y_mm, width, height, bits)
    return packed(Toolpath(from_record(Whole, told), layers, outlines))


def refusal(found: Any) -> dict[str, Any] | None:
    """Why a toolpath was refused. Raises `ValueError`."""
    if found is None:
        return None
    if not isinstance(found, dict):
        raise ValueError("a toolpath doesn't say why it was refused")
    line = found.get("line")
    told = None if line is None else whole(line)
    return {"line": told, "reason": text(found.get("reason"), 2000)}


def _layer_value(value: str) -> float:
    if not value:
        return math.nan
    if len(value) > 40:
        raise ValueError("a layer has a value that is too long")
    return number(float(value))


def heading(sensor: str) -> str:
    """A sensor's name as a head that no program for tables takes for a formula."""
    return f"{MARK}{sensor}" if sensor.startswith((MARK, *FORMULA)) else sensor


def named_by(head: str) -> str:
    """The sensor that such a head names."""
    return head.removeprefix(MARK)


def sensor_of(file: IO[bytes], name: str, form: int) -> str:
    """The sensor that a file of readings names in its first line. Raises `ValueError`."""
    try:
        head = next(csv.reader([file.readline(2000).decode("utf-8")], strict=True), [])
    except csv.Error:
        head = []
    if len(head) != 2 or head[0] != "time_s" or not 0 < len(head[1]) <= 200:
        raise ValueError(f"{name} begins with no head: time_s and a sensor's name")
    return head[1] if form == OLD_FORM else named_by(head[1])


def read_readings(file: IO[bytes], name: str, after_ms: int) -> Iterator[tuple[Ints, Ints]]:
    """Readings a few thousand at a time, each later than the one before.

    Raises `ValueError` naming the line and what is wrong there.
    """
    known: dict[bytes, int] = {}
    times_ms: list[int] = []
    units: list[int] = []
    for count, line in lines(file, name):
        at, comma, value = line[:-1].partition(b",")
        if not comma or not _TIME.fullmatch(at):
            raise ValueError(f"{name}, line {count + 1}: {line[:40]!r} is no reading")
        at_ms = int(at[:-4] + at[-3:]) if at[-4:-3] == b"." else round(float(at) * 1000)
        if at_ms <= after_ms:
            raise ValueError(f"{name}, line {count + 1}: its time is not after the one before")
        after_ms = at_ms
        unit = known.get(value)
        if unit is None:
            if not _VALUE.fullmatch(value):
                raise ValueError(f"{name}, line {count + 1}: {value[:40]!r} is no temperature")
            unit = known[value] = to_units(float(value)) if value else MISSING
            if len(known) > READINGS_AT_ONCE:
                known.clear()
        times_ms.append(at_ms)
        units.append(unit)
        if len(times_ms) == READINGS_AT_ONCE:
            yield np.array(times_ms, np.int64), np.array(units, np.int64)
            times_ms, units = [], []
    if times_ms:
        yield np.array(times_ms, np.int64), np.array(units, np.int64)


def fresh_of(kept: Readings, here: str, sensor: str, times_ms: Ints, units: Ints) -> Any:
    """Which of these readings are not kept yet."""
    fresh = np.ones(len(times_ms), np.bool_)
    for known_ms, known in kept.pieces(here, sensor, int(times_ms[0]), int(times_ms[-1])):
        at = np.searchsorted(times_ms, known_ms)
        inside = at < len(times_ms)
        at, known_ms, known = at[inside], known_ms[inside], known[inside]
        same = (times_ms[at] == known_ms) & (units[at] == known)
        fresh[at[same]] = False
    return fresh
