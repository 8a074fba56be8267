"""The form of what goes to other programs, for who writes them."""

from __future__ import annotations

import json

import typer


def schema() -> None:
    """Print the JSON Schema of all messages to and from other programs."""
    from stillair.runtime.message_schema import schema as made

    typer.echo(json.dumps(made(), indent=2))
