"""The command that tries the whole way of an alarm in the running service."""

from __future__ import annotations

from typing import Annotated

import typer

from stillair.cli.options import DataDir, data_dir, fail
from stillair.errors import StillairError


def alarm_test(
    chamber: Annotated[
        str | None,
        typer.Option("--chamber", metavar="KEY", help="Of which one, by its key; else the first."),
    ] = None,
    data: DataDir = None,
) -> None:
    """Try the whole way of an alarm, from simulated signs to every telephone.

    The running service does it. Status 0 if the sounder sounded and every route took its
    message; whether those were heard, people say on the page.
    """
    from stillair.runtime.asking import alarm_test as asked

    passed = False
    try:
        for line in asked(data_dir(data), chamber):
            if isinstance(line, str):
                typer.echo(line)
            else:
                passed = line
    except StillairError as error:
        fail(str(error))
    raise typer.Exit(0 if passed else 1)
