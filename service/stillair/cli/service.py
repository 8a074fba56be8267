"""Commands that look after the service: run it, try what it is made of."""

from __future__ import annotations

import json
import logging
import sys
from typing import Annotated

import typer

from stillair.cli.options import (
    HOST,
    PORT,
    BehindProxy,
    ChamberFiles,
    DataDir,
    Host,
    Metrics,
    Port,
    data_dir,
    fail,
    faults,
)
from stillair.errors import SettingsError, StillairError


def run(
    chamber: ChamberFiles = None,
    data: DataDir = None,
    host: Host = HOST,
    port: Port = PORT,
    behind_proxy: BehindProxy = None,
    season: Annotated[
        bool,
        typer.Option(
            "--season",
            help="Begin with three months of simulated jobs, where the built-in simulated "
            "chamber has no history yet.",
        ),
    ] = False,
    simulated: Annotated[
        bool,
        typer.Option(
            "--simulated",
            help="The built-in simulated chamber, also where one was set up on the page.",
        ),
    ] = False,
    metrics: Metrics = False,
) -> None:
    """Run the service: watch the chambers and show them on a page."""
    from stillair.runtime import memory

    memory.begin()
    from stillair.api import serving
    from stillair.runtime import lines, saying

    lines.begin(descriptor=saying.set_others_apart())
    try:
        again = serving.run(
            tuple(chamber or ()),
            data_dir(data),
            host,
            port,
            say=typer.echo,
            proxied_as=tuple(behind_proxy or ()),
            season=season,
            simulated=simulated,
            metrics=metrics,
        )
        if again:
            saying.begin_anew(("-c", "from stillair.cli import main; main()", *sys.argv[1:]))
    except SettingsError as error:
        fail(faults(error))
    except StillairError as error:
        fail(str(error))


def inspect(
    chamber: ChamberFiles = None,
    data: DataDir = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object per line.")] = False,
) -> None:
    """Try sensors, switches, camera, clock, disk and routes.

    One line each, with one remedy for what is unfit; status 1 if anything is.
    """
    from stillair.runtime.found import State
    from stillair.runtime.inspection import inspect_all

    logging.disable(logging.WARNING)  # what drivers warn of stands in the lines below
    try:
        fit = True
        for found in inspect_all(tuple(chamber or ()), data_dir(data)):
            fit = fit and found.state is not State.UNFIT
            typer.echo(json.dumps(found.record()) if as_json else found.line())
    except SettingsError as error:
        fail(faults(error))
    raise typer.Exit(0 if fit else 1)
