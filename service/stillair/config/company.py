"""Tables of the chamber file for boards that look after each other."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field, Strict, ValidationInfo, field_validator

from stillair.config.tables import Table
from stillair.config.values import (
    FilePath,
    Name,
    SecretAddress,
    Takes,
    Topic,
    web_address,
)

WEB_ADDRESS_CHARACTERS = 1000


WebAddress = Annotated[
    str,
    Field(min_length=8, max_length=WEB_ADDRESS_CHARACTERS),
    AfterValidator(web_address),
    Takes("a web address"),
]


class HeartbeatTable(Table):
    every_s: Annotated[float, Field(ge=10, le=3600)] = Field(
        default=60.0, description="How often the service says that it watches."
    )
    topic: Topic | None = Field(
        default=None, description="Topic at the broker of [mqtt] on which it says so."
    )
    url_file: FilePath | None = Field(
        default=None, description="File whose one line is a web address to which it says so."
    )
    url: SecretAddress = Field(
        default=None,
        description="That address itself; better kept in url_file when it holds a secret.",
    )
    trust_file: FilePath | None = Field(
        default=None, description="Certificates to check that address by; else the machine's own."
    )


class NeighbourTable(Table):
    name: Name = Field(description="What people call the other board.")
    topic: Topic | None = Field(
        default=None, description="Topic at the broker of [mqtt] on which its heartbeat comes."
    )
    url: WebAddress | None = Field(
        default=None, description='Its own health, as in "https://192.0.2.7:8420/api/health".'
    )
    trust_file: FilePath | None = Field(
        default=None, description="The other board's authority, to check its certificate by."
    )
    silent_after_s: Annotated[float, Field(ge=30, le=86_400)] = Field(
        default=180.0, description="Not well for so long, and an alarm says so."
    )

    @field_validator("url")
    @classmethod
    def _one_way(cls, url: str | None, info: ValidationInfo) -> str | None:
        if url is not None and info.data.get("topic") is not None:
            raise ValueError("is given beside topic; keep one of them")
        return url


Neighbours = Annotated[tuple[NeighbourTable, ...], Strict(False)]
