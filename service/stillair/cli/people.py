"""Commands on who may come in: people and tokens."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stillair.cli.options import ROLES, SCOPES, DataDir, data_dir, fail
from stillair.cli.options import role as _role
from stillair.cli.options import scope as _scope
from stillair.errors import AccessError, StillairError

if TYPE_CHECKING:
    from stillair.access.people import Access

BY = "command line"
owner = typer.Typer(help="Who may sign in: make an owner, or list everybody.", no_args_is_help=True)
person = typer.Typer(
    help="People beside the owner: let one in, list, remove, sign out.", no_args_is_help=True
)
token = typer.Typer(
    help="Tokens for programs that use the API: make, list, remove.", no_args_is_help=True
)


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


@person.command("add")
def person_add(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The name to sign in with.")],
    role: Annotated[
        str, typer.Option(parser=_role, metavar="|".join(ROLES), help="What they may do.")
    ],
    data: DataDir = None,
) -> None:
    """Let somebody sign in, or give one a role and a new password.

    The password is asked for, or taken from standard input.
    """
    from stillair.access.roles import Role

    with _people(data) as access:
        if not access.has_owner() and Role(role) is not Role.OWNER:
            raise AccessError("there is no owner yet; make one first, with owner add")
        access.person_set(name, Role(role), _password(), by=BY)
    typer.echo(f"{name} may sign in now: {role}.")


@person.command("list")
def person_list(data: DataDir = None) -> None:
    """Name everybody who may sign in, and their role."""
    owner_list(data)


@person.command("remove")
def person_remove(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Who may no longer come in.")],
    data: DataDir = None,
) -> None:
    """Remove somebody and end their sessions, at once; never the last owner."""
    with _people(data) as access:
        access.person_remove(name, by=BY)
    typer.echo(f"{name} may no longer sign in.")


@person.command("sign-out")
def person_sign_out(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Whose sessions end.")],
    data: DataDir = None,
) -> None:
    """End all sessions of somebody, at once: a telephone was lost, say."""
    with _people(data) as access:
        ended = access.sign_out_everywhere(name, by=BY)
    typer.echo(f"{ended} of {name}'s sessions ended.")


@token.command("add")
def token_add(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What the token is for.")],
    role: Annotated[
        str, typer.Option(parser=_role, metavar="|".join(ROLES), help="What its bearer may do.")
    ],
    only: Annotated[
        list[str] | None,
        typer.Option(
            parser=_scope,
            metavar="|".join(SCOPES),
            help="Only this much of it; once for each.",
        ),
    ] = None,
    chamber: Annotated[
        str | None,
        typer.Option("--chamber", metavar="KEY", help="Acts only in this chamber; with --only."),
    ] = None,
    data: DataDir = None,
) -> None:
    """Make a token for a program; it is shown this once.

    The token is the last word of what is printed.
    """
    from stillair.access.roles import Role, Scope

    scopes = frozenset(Scope(each) for each in only or ())
    with _people(data) as access:
        made = access.token_add(name, Role(role), scopes=scopes, chamber=chamber)
    typer.echo(f"Token for {name}, {role}, shown this once: {made}")


@token.command("list")
def token_list(data: DataDir = None) -> None:
    """Name every token and what its bearer may do."""
    with _people(data) as access:
        for bearer in access.tokens():
            only = "" if bearer.scopes is None else f", only {', '.join(sorted(bearer.scopes))}"
            place = f", in {bearer.chamber}" if bearer.chamber else ""
            typer.echo(f"{bearer.name}: {bearer.role.value}{only}{place}")


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
        import getpass

        first = getpass.getpass("Password: ")
        second = getpass.getpass("Once more: ")
    else:
        lines: Iterator[str] = iter(sys.stdin.read(4096).splitlines())
        first = next(lines, "")
        second = next(lines, first)
    if first != second:
        raise AccessError("the two passwords differ; nothing was changed")
    return first
