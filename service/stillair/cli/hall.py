"""The command that serves a hall: one page over the chambers of many boards."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from stillair.cli.options import PORT, DataDir, data_dir, fail, faults, whole
from stillair.errors import SettingsError, StillairError


def hall(
    file: Annotated[Path, typer.Argument(metavar="HALL.TOML", help="The hall file.")],
    data: DataDir = None,
    host: Annotated[
        str,
        typer.Option(
            metavar="H", help="Address to listen on; others than this computer need an owner first."
        ),
    ] = "127.0.0.1",
    port: Annotated[
        int, typer.Option(parser=whole(1, 65535), metavar="N", help="Port to listen on.")
    ] = PORT,
    behind_proxy: Annotated[
        list[str] | None,
        typer.Option(
            "--behind-proxy",
            metavar="NAME",
            help="A proxy on this computer, opened as NAME, speaks HTTPS for the service; "
            "once for each name.",
        ),
    ] = None,
    metrics: Annotated[
        bool,
        typer.Option(
            "--metrics", help="Let a metrics server ask at /metrics, as OpenMetrics text."
        ),
    ] = False,
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
