"""The form of what a board publishes, for who reads it."""

from __future__ import annotations

import json

import typer


def schema() -> None:
    """Print the JSON Schema of the messages for a hall."""
    from stillair.hall.messages import schema as made

    typer.echo(json.dumps(made(), indent=2))
