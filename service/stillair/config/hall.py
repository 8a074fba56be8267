"""The table of the chamber file for a hall: one page over the chambers of many boards."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field, SecretStr, ValidationInfo, field_validator

from stillair.config.tables import Table
from stillair.config.values import FilePath, Name, Topic, signing_secret

LONGEST_PREFIX = 200


def _prefix(value: str) -> str:
    if value.startswith(("/", "$")) or value.endswith("/") or "//" in value:
        raise ValueError('has to be names with a slash between them, as in "shed/stillair"')
    return value


class HallTable(Table):
    """What is published for it, at the broker of [mqtt]."""

    topic: Annotated[Topic, Field(max_length=LONGEST_PREFIX), AfterValidator(_prefix)] = Field(
        default="stillair",
        description="What all topics of the hall begin with, at the broker of [mqtt].",
    )
    place: Name | None = Field(
        default=None,
        description="Where the board is, in words for who looks at the hall or is told by it.",
    )
    every_s: Annotated[float, Field(ge=1, le=60)] = Field(
        default=5.0, description="How often readings are published."
    )
    answers_secret_file: FilePath | None = Field(
        default=None,
        description="File whose one line the hall signs with when somebody there has seen an "
        "alarm; without one no word of a hall does anything here.",
    )
    answers_secret: SecretStr | None = Field(
        default=None, description="That line itself; better kept in answers_secret_file."
    )

    @field_validator("answers_secret")
    @classmethod
    def _one_secret(cls, secret: SecretStr | None, info: ValidationInfo) -> SecretStr | None:
        return signing_secret(secret, info, beside="answers_secret_file")
