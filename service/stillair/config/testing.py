"""Table of the chamber file for alarm tests."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from stillair.config.tables import Table
from stillair.config.values import Takes


class AlarmTestTable(Table):
    """How often the way to people is tried, and for how long that is worth something."""

    every_days: Annotated[int, Field(ge=1, le=366)] = Field(
        default=30, description="After so long without one an alarm test is asked for."
    )
    automatic: bool = Field(
        default=False,
        description="Whether it begins by itself then; a person confirms all the same.",
    )
    hour: Annotated[int, Field(ge=0, le=23), Takes("an hour of the day from 0 to 23")] = Field(
        default=11, description="When that is, in the chamber's zone: when all are at hand."
    )
    good_for_days: Annotated[int, Field(ge=1, le=3660)] = Field(
        default=90, description="A test older than this no longer counts."
    )
