"""What a toolpath builds, at a shell: the same reading as in the service."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from stillair.cli.options import ChamberFile, fail, faults
from stillair.errors import InputError, SettingsError


def toolpath(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="The toolpath, or - for standard input.")
    ],
    chamber: ChamberFile = None,
    layers: Annotated[bool, typer.Option("--layers", help="Each layer too.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for programs.")] = False,
) -> None:
    """Read a toolpath: its layers, times and figures; with a chamber file, for its machine."""
    from stillair.config.reading import load_chamber
    from stillair.jobs.toolpath import MotionLimits
    from stillair.jobs.toolpath.analysis import analyse
    from stillair.runtime.toolpath_files import blocks, in_words, layer_rows, toolpath_of
    from stillair.storage.records import to_record

    try:
        limits = load_chamber(chamber).machine.limits if chamber else MotionLimits()
        if str(file) == "-":
            found = analyse(blocks(sys.stdin.buffer), limits)
        else:
            found = toolpath_of(file, limits)
    except SettingsError as error:
        fail(faults(error), 2)
    except InputError as error:
        fail(f"{file}: {error}", 2)
    rows = layer_rows(found.layers) if layers else []
    if as_json:
        record = {"whole": to_record(found.whole)}
        typer.echo(json.dumps({**record, "layers": rows} if layers else record))
        return
    for line in in_words(found.whole):
        typer.echo(line)
    if rows:
        typer.echo("  ".join(f"{name:>14}" for name in rows[0]))
    for row in rows:
        typer.echo("  ".join(f"{'' if value is None else value:>14}" for value in row.values()))
