"""The table of the chamber file for what stops the machine."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field, Strict, ValidationInfo, field_validator

from stillair.config.tables import Table
from stillair.config.values import (
    FilePath,
    Line,
    Pin,
    SecretAddress,
    Takes,
    Topic,
    command_line,
)

PROGRAM = 'one text, a program and its arguments, as in "switch-plug"'
# Of these one at least, or nothing stops the machine.
OUTPUTS = ("pin", "command", "topic", "url", "url_file")


class StopOn(StrEnum):
    """For which alarms the machine is stopped."""

    FIRE = "fire"
    DETECTOR = "detector"  # a listed detector's contact, by itself
    ATTENDANCE = "attendance"  # nobody has said that they are with the box


class StopTable(Table):
    on: Annotated[tuple[Annotated[StopOn, Strict(False)], ...], Strict(False)] = Field(
        default=(StopOn.FIRE,),
        min_length=1,
        max_length=len(StopOn),
        description="For which alarms the machine is stopped.",
    )
    countdown_s: Annotated[float, Field(ge=0, le=300)] = Field(
        default=30.0,
        description="How long somebody may say no before it is stopped.",
    )
    pin: Pin | None = Field(
        default=None, description="GPIO number that switches the relay of the machine's supply."
    )
    stops_when: Literal["low", "high"] = Field(
        default="low",
        description='The pin\'s level that stops the machine. With "high" a dead board, a cut wire'
        " or a stopped service stops nothing.",
    )
    # It may hold an address with a password.
    command: Annotated[
        Annotated[str, Field(min_length=1, max_length=1000), Takes(PROGRAM)] | None,
        Takes(PROGRAM),
    ] = Field(
        default=None,
        repr=False,
        description='A program instead of the pin; it finds "run" or "stop" in STILLAIR_MACHINE.',
    )
    topic: Topic | None = Field(
        default=None, description="Topic of a message that stops the machine; needs [mqtt]."
    )
    payload: Line = Field(default="off", description="That message.")
    url_file: FilePath | None = Field(
        default=None, description="File whose one line is a web address that stops the machine."
    )
    url: SecretAddress = Field(
        default=None, description="The web address; better kept in url_file."
    )

    @field_validator("command")
    @classmethod
    def _runnable(cls, command: str | None, info: ValidationInfo) -> str | None:
        if command is not None and info.data.get("pin") is not None:
            raise ValueError("is given beside pin; keep one of them")
        return None if command is None else command_line(command)
