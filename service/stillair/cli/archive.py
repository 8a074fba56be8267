"""Commands that take a whole history out, and bring it in beside another."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from stillair.cli.options import ChamberFiles, DataDir, data_dir, fail, faults
from stillair.errors import SettingsError, StillairError


def archive(
    to: Annotated[Path, typer.Option(metavar="FILE", help="The zip file to be written.")],
    chamber: ChamberFiles = None,
    data: DataDir = None,
) -> None:
    """Take out everything that is kept, in a form that other programs read; the service may run.

    Jobs, events, readings as CSV, pictures, films; no accounts, no addresses. With --chamber
    chambers have their names in it, else their keys.
    """
    from stillair.runtime.archive_file import export

    try:
        done = export(data_dir(data), to, names=_names(chamber or []), progress=_say)
    except StillairError as error:
        fail(str(error))
    typer.echo(f"{done.path}: {done.counts.said()}; {done.size_bytes / 1e6:.1f} MB")
    if done.left_out:
        typer.echo(f"{done.left_out} things that nobody understands any more were left out.")


def bring_in(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="An archive.")],
    as_chamber: Annotated[
        str | None,
        typer.Option(
            "--as",
            metavar="KEY",
            help="Under which key to bring its chamber in; of several, KEY-IN-FILE=KEY.",
        ),
    ] = None,
    data: DataDir = None,
) -> None:
    """Bring an archive in beside what is there, all of it or nothing; the service may run.

    What is there already is left alone: twice is harmless. Nothing that is brought in
    sounds, runs or is sent.
    """
    from stillair.runtime.bringing_in import bring_in as bring

    try:
        done = bring(file, data_dir(data), as_chamber=as_chamber, progress=_say)
    except StillairError as error:
        fail(str(error))
    for there, here in done.chambers.items():
        if there != here:
            typer.echo(f"{there} is {here} here.")
    typer.echo(f"Brought in: {done.added.said()}. There already: {done.already.said()}.")


def _names(files: list[Path]) -> dict[str, str]:
    """How the chambers of these files are called, by key."""
    if not files:
        return {}
    from stillair.config.reading import load_chambers
    from stillair.model import chamber_key

    try:
        settings = load_chambers(files)
    except SettingsError as error:
        fail(faults(error), 2)
    return {chamber_key(each.chamber.name): each.chamber.name for each in settings}


def _say(doing: str) -> None:
    """How far it is, where somebody looks on."""
    if sys.stderr.isatty():
        typer.echo(doing, err=True)
