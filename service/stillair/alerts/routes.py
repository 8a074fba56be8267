"""What a route is: one way to hand a message to one person, found by the scheme of its address."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Protocol

from stillair.errors import DeliveryError
from stillair.model import Notice


class Due(Protocol):
    """A message to be sent, as the outbox shows it.

    `tries` is how often it was tried; `route` the address with its scheme,
    "mailto:captain@example.org".
    """

    @property
    def key(self) -> str: ...
    @property
    def alarm(self) -> str | None: ...
    @property
    def chamber(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def stage(self) -> str: ...
    @property
    def person(self) -> str: ...
    @property
    def priority(self) -> str: ...
    @property
    def route(self) -> str: ...
    @property
    def title(self) -> str: ...
    @property
    def text(self) -> str: ...
    @property
    def created_at(self) -> datetime: ...
    @property
    def tries(self) -> int: ...


@dataclass(frozen=True, slots=True)
class Message:
    """A message on its way, also one that didn't come out of the outbox; satisfies `Due`.

    `link` is the address of a page that answers it, where there is one; it holds a
    secret, so it belongs into what is sent and nowhere else.
    """

    key: str
    route: str
    title: str
    text: str
    created_at: datetime
    alarm: str | None = None
    priority: str = "low"
    tries: int = 0
    chamber: str = ""
    kind: str = ""
    stage: str = ""
    person: str = ""
    link: str | None = field(default=None, repr=False)

    @classmethod
    def of(cls, notice: Notice, created_at: datetime) -> Message:
        """The message of a notice that could not be stored."""
        return cls(
            key=notice.key,
            route=notice.route,
            title=notice.title,
            text=notice.text,
            created_at=created_at,
            alarm=notice.alarm,
            priority=notice.priority.value,
            chamber=notice.chamber,
            kind=notice.kind.value,
            stage=notice.stage,
            person=notice.person,
        )

    @property
    def number(self) -> str:
        """What the same message has each time it is sent, for who shall take it once."""
        return hashlib.sha256(self.key.encode("utf-8", "replace")).hexdigest()[:32]

    def for_programs(self) -> bytes:
        """The message as JSON."""
        at = self.created_at.astimezone(UTC).isoformat(timespec="seconds")
        told = {
            "key": self.number,
            "chamber": self.chamber,
            "alarm": self.alarm,
            "kind": self.kind,
            "priority": self.priority,
            "stage": self.stage,
            "person": self.person,
            "title": self.title,
            "text": self.text,
            "created_at": at.replace("+00:00", "Z"),
            "link": self.link,
        }
        return json.dumps(told, ensure_ascii=False).encode("utf-8", "replace")


class Route(Protocol):
    """One way to send; called from several threads, at most once at a time per address."""

    def send(self, message: Message) -> None:
        """Hand the message over within this route's own deadline. Raises `DeliveryError`.

        Having returned, it was accepted. The same key is the same message.
        """
        ...

    def close(self) -> None:
        """End at once what is under way; safe to call twice."""
        ...


def route_for(routes: Mapping[str, Route], address: str) -> Route:
    """The route that an address such as "mailto:a@example.org" is sent on.

    Raises `DeliveryError`, which asking again can't help, for a scheme that isn't set up.
    """
    scheme, colon, _ = address.partition(":")
    route = routes.get(scheme.lower()) if colon else None
    if route is None:
        what = f"nothing is set up to send on {scheme}:" if colon else "it has no scheme"
        raise DeliveryError(address, what, retry=False)
    return route
