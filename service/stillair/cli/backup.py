"""Commands that take along what is kept: make a backup, bring one back, ask for help."""

from __future__ import annotations

import logging
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from stillair.cli.options import ChamberFiles, DataDir, data_dir, fail
from stillair.errors import StillairError


def backup(
    to: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Where to; without it, into the data directory, which keeps the newest three.",
        ),
    ] = None,
    data: DataDir = None,
) -> None:
    """Back up history, accounts and pictures into one file; the service may run."""
    from stillair.runtime.backup import make

    try:
        made = make(data_dir(data), to, datetime.now(UTC))
    except StillairError as error:
        fail(str(error))
    typer.echo(f"{made.path}: {made.files} files, {made.size_bytes / 1e6:.1f} MB")


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A backup.")],
    data: DataDir = None,
    replace: Annotated[
        bool,
        typer.Option("--replace", help="Move aside what is there; else that is left alone."),
    ] = False,
) -> None:
    """Bring a backup into a data directory that no service uses."""
    from stillair.runtime.backup import restore as bring_back

    folder = data_dir(data)
    try:
        done = bring_back(file, folder, datetime.now(UTC), replace=replace)
    except StillairError as error:
        fail(str(error))
    when = datetime.fromisoformat(done.made_at)
    typer.echo(f"{folder} is as it was on {when:%Y-%m-%d %H:%M} UTC: {done.files} files.")
    typer.echo("Everybody has to sign in again; tokens removed since then are valid again.")
    if done.aside is not None:
        typer.echo(f"What was there lies in {done.aside} now.")


def report(
    to: Annotated[Path, typer.Option(metavar="FILE", help="The zip file to be written.")],
    chamber: ChamberFiles = None,
    data: DataDir = None,
    log: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="The log; without it, the service manager's."),
    ] = None,
    pictures: Annotated[
        bool, typer.Option("--pictures", help="Put the newest kept pictures in as well.")
    ] = False,
) -> None:
    """Write what somebody who is asked for help has to know.

    Versions, what inspect says, settings and the last of the log; passwords, addresses, topics,
    people and paths are left out. Without --chamber the installed service's files are taken.
    Read it before you give it away.
    """
    from stillair.runtime.report import write

    logging.disable(logging.WARNING)  # what drivers warn of stands in the report
    try:
        count = write(to, tuple(chamber or ()), data_dir(data), log=log, pictures=pictures)
    except StillairError as error:
        fail(str(error))
    typer.echo(f"{to}: {count} files. Read report.txt in it before you give it away.")
