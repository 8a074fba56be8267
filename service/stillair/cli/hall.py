"""The command that serves a hall: one page over the chambers of many boards."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from stillair.cli.options import (
    HOST,
    PORT,
    BehindProxy,
    DataDir,
    Host,
    Metrics,
    Port,
    data_dir,
    fail,
    faults,
)
from stillair.errors import SettingsError, StillairError


def hall(
    file: Annotated[Path, typer.Argument(metavar="HALL.TOML", help="The hall file.")],
    data: DataDir = None,
    host: Host = HOST,
    port: Port = PORT,
    behind_proxy: BehindProxy = None,
    metrics: Metrics = False,
) -> None:
    """Serve a hall: take what boards publish, show all chambers, tell people of alarms."""
    from stillair.runtime import memory

    memory.begin()
    from stillair.api import hall_serving
    from stillair.runtime import lines, saying

    lines.begin(descriptor=saying.set_others_apart())
    folder = data if data is not None else data_dir(None) / "hall"
    try:
        hall_serving.run(
            file,
            folder,
            host,
            port,
            say=typer.echo,
            proxied_as=tuple(behind_proxy or ()),
            metrics=metrics,
        )
    except SettingsError as error:
        fail(faults(error))
    except StillairError as error:
        fail(str(error))
