"""Commands on the certificate by which telephones know the service."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from stillair.cli.options import DataDir, data_dir, fail
from stillair.errors import StillairError

if TYPE_CHECKING:
    from stillair.access.certificates import Identity

certificate = typer.Typer(
    help="The certificate with which the service speaks HTTPS: make it, or show it.",
    no_args_is_help=True,
)


@certificate.command("make")
def make(
    name: Annotated[
        list[str] | None,
        typer.Option(
            "--name",
            metavar="HOST",
            help="Another name or address by which the service is opened; may stand several times.",
        ),
    ] = None,
    new_authority: Annotated[
        bool,
        typer.Option(
            "--new-authority",
            help="Begin anew, as when the old authority has become known to strangers.",
        ),
    ] = False,
    data: DataDir = None,
) -> None:
    """Make a certificate, and at the first time an authority that telephones can trust.

    It is for this machine's names and addresses, and is renewed by itself from then on.
    """
    from stillair.access.certificates import Certificates
    from stillair.runtime import network

    folder = data_dir(data)
    kept = Certificates(folder)
    first = not kept.wanted
    try:
        authority, server = kept.make(
            network.own_name().partition(".")[0],
            (*network.own_names(), *network.own_addresses()),
            datetime.now(UTC),
            asked=name or (),
            new_authority=new_authority,
        )
    except StillairError as error:
        fail(str(error))
    _tell(authority, server)
    if first:
        typer.echo("From its next start the service speaks HTTPS; its page /trust says the rest.")
    elif new_authority:
        typer.echo("Let each telephone trust the new authority, and forget the old one.")


@certificate.command("show")
def show(
    pem: Annotated[
        bool,
        typer.Option(
            "--pem", help="Print the authority's certificate itself, to be given to telephones."
        ),
    ] = False,
    data: DataDir = None,
) -> None:
    """Say which names the certificate is for, until when, and the authority's fingerprint."""
    from stillair.access.certificates import Certificates

    kept = Certificates(data_dir(data))
    try:
        authority = kept.authority()
    except StillairError as error:
        fail(str(error))
    if pem:
        typer.echo(authority.public_pem.decode(), nl=False)
        return
    server = kept.server()
    if server is None:
        fail("there is an authority, but no certificate that can be used; make one")
    _tell(authority, server)


def _tell(authority: Identity, server: Identity) -> None:
    typer.echo(f"Certificate until {server.ends_at:%Y-%m-%d}, for {', '.join(server.names)}.")
    typer.echo(f"Authority until {authority.ends_at:%Y-%m-%d}, fingerprint (SHA-256):")
    typer.echo(authority.fingerprint)
