"""The table of the chamber file for where jobs begin and end."""

from __future__ import annotations

from pydantic import Field

from stillair.config.tables import Table
from stillair.config.values import Topic


class JobsTable(Table):
    """Who tells of jobs besides people on the page."""

    topic: Topic | None = Field(
        default=None,
        description="Topic at the broker of [mqtt] on which the machine tells of its jobs.",
    )
    guess: bool = Field(
        default=True,
        description="Whether a job that nobody announces is guessed from heat and motion.",
    )
