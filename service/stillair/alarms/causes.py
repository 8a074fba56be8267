"""First cause first: what one trouble brings about is one story, and is told with it.

A door that stands open lets cold air in, loses heat and cools the chamber; a
supply that fails stops heater and machine; beside a fire everything goes. Each
is an alarm of its own on the page, but the message is the first one's: what
follows from it hangs below it, and is told by itself if it outlasts it.

A danger follows from nothing. Nor does what concerns those who should be
there, nor the word that nobody sees the chamber at all.

References
----------
ANSI/ISA-18.2-2016, clause 12 (suppression by design: first-out and consequential
alarms); EEMUA 191, 3rd edition, on alarm floods. The times are our choice: a box
needs minutes to warm again once its door is shut.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from stillair.alarms.catalogue import CATALOGUE, is_danger, is_notice
from stillair.alarms.reaching import SERVED
from stillair.model import BURNING, AlarmState, Kind, Priority, Suppression


@dataclass(frozen=True, slots=True)
class Follows:
    """How what follows hangs on what came first.

    It has to begin within `within_s` of the first; once that is over it may last
    for `after_s` more without being news.
    """

    within_s: float
    after_s: float = 0.0


_BESIDE_FIRE = Follows(1800.0)
_TOGETHER = Follows(120.0, 30.0)  # several at once: one cable, one disk, one network

FOLLOWS: Mapping[tuple[Kind, Kind], Follows] = {
    (Kind.DOOR_OPEN, Kind.DRAFT): Follows(1800.0, 120.0),
    (Kind.DOOR_OPEN, Kind.HEAT_LOST): Follows(1800.0, 300.0),
    (Kind.DOOR_OPEN, Kind.BELOW_TARGET): Follows(3600.0, 600.0),
    (Kind.DRAFT, Kind.BELOW_TARGET): Follows(3600.0, 600.0),
    (Kind.HEAT_LOST, Kind.NO_MOTION): Follows(900.0, 60.0),
    (Kind.HEAT_LOST, Kind.BELOW_TARGET): Follows(3600.0, 900.0),
    (Kind.OVER_TEMPERATURE, Kind.TOO_WARM): Follows(3600.0, 600.0),
    (Kind.CAMERA_FAULT, Kind.NO_MOTION): Follows(60.0, 60.0),
    (Kind.POWER_FAULT, Kind.CAMERA_FAULT): _TOGETHER,
    (Kind.POWER_FAULT, Kind.SENSOR_FAULT): _TOGETHER,
    (Kind.SENSOR_FAULT, Kind.SENSOR_FAULT): _TOGETHER,
    (Kind.BOARD_FAULT, Kind.STORE_FAULT): Follows(3600.0, 60.0),
    (Kind.STORE_FAULT, Kind.STORE_FAULT): Follows(600.0, 60.0),
    (Kind.DELIVERY_FAULT, Kind.DELIVERY_FAULT): Follows(600.0, 60.0),
    **{
        (fire, kind): _BESIDE_FIRE
        for fire in Kind
        if fire in BURNING
        for kind, rule in CATALOGUE.items()
        if rule.may_hide and not is_notice(kind)
    },
}


def _depth(kind: Kind, above: frozenset[Kind] = frozenset()) -> int:
    """How many causes may stand before this kind."""
    before = {first for first, then in FOLLOWS if then is kind and first is not kind} - above
    return max((1 + _depth(first, above | {kind}) for first in before), default=0)


# In this order alarms of one second are raised: what came first stands before what follows.
ORDER: Mapping[Kind, int] = {kind: _depth(kind) for kind in Kind}


def first_cause(alarm: AlarmState, others: Iterable[AlarmState], t_s: float) -> AlarmState | None:
    """The alarm from which this one, beginning at `t_s`, follows; it follows from none itself.

    Counted is what stands and is told, or was made quiet for a time: a door that is switched off
    or expected to stand open explains nothing.
    """
    if not CATALOGUE[alarm.kind].may_hide:
        return None
    standing = {other.id: other for other in others if other.id != alarm.id}
    found = [
        standing.get(other.cause_alarm, other)
        for other in standing.values()
        if _counts(other) and _leads(other, alarm, t_s)
    ]
    roots = [other for other in found if _counts(other) and not other.cause_alarm]
    return min(roots, key=lambda o: (not is_danger(o.kind), o.raised_s, o.id), default=None)


def outlasts_s(cause: Kind, kind: Kind) -> float:
    """For how long `kind` may last after its cause without being news."""
    return FOLLOWS[cause, kind].after_s if (cause, kind) in FOLLOWS else 600.0


def _counts(other: AlarmState) -> bool:
    told = other.suppression in (Suppression.NONE, Suppression.SHELVED)
    return other.condition and told and CATALOGUE[other.kind].messages


def _leads(first: AlarmState, then: AlarmState, t_s: float) -> bool:
    follows = FOLLOWS.get((first.kind, then.kind))
    if follows is None or t_s - first.raised_s > follows.within_s:
        return False
    if then.kind is Kind.SENSOR_FAULT and then.priority is Priority.HIGH:  # nobody sees the chamber
        return is_danger(first.kind)
    if then.kind is Kind.DELIVERY_FAULT and not is_danger(first.kind):
        return _is_route(first.subject) and _is_route(then.subject)
    return True


def _is_route(subject: str) -> bool:
    """Whether a delivery fault is of a way to people, not of the sounder or the page."""
    return ":" in subject or subject in SERVED
