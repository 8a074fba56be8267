"""Who gets which message: every person once on each of their routes, with a key that says so."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from stillair.alarms.wording import Stage, message
from stillair.model import AlarmState, EventChange, Kind, Notice


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody to be told, on all of their routes."""

    name: str
    routes: tuple[str, ...]


class Telling:
    """Make the messages of one chamber."""

    def __init__(
        self, *, chamber: str, chamber_name: str, people: tuple[Person, ...], mark: str
    ) -> None:
        self._chamber = chamber
        self._chamber_name = chamber_name
        self._people = people
        self._mark = mark

    def notices(
        self,
        stage: Stage,
        change: EventChange,
        t_s: float,
        *,
        alarm: AlarmState | None,
        key: str,
    ) -> tuple[Notice, ...]:
        """One message to each route, told at `t_s`; two people who share a route get one.

        `key` is never used for two messages; with the route it makes the
        idempotency key of each.
        """
        said = message(stage, change, t_s=t_s, chamber_name=self._chamber_name, mark=self._mark)
        notices: dict[str, Notice] = {}
        for person in self._people:
            for route in person.routes:
                if change.kind is Kind.DELIVERY_FAULT and change.subject == route:
                    continue  # that very route is the one that fails
                digest = hashlib.sha256(route.encode("utf-8", "replace")).hexdigest()[:12]
                notice = Notice(
                    key=f"{key}:{digest}",
                    chamber=self._chamber,
                    alarm=None if alarm is None else alarm.id,
                    kind=change.kind,
                    priority=change.priority if alarm is None else alarm.priority,
                    person=person.name,
                    route=route,
                    title=said.title,
                    text=said.text,
                    created_s=t_s,
                )
                notices.setdefault(notice.key, notice)
        return tuple(notices.values())
