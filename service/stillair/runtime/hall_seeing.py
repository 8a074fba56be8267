"""Many alarms of a hall that somebody says to have seen at once.

Each is an order of its own to its board, as one alone is. A danger is looked at by itself, and so
is a chamber that is out of reach while one stood there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Final

from stillair.errors import CommandRefused, Refusal
from stillair.hall.matters import OWN, misread_id, misread_matter, reach_id, reach_matter
from stillair.hall.mirror import Heard, Reach
from stillair.runtime import hall_shown
from stillair.runtime.hall_service import HallService
from stillair.storage.items import Item

MOST: Final = 100  # a board remembers 200 orders
BY_ITSELF: Final = "A danger is looked at by itself."


def unseen(service: HallService, key: str | None) -> Item:
    """What nobody has seen of one chamber, or of all and of the hall itself, for one answer.

    `dangers` and `unasked` are those that are left out: danger, and alarms whose boards can't be
    asked just now; `more` is what has no room. Raises `CommandRefused` (unknown).
    """
    with service.lock:
        chambers = [*service.mirror.chambers.values()] if key is None else [service.known_one(key)]
        items: list[Any] = []
        dangers = unasked = 0
        for of in chambers:
            items += _own(service, of)
            for held in hall_shown.urgent_first(of):
                if not hall_shown.is_unseen(held.alarm):
                    continue
                if held.alarm.signal_class == "alarm":
                    dangers += 1
                elif of.reach is not Reach.HEARD or not service.asks:
                    unasked += 1
                else:
                    item = hall_shown.alarm_item(of, held.alarm)
                    items.append({**{name: item[name] for name in ("id", "text")}, **_of(of)})
        if key is None:
            items += [
                {"id": str(each["alarm"]), "text": each["text"], "chamber": None, "name": ""}
                for each in service.ailing()
                if each["alarm"] is not None and each["seen_by"] is None
            ]
    return {
        "items": items[:MOST],
        "more": max(0, len(items) - MOST),
        "dangers": dangers,
        "unasked": unasked,
    }


def see(service: HallService, alarms: Iterable[str], *, by: str) -> dict[str, str]:
    """Say of each that somebody has seen it; gives those of which that can't be said, and why."""
    refused: dict[str, str] = {}
    for alarm in dict.fromkeys(alarms):
        try:
            if _is_danger(service, alarm):
                raise CommandRefused(Refusal.CONFLICT, BY_ITSELF)
            if alarm.startswith(OWN):
                service.see(alarm, by=by)
            else:
                service.acknowledge(alarm, by=by)
        except CommandRefused as error:
            refused[alarm] = str(error)
    return refused


def _own(service: HallService, of: Heard) -> Iterator[Item]:
    """What no board tells of a chamber: that it is out of reach, or not understood."""
    told = [(reach_id(of), reach_matter(of, 0.0)), (misread_id(of), misread_matter(of))]
    for name, matter in told:
        shown = service.telling.shown(name)
        if shown["alarm"] is not None and shown["seen_by"] is None and not _is_feared(name, of):
            yield {"id": name, "text": matter.text, **_of(of)}


def _of(of: Heard) -> Item:
    return {"chamber": of.key, "name": of.name or of.key}


def _is_feared(name: str, of: Heard) -> bool:
    """Whether a danger stood, or may have stood, where nobody hears any more."""
    stood = of.is_feared or any(h.alarm.signal_class == "alarm" for h in of.alarms.values())
    return name == reach_id(of) and stood


def _is_danger(service: HallService, alarm: str) -> bool:
    with service.lock:
        if alarm.startswith(OWN):
            of = service.mirror.chambers.get(alarm.partition(" ")[2])
            return of is not None and _is_feared(alarm, of)
        of = service.mirror.chambers.get(alarm.rpartition("-")[0])
        held = of.alarms.get(alarm.partition(".")[2]) if of is not None else None
        return held is not None and held.alarm.signal_class == "alarm"
