"""The command line.

`run` and `replay` import what they need when they are called, so that a
command that only looks something up starts at once.
"""

from __future__ import annotations

import getpass
import json
import logging
import math
import os
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from stillair import __version__
from stillair.errors import AccessError, InputError, SettingsError, StillairError

if TYPE_CHECKING:
    from stillair.access.people import Access

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
owner = typer.Typer(help="Who may sign in: make an owner, or list everybody.", no_args_is_help=True)
token = typer.Typer(
    help="Tokens for programs that use the API: make, list, remove.", no_args_is_help=True
)
app.add_typer(owner, name="owner")
app.add_typer(token, name="token")

PORT = 8420


ROLES = ("viewer", "operator", "owner")


def _whole(low: int, high: int) -> Callable[[object], int]:
    """Take a whole number of an option. Our own words: typer's are those of a library."""

    def take(value: object) -> int:
        text = str(value).strip()
        if not re.fullmatch("[0-9]{1,9}", text) or not low <= int(text) <= high:
            raise typer.BadParameter(f"{text[:40]!r} has to be a whole number from {low} to {high}")
        return int(text)

    return take


def _seconds(value: object) -> float:
    try:
        seconds = float(str(value))
    except ValueError:
        seconds = math.nan
    if not math.isfinite(seconds):
        raise typer.BadParameter(f"{str(value)[:40]!r} has to be a number of seconds, such as 12.5")
    return seconds


def _role(value: object) -> str:
    if value not in ROLES:
        raise typer.BadParameter(f"{str(value)[:40]!r} has to be one of {', '.join(ROLES)}")
    return str(value)


ChamberFiles = Annotated[
    list[Path] | None,
    typer.Option(
        "--chamber",
        metavar="FILE",
        help="Chamber file (TOML), once for each chamber; without it, the built-in simulated one.",
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


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"stillair {__version__}")
        raise typer.Exit


@app.callback()
def stillair(
    version: Annotated[
        bool,
        typer.Option(
            "--version", is_eager=True, callback=_version, help="Say which version this is."
        ),
    ] = False,
) -> None:
    """Stillair watches the heated chamber in which shrinking plastics are built."""


@app.command()
def run(
    chamber: ChamberFiles = None,
    data: DataDir = None,
    host: Annotated[
        str,
        typer.Option(
            metavar="H", help="Address to listen on; others than this computer need an owner first."
        ),
    ] = "127.0.0.1",
    port: Annotated[
        int, typer.Option(parser=_whole(1, 65535), metavar="N", help="Port to listen on.")
    ] = PORT,
) -> None:
    """Run the service: watch the chambers and show them on a page."""
    from stillair.api import serving

    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    for talker in ("alembic", "apscheduler", "uvicorn"):
        logging.getLogger(talker).setLevel(logging.WARNING)
    try:
        serving.run(tuple(chamber or ()), data_dir(data), host, port, say=typer.echo)
    except SettingsError as error:
        fail(_faults(error))
    except StillairError as error:
        fail(str(error))


class Person:
    """Whoever sits at the terminal: told on standard error how far it is and what was found."""

    def __init__(self) -> None:
        from stillair.runtime.summary import Summary

        self._summary = Summary()
        self._shown = False

    def far(self, doing: str, share: float) -> None:
        """Say how far it is, on a line that goes again."""
        sys.stderr.write(f"\r\x1b[K{doing} the recording: {share:.0%}")
        sys.stderr.flush()
        self._shown = True

    def take(self, line: str) -> None:
        """Clear the way for a line of the answer, and remember it."""
        self._clear()
        self._summary.take(line)

    def close(self) -> None:
        """Sum it up."""
        self._clear()
        typer.echo(self._summary.text(), err=True)

    def _clear(self) -> None:
        if self._shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
            self._shown = False


@app.command()
def replay(
    readings: Annotated[
        Path,
        typer.Argument(metavar="READINGS", help="Readings as CSV, or - if there is only a video."),
    ],
    video: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Video of the same time.")
    ] = None,
    video_start_s: Annotated[
        float,
        typer.Option(
            parser=_seconds,
            metavar="S",
            help="When the video's first frame was taken, in seconds of the recording.",
        ),
    ] = 0.0,
    chamber: ChamberFile = None,
) -> None:
    """Watch a recording again and print its events as JSON Lines.

    Standard error says what had to be assumed, and at a terminal a summary in words.
    """
    from stillair.runtime.recorded import replay_files

    none = str(readings) == "-"
    if none and video is None:
        fail("nothing to replay: give a file of readings, or --video", 2)
    person = Person() if sys.stderr.isatty() else None
    notes: list[str] = []
    try:
        for line in replay_files(
            None if none else readings,
            chamber=chamber,
            video=video,
            video_start_s=video_start_s,
            progress=person.far if person else None,
            note=notes.append,
        ):
            if person:
                person.take(line)
            sys.stdout.write(line + "\n")
        sys.stdout.flush()
        notes.append("" if none else _assumed(readings, chamber))
        if person:
            person.close()
        for note in filter(None, notes):
            typer.echo(note, err=True)
    except SettingsError as error:
        fail(_faults(error), 2)
    except InputError as error:
        fail(" ".join(str(error).splitlines()), 2)
    except BrokenPipeError:
        # Whoever read has seen enough; the interpreter must not complain at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _assumed(readings: Path, chamber: Path | None) -> str:
    """What had to be assumed of the columns; of a pipe, which is read already, the rule alone."""
    from stillair.config import columns
    from stillair.runtime.plans import OUTSIDE
    from stillair.thermal.table import open_table

    names: tuple[str, ...] = ()
    if readings.is_file():
        with open_table(readings) as table:
            names = table.sensors
    return columns.beside(names, chamber) if chamber else columns.by_name(names, OUTSIDE)


@app.command()
def jobs(
    data: DataDir = None,
    last: Annotated[
        int,
        typer.Option(
            "--last",
            parser=_whole(1, 1000),
            metavar="N",
            help="How many; the newest stands last.",
        ),
    ] = 20,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object per line.")] = False,
) -> None:
    """List the kept jobs and how each came out."""
    from stillair.runtime.listing import job_lines, kept_jobs

    try:
        found = kept_jobs(data_dir(data), last)
    except StillairError as error:
        fail(str(error))
    for job in found:
        if as_json:
            typer.echo(json.dumps(job, ensure_ascii=False))
        else:
            typer.echo("\n".join(job_lines(job)))
    if not found and not as_json:
        typer.echo("No job is kept.", err=True)


@app.command()
def export(
    job: Annotated[
        str, typer.Argument(metavar="JOB", help="The job's id, as `stillair jobs` names it.")
    ],
    to: Annotated[Path, typer.Option("--to", metavar="FILE", help="CSV file to write.")],
    replace: Annotated[
        bool, typer.Option("--replace", help="Write it also where FILE is there already.")
    ] = False,
    data: DataDir = None,
) -> None:
    """Write a job's readings to a CSV file, as `replay` takes it."""
    from stillair.api.commands import command
    from stillair.runtime.exporting import export_job

    if not replace and to.is_file() and to.stat().st_size:
        fail(f"{to} is there already: name another file, or add --replace to write over it")
    try:
        rows = export_job(data_dir(data), job, to)
    except StillairError as error:
        fail(str(error))
    except OSError as error:
        fail(f"{to} can't be written: {error.strerror}")
    typer.echo(
        f"{rows} rows written to {to}. A table knows no places: replay it with the chamber's file, "
        f"{command('replay', str(to))} --chamber FILE",
        err=True,
    )


@app.command("what-if")
def what_if(
    job: Annotated[
        str, typer.Argument(metavar="JOB", help="The job's id, as `stillair jobs` names it.")
    ],
    chamber: Annotated[
        Path,
        typer.Option(
            "--chamber", metavar="FILE", help="The chamber's own file with other settings in it."
        ),
    ],
    before: Annotated[
        Path | None,
        typer.Option(
            "--before",
            metavar="FILE",
            help="Chamber file to compare with; without it, what was told at the time.",
        ),
    ] = None,
    data: DataDir = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object per line.")] = False,
) -> None:
    """Try other settings on a kept job, before you save them.

    The job's readings and pauses are watched again, and the events that differ told.
    Nothing is saved.
    """
    from stillair.config import load_chamber
    from stillair.runtime import whatif
    from stillair.runtime.plans import readings_plan

    try:
        plans = [
            readings_plan(load_chamber(file, replay=True)) if file else None
            for file in (chamber, before)
        ]
        assert plans[0] is not None
        found = whatif.what_if(data_dir(data), job, plans[1], plans[0])
    except SettingsError as error:
        fail(_faults(error), 2)
    except StillairError as error:
        fail(str(error))
    if as_json:
        for difference in found:
            typer.echo(json.dumps(difference.item(), ensure_ascii=False))
    else:
        typer.echo(whatif.table(found))
        if before is None and any(difference.what != "same" for difference in found):
            typer.echo(
                "That is against what was told at the time. If Stillair has been renewed since, "
                "it may weigh the same readings otherwise: --before with the chamber's present "
                "file compares the settings alone.",
                err=True,
            )


@app.command()
def inspect(
    chamber: ChamberFiles = None,
    data: DataDir = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object per line.")] = False,
) -> None:
    """Try sensors, switches, camera, clock, disk and routes.

    One line each, with one remedy for what is unfit; status 1 if anything is.
    """
    from stillair.runtime.inspection import State, inspect_all

    logging.disable(logging.WARNING)  # what drivers warn of stands in the lines below
    try:
        fit = True
        for found in inspect_all(tuple(chamber or ()), data_dir(data)):
            fit = fit and found.state is not State.UNFIT
            typer.echo(json.dumps(found.record()) if as_json else found.line())
    except SettingsError as error:
        fail(_faults(error))
    raise typer.Exit(0 if fit else 1)


@contextmanager
def _people(data: Path | None, *, mend: bool = False) -> Iterator[Access]:
    """Who may come in; an error of it ends the command in one line."""
    from stillair.access.people import Access

    try:
        with Access.open(data_dir(data), mend=mend) as access:
            yield access
    except StillairError as error:
        fail(str(error))


@owner.command("add")
def owner_add(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The name to sign in with.")],
    data: DataDir = None,
) -> None:
    """Make an owner, or give one a new password.

    It is asked for, or taken from standard input.
    """
    # Whoever may write here may also begin anew where the file of people is damaged.
    with _people(data, mend=True) as access:
        access.owner_add(name, _password())
    typer.echo(f"{name} is an owner now. From here on every page asks for a sign-in.")


@owner.command("list")
def owner_list(data: DataDir = None) -> None:
    """Name everybody who may sign in, and their role."""
    with _people(data) as access:
        for person in access.people():
            typer.echo(f"{person.name}: {person.role.value}")


@token.command("add")
def token_add(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What the token is for.")],
    role: Annotated[
        str, typer.Option(parser=_role, metavar="|".join(ROLES), help="What its bearer may do.")
    ],
    data: DataDir = None,
) -> None:
    """Make a token for a program; it is shown this once.

    The token is the last word of what is printed.
    """
    from stillair.access.people import Role

    with _people(data) as access:
        made = access.token_add(name, Role(role))
    typer.echo(f"Token for {name}, {role}, shown this once: {made}")


@token.command("list")
def token_list(data: DataDir = None) -> None:
    """Name every token and what its bearer may do."""
    with _people(data) as access:
        for bearer in access.tokens():
            typer.echo(f"{bearer.name}: {bearer.role.value}")


@token.command("remove")
def token_remove(
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="The token's name, as token list says.")
    ],
    data: DataDir = None,
) -> None:
    """Make a token worthless, at once."""
    with _people(data) as access:
        access.token_remove(name)
    typer.echo(f"The token {name} is worthless now.")


def _password() -> str:
    if sys.stdin.isatty():
        first = getpass.getpass("Password: ")
        second = getpass.getpass("Once more: ")
    else:
        lines: Iterator[str] = iter(sys.stdin.read(4096).splitlines())
        first = next(lines, "")
        second = next(lines, first)
    if first != second:
        raise AccessError("the two passwords differ; nothing was changed")
    return first


def _faults(error: SettingsError) -> str:
    return "\n".join(f"{error.source}: {fault}" for fault in error.faults)


def main() -> None:
    """Entry point of `stillair`."""
    app()
