"""The command line.

Commands import what they need when they are called, so that one that only looks something
up starts at once.
"""

from __future__ import annotations

from typing import Annotated

import typer

from stillair import __version__
from stillair.cli import (
    archive,
    backup,
    certificate,
    hall,
    links,
    people,
    recorded,
    schema,
    service,
    testing,
    toolpath,
)

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command()(service.run)
app.command()(recorded.replay)
app.command()(recorded.jobs)
app.command()(recorded.export)
app.command("what-if")(recorded.what_if)
app.command()(toolpath.toolpath)
app.command()(service.inspect)
app.command("alarm-test")(testing.alarm_test)
app.command()(backup.backup)
app.command()(backup.restore)
app.command()(backup.report)
app.command()(archive.archive)
app.command("bring-in")(archive.bring_in)
app.command()(hall.hall)
app.command()(schema.schema)
app.command("renew-links")(links.renew_links)
app.add_typer(people.owner, name="owner")
app.add_typer(people.person, name="person")
app.add_typer(people.token, name="token")
app.add_typer(certificate.certificate, name="certificate")


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


def main() -> None:
    """Entry point of `stillair`."""
    app()
