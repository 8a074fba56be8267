"""A toolpath in a file, read from its beginning to its end with little memory."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import fields
from pathlib import Path
from typing import BinaryIO

from stillair.errors import InputError
from stillair.jobs.toolpath import Layers, MotionLimits, Toolpath, Whole
from stillair.jobs.toolpath.analysis import analyse
from stillair.storage.layers import packed

BLOCK_BYTES = 1 << 18
DIGITS = 4


def read_toolpath(
    path: Path, to: Path, limits: MotionLimits, share: Callable[[float], None]
) -> Whole:
    """What a toolpath builds; its layers go to the file `to`, whole or not at all.

    Raises `ToolpathError` for what can't be understood, `InputError` for a file that
    can't be read or written.
    """
    try:
        with path.open("rb") as file:
            size = os.fstat(file.fileno()).st_size
            found = analyse(
                blocks(file), limits, told=lambda done: share(min(done / max(size, 1), 1.0))
            )
        part = to.with_suffix(".part")
        try:
            part.write_bytes(packed(found))
            part.replace(to)
        except OSError:
            with suppress(OSError):
                part.unlink()
            raise
    except OSError as error:
        raise InputError(f"the file can't be read or its layers kept: {error.strerror}") from None
    return found.whole


def toolpath_of(path: Path, limits: MotionLimits) -> Toolpath:
    """What the toolpath in a file builds, which may be a pipe. Raises as `read_toolpath`."""
    try:
        if stat.S_ISDIR(path.stat().st_mode):
            raise InputError(f"{path} is a folder; give the file of the toolpath")
        with path.open("rb") as file:
            return analyse(blocks(file), limits)
    except OSError as error:
        raise InputError(f"{path} can't be read: {error.strerror}") from None


def blocks(file: BinaryIO) -> Iterator[bytes]:
    """A file block by block, however much of it there is at a time."""
    while block := file.read(BLOCK_BYTES):
        yield block


def layer_rows(layers: Layers) -> list[dict[str, float | int | None]]:
    """Each layer as a record, for people and programs at a shell; None where unknown."""
    columns = {
        field.name: getattr(layers, field.name).round(DIGITS).tolist() for field in fields(Layers)
    }
    return [
        {name: value if value == value else None for name, value in zip(columns, row, strict=True)}
        for row in zip(*columns.values(), strict=True)
    ]


def in_words(whole: Whole) -> Iterator[str]:
    """What a toolpath builds, a sentence a line."""
    x0, y0, x1, y1 = whole.footprint_mm
    pieces = f", {whole.pieces} pieces one after the other" if whole.pieces > 1 else ""
    kind = " of a wall that rises all the time" if whole.spiral else ""
    yield (
        f"{whole.layers} layers{kind}, {whole.height_mm:g} mm high{pieces},"
        f" on {x1 - x0:.1f} x {y1 - y0:.1f} mm"
    )
    minutes = round(whole.duration_s / 60)
    yield f"about {minutes // 60} h {minutes % 60:02d} min of motion, heating up not counted"
    yield f"{whole.filament_mm / 1000:.2f} m of filament"
    for name, (first, rest) in (("nozzle", whole.nozzle_c), ("bed", whole.bed_c)):
        if first is not None or rest is not None:
            yield f"{name}: {_degrees(first)} on the first layer, {_degrees(rest)} after it"
    if whole.chamber_c is not None:
        yield f"chamber: {whole.chamber_c:g} °C"
    yield (
        f"fan on the first layers: {whole.fan_first_share:.0%};"
        f" longest straight run: {whole.longest_run_mm:.0f} mm"
    )
    if len(whole.tools) > 1:
        yield f"tools: {', '.join(map(str, whole.tools))}"
    if whole.stops_s:
        yield f"it waits for a person {len(whole.stops_s)} times"
    yield from whole.warnings


def _degrees(temperature_c: float | None) -> str:
    return "not said" if temperature_c is None else f"{temperature_c:g} °C"
