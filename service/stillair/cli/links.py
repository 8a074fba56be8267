"""The command on links by which messages are answered."""

from __future__ import annotations

import typer

from stillair.cli.options import DataDir, data_dir, fail
from stillair.errors import StillairError


def renew_links(data: DataDir = None) -> None:
    """Make every link that went out in a message worthless, as when a telephone is lost.

    Messages from then on have links that are good again.
    """
    from stillair.access.answers import Answers

    folder = data_dir(data)
    if not folder.is_dir():
        fail(f"{folder} holds no service's data; name another --data-dir")
    try:
        Answers(folder).renew()
    except StillairError as error:
        fail(str(error))
    typer.echo("Links that went out in messages are worthless, for a running service in a minute.")
