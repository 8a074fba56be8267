"""Who is told in which order, and from when on somebody else is.

Critical danger goes to everybody at once, on every way. Any other danger goes to
the first person on all of theirs, and while nobody has seen it to the next person
every two minutes. All else goes to the first person's first route; after two minutes
unseen to their next one; after five to the next person. Where there is time, at medium
and low priority, both wait longer: whoever looks within ten minutes gets one message.

Each way that is to be taken, and when, is one rung of a ladder. Whoever answers
stops the climb.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from stillair.alarms.catalogue import CATALOGUE, URGENT, is_danger
from stillair.model import Kind, Priority

NEXT_ROUTE_S = 120.0
NEXT_PERSON_S = 300.0
PATIENT_ROUTE_S = 600.0
PATIENT_PERSON_S = 900.0
NEXT_IN_DANGER_S = 120.0
DAY_MIN = 24 * 60
# What may fail for all whom it serves, and how their routes begin.
MAIL, TOPICS = "mail", "MQTT"
SERVED = {MAIL: "mailto:", TOPICS: "mqtt:"}
SERVER_OF = "the server of "  # one route alone


@dataclass(frozen=True, slots=True)
class QuietHours:
    """A stretch of each day in which only danger may wake somebody.

    `start_min` and `end_min` are minutes after midnight in `zone` (None: the machine's
    own); the end may lie on the next day.
    """

    start_min: int
    end_min: int
    zone: tzinfo | None = None

    def holds(self, at: datetime | None) -> bool:
        """Whether they hold at this aware moment; where nobody knows the hour they don't."""
        if at is None:
            return False
        local = at.astimezone(self.zone)
        minute = local.hour * 60 + local.minute
        return (minute - self.start_min) % DAY_MIN < (self.end_min - self.start_min) % DAY_MIN


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody to be told.

    `routes` are the ways to them, in order. `after_s`: told only if nobody has seen it for
    so long; None: five minutes after the person before, fifteen where there is time.
    """

    name: str
    routes: tuple[str, ...]
    quiet: QuietHours | None = None
    after_s: float | None = None


@dataclass(frozen=True, slots=True)
class Rung:
    """One way to one person, taken once it has been unseen for `after_s`."""

    after_s: float
    person: Person
    route: str


def ladder(
    people: Sequence[Person],
    kind: Kind,
    priority: Priority,
    *,
    failing: Collection[str] = (),
    without: str = "",
) -> tuple[Rung, ...]:
    """All ways to be taken for an alarm, in their order; each route once.

    A `failing` route is passed over at once, and a person all of whose routes fail as well;
    where all fail, and in danger, they are tried nevertheless. `without` is a route that is
    never taken, or the server of some: one that refuses the password would hear it again and
    again, and shut out whoever comes with it.
    """
    danger = is_danger(kind)
    next_route_s = NEXT_ROUTE_S if priority in URGENT else PATIENT_ROUTE_S
    if kind is Kind.DELIVERY_FAULT:  # who counts on that route has to know, and so has everybody
        ways = [(p, r) for p in people for r in p.routes if not _goes_by(r, without)]
        others = [(p, r) for p, r in ways if r not in failing]
        return tuple({r: Rung(0.0, p, r) for p, r in others}.values())
    usable = [tuple(r for r in person.routes if danger or r not in failing) for person in people]
    if not any(usable):
        usable = [person.routes for person in people]
    rungs: dict[str, Rung] = {}
    earliest_s = float("inf")  # the time of somebody who can't be reached falls to the next
    for number, (person, routes) in enumerate(zip(people, usable, strict=True)):
        start_s = min(_start_s(person, number, kind, priority), earliest_s)
        if not routes or (danger and all(route in failing for route in routes)):
            earliest_s = start_s
        else:
            earliest_s = float("inf")
        for place, route in enumerate(routes):
            after_s = start_s if danger else start_s + place * next_route_s
            if route not in rungs or rungs[route].after_s > after_s:
                rungs[route] = Rung(after_s, person, route)
    return tuple(sorted(rungs.values(), key=lambda rung: rung.after_s))


def _goes_by(route: str, what: str) -> bool:
    """Whether that is the route itself, or what serves it."""
    return what.removeprefix(SERVER_OF) == route or (
        what in SERVED and route.startswith(SERVED[what])
    )


def first_way(people: Sequence[Person], near: str, failing: Collection[str]) -> Rung | None:
    """The one way for what somebody waited for: whoever is `near`, else the first person."""
    ordered = sorted(people, key=lambda person: person.name != near) if near else people
    ways = [(person, route) for person in ordered for route in person.routes]
    usable = [way for way in ways if way[1] not in failing] or ways
    return Rung(0.0, *usable[0]) if usable else None


def may_wake(kind: Kind) -> bool:
    """Whether quiet hours hold nothing of this kind back."""
    return not CATALOGUE[kind].may_hide


def _start_s(person: Person, number: int, kind: Kind, priority: Priority) -> float:
    """From when on this person, the `number`th, is told."""
    if not is_danger(kind):
        usual_s = NEXT_PERSON_S if priority in URGENT else PATIENT_PERSON_S
        return number * usual_s if person.after_s is None else person.after_s
    if priority is Priority.CRITICAL or number == 0:
        return 0.0
    usual_s = number * NEXT_IN_DANGER_S
    return usual_s if person.after_s is None else min(usual_s, person.after_s)
