"""JSON Schema of every message that goes to other programs or comes from them, but for HTTP's.

What is asked and answered over HTTP is described by OpenAPI.

References
----------
JSON Schema, draft 2020-12.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from stillair.alerts.forms import HeartbeatMessage, NoticeMessage
from stillair.hall.messages import ANSWERS, MESSAGES, Erased, Order
from stillair.sensing.job_words import JobMessage

# Of a hall by the last part of the topic; the rest by what the chamber file calls it.
TOLD: dict[str, type[BaseModel]] = {
    **MESSAGES,
    **ANSWERS,
    "routes": NoticeMessage,
    "heartbeat": HeartbeatMessage,
}
BESIDE: tuple[type[BaseModel], ...] = (Order, Erased)  # what lies within others
HEARD: dict[str, type[BaseModel]] = {"jobs": JobMessage}


def schema() -> dict[str, Any]:
    """All forms under `$defs`, `messages` naming the one of each message."""
    told: list[tuple[type[BaseModel], Literal["serialization", "validation"]]] = [
        (model, "serialization") for model in [*TOLD.values(), *BESIDE]
    ]
    references, schemas = models_json_schema(
        [*told, *((model, "validation") for model in HEARD.values())],
        by_alias=True,
        title="What Stillair and other programs say to each other",
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schemas,
        "messages": {
            **{name: references[(model, "serialization")] for name, model in TOLD.items()},
            **{name: references[(model, "validation")] for name, model in HEARD.items()},
        },
    }
