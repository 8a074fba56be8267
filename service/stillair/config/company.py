"""Tables of the chamber file for boards that look after each other."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, SecretStr, Strict, ValidationInfo, field_validator

from stillair.config.tables import Table
from stillair.config.values import FilePath, Name, Takes, Topic, context_of, read_secret

WEB_ADDRESS_CHARACTERS = 1000


def _web_address(value: str) -> str:
    """An http or https address, or `ValueError` without any of it: it may hold a secret."""
    try:
        parts = urlsplit(value)
        whole = bool(parts.hostname) and (parts.port is None or parts.port > 0)
        whole = whole and parts.scheme in ("http", "https") and not parts.fragment
    except ValueError:
        whole = False
    if not whole or " " in value or not value.isprintable():
        raise ValueError("has to be a whole address that begins with https:// or http://")
    return value


WebAddress = Annotated[
    str,
    Field(min_length=8, max_length=WEB_ADDRESS_CHARACTERS),
    AfterValidator(_web_address),
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
    url: SecretStr | None = Field(
        default=None,
        description="That address itself; better kept in url_file when it holds a secret.",
    )
    trust_file: FilePath | None = Field(
        default=None, description="Certificates to check that address by; else the machine's own."
    )

    @field_validator("url")
    @classmethod
    def _one_address(cls, url: SecretStr | None, info: ValidationInfo) -> SecretStr | None:
        file = info.data.get("url_file")
        if url is not None and file is not None:
            raise ValueError("is given beside url_file; keep one of them")
        if file is not None and context_of(info).files_count:
            url = SecretStr(read_secret(file))
        if url is not None:
            _web_address(url.get_secret_value())
        return url


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
