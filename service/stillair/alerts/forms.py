"""The forms of what goes out for programs, for who reads it: one model a message.

They describe and check; nothing waits for them on its way to a person.
"""

from __future__ import annotations

from typing import Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field


class _Form(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class NoticeMessage(_Form):
    """A message to a web address (`Stillair-Signature` signs it) or to a topic: `routes`."""

    key: str = Field(description="The same each time this message is sent.")
    chamber: str = Field(description="The chamber's key.")
    alarm: str | None = Field(description="Which alarm it is about.")
    kind: str = Field(description="The kind of event.")
    priority: Literal["critical", "high", "medium", "low"]
    stage: str = Field(description="Where in the alarm's life it was sent.")
    person: str = Field(description="To whom.")
    title: str
    text: str
    created_at: AwareDatetime
    link: str | None = Field(description="A page that answers it: a secret of that person.")


class HeartbeatMessage(_Form):
    """That a chamber is watched; when the next one is overdue nobody may be watching."""

    chamber: str = Field(description="The chamber's key.")
    watching: bool = Field(description="False where a loop of the watch no longer comes round.")
    status: Literal["ok", "impaired"]
    at: AwareDatetime
    next_within_s: float = Field(gt=0)
    lost: bool = Field(
        default=False, description="True in what the broker says for a board that is gone."
    )
