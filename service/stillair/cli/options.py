"""What commands have in common: options, where the history is, and how a command fails."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from stillair.errors import SettingsError

HOST, PORT = "127.0.0.1", 8420
ROLES = ("viewer", "operator", "owner")
SCOPES = ("read", "jobs", "pause", "progress")


def whole(low: int, high: int) -> Callable[[object], int]:
    """Take a whole number of an option. Our own words: typer's are those of a library."""

    def take(value: object) -> int:
        text = str(value).strip()
        if not re.fullmatch("[0-9]{1,9}", text) or not low <= int(text) <= high:
            raise typer.BadParameter(f"{text[:40]!r} has to be a whole number from {low} to {high}")
        return int(text)

    return take


def seconds(value: object) -> float:
    """Take a finite number of seconds."""
    try:
        found = float(str(value))
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise typer.BadParameter(f"{str(value)[:40]!r} has to be a number of seconds, such as 12.5")
    return found


def role(value: object) -> str:
    """Take the name of a role."""
    if value not in ROLES:
        raise typer.BadParameter(f"{str(value)[:40]!r} has to be one of {', '.join(ROLES)}")
    return str(value)


def scope(value: object) -> str:
    """Take what a token is narrowed to."""
    if value not in SCOPES:
        raise typer.BadParameter(f"{str(value)[:40]!r} has to be one of {', '.join(SCOPES)}")
    return str(value)


ChamberFiles = Annotated[
    list[Path] | None,
    typer.Option(
        "--chamber",
        metavar="FILE",
        help="Chamber file (TOML), once for each chamber; without it, the one that was set up "
        "on the page, else the built-in simulated one.",
    ),
]
ChamberFile = Annotated[
    Path | None,
    typer.Option(
        "--chamber",
        metavar="FILE",
        help="Chamber file (TOML): where each sensor sits, target and limit.",
    ),
]
Host = Annotated[
    str,
    typer.Option(
        metavar="H", help="Address to listen on; others than this computer need an owner first."
    ),
]
Port = Annotated[int, typer.Option(parser=whole(1, 65535), metavar="N", help="Port to listen on.")]
BehindProxy = Annotated[
    list[str] | None,
    typer.Option(
        "--behind-proxy",
        metavar="NAME",
        help="A proxy on this computer, opened as NAME, speaks HTTPS for the service; "
        "once for each name.",
    ),
]
Metrics = Annotated[
    bool,
    typer.Option("--metrics", help="Let a metrics server ask at /metrics, as OpenMetrics text."),
]
DataDir = Annotated[
    Path | None,
    typer.Option(
        "--data-dir",
        metavar="DIR",
        help="Folder of history and accounts. Without it: the service's own, or your user's.",
    ),
]


def data_dir(given: Path | None) -> Path:
    """The folder for history and accounts: given, the service manager's, or the user's own."""
    if given is not None:
        return given
    if state := os.environ.get("STATE_DIRECTORY"):
        return Path(state.split(":")[0])
    home = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(home) / "stillair"


def fail(message: str, status: int = 1) -> NoReturn:
    """End with one or more lines on standard error."""
    typer.echo(message, err=True)
    raise typer.Exit(status)


def faults(error: SettingsError) -> str:
    """One line for each fault of a chamber file."""
    return "\n".join(f"{error.source}: {fault}" for fault in error.faults)
